"""``stagewalk compare``: what changed between two passes."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from analysis.app.terminal import harmless

if TYPE_CHECKING:
    from rich.console import Console

    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel
    from analysis.compare import Change, Comparison, InCircuit
    from analysis.judge import Judged


_SHORT = {
    "agrees with the replaced part": "agrees",
    "changed, not explained by it": "NOT EXPLAINED",
    "changed; no replaced part and model to explain it": "changed",
}


def compare_passes(
    job: Job,
    before: str,
    after: str,
    known: tuple[Chassis | None, ChassisModel | None, str] | None = None,
    rows: Mapping[str, Sequence[Judged]] | None = None,
    fresh: bool = False,
) -> Comparison:
    """Compare two passes of an open job that stand alike, with the model of its chassis where there is one.

    Parameters
    ----------
    job : Job
        The open job.
    before, after : str
        Names of the passes.
    known : tuple, optional
        Chassis and model of the job, from `modelled`, where the caller has them already.
    rows : mapping of str to sequence of Judged, optional
        Verdicts by pass, from `judged`, where the caller has them already.
    fresh : bool
        Work the values in circuit out, whatever was told of these passes before; they are kept as told either way.
    """
    from dataclasses import replace

    from analysis.app.modelled import modelled
    from analysis.app.passes import judged, reached
    from analysis.app.told import as_told, basis_of
    from analysis.compare import PartValue, compare, judged_of, replaced_values
    from analysis.faults import faults_of
    from analysis.judge import asked_about, without_drive

    names = job.passes()
    first, last = job.read_pass(before), job.read_pass(after)
    chassis, model, reason = known or modelled(job.sheet, first.pulled)
    if before in names and names.index(before) < names.index(after):
        # What was replaced in the passes between counts as well.
        between = [job.read_pass(name) for name in names[names.index(before) + 1 : names.index(after)]]
        last = replace(last, events=(*(event for one in between for event in one.events), *last.events))
    turned_round = before in names and names.index(before) > names.index(after)
    work_before, work_after = job.work_done(before), job.work_done(after)
    left, undriven = set[str](), list[str]()
    if model is not None:
        undriven = without_drive([*first.readings, *last.readings])
        left = {r.point for one in (first, last) for r in set(one.readings) - set(reached(model, one.readings))
                if not r.measurand.lacks_drive}  # fmt: skip
        first, last = (replace(one, readings=reached(model, one.readings)) for one in (first, last))
    faults = faults_of(chassis, model.parameters) if chassis is not None and model is not None else ()
    result = compare(
        first,
        last,
        model=model,
        faults=faults,
        work_before=work_before,
        work_after=work_after,
    )
    if turned_round:
        words = (
            f"{after} was begun before {before}; what was replaced is asked of the later: name the earlier first"
        )
        result = replace(result, notes=(*result.notes, words))
    if model is None:
        return replace(result, notes=(*result.notes, reason)) if reason else result
    if rows is None:
        rows = {one.name: judged(model, one.readings, one.mains_v) for one in (first, last)}

    def values() -> tuple[PartValue, ...]:
        return replaced_values(
            model, first, last, work_before=work_before, work_after=work_after, faults=result.faults
        )

    basis = basis_of(job.sheet, [first, last], [*work_before, *work_after])

    told = as_told(job, after, f"in circuit since {before}", basis, tuple[PartValue, ...], values, fresh)[0]
    tolerances = {part.name: part.tolerance for part in model.chassis.parts.values()}
    result = result.measured(told, faults, tolerances)
    return replace(
        result,
        notes=(
            *result.notes,
            *_asked_once(
                {one.name: asked_about(model.chassis, model, one.readings, one.mains_v) for one in (first, last)}
            ),
            *undriven,
            *([f"not compared, no part reaches them: {', '.join(sorted(left))}"] if left else []),
        ),
        changes=tuple(
            c.judged(*(judged_of(rows[name], c.measurand) for name in (before, after))) for c in result.changes
        ),
    )


def _asked_once(asked: Mapping[str, Sequence[str]]) -> list[str]:
    """What is asked about each pass, by its name; what is asked of both alike stands there once."""
    passes = dict[str, list[str]]()
    for name, questions in asked.items():
        for question in questions:
            passes.setdefault(question, []).append(name)
    return [f"{' and '.join(names)}: {question}" for question, names in passes.items()]


def as_json(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain data.

    Parameters
    ----------
    comparison : Comparison
        From `compare_passes`.
    """

    def number(value: float | None) -> float | None:
        return None if value is None else float(f"{value:.6g}")

    def row(change: Change) -> dict[str, Any]:
        measurand = change.measurand
        return {
            "point": measurand.point,
            "quantity": measurand.quantity,
            **({"freq_hz": measurand.freq_hz} if measurand.freq_hz is not None else {}),
            **({"freq_hz_after": change.later.freq_hz} if change.later is not None else {}),
            "before": change.before,
            "after": change.after,
            "after_at_same_mains": number(change.corrected),
            "change": number(change.change),
            "std": number(change.change_std),
            "z": number(change.z),
            "probability_by_chance": number(change.probability),
            "significant": change.significant,
            "trend": change.trend,
            "verdict": change.verdict,
            "predicted": number(change.predicted),
            "predicted_std": number(change.predicted_std),
            "healthy": number(change.healthy),
            "direction": change.direction or None,
            "band_before": change.was or None,
            "band_after": change.now or None,
            "moved": change.moved or None,
        }

    def in_circuit(found: InCircuit) -> dict[str, Any]:
        ends = {name: number(getattr(found, name)) for name in ("value", "low", "high")}
        return {**ends, "text": found.text}

    return {
        "before": comparison.before,
        "after": comparison.after,
        "mains_before_v": comparison.mains_before_v,
        "mains_after_v": comparison.mains_after_v,
        "replaced": list(comparison.replaced),
        "verdict": comparison.verdict,
        "old_part": [
            {"part": f.part, "section": f.section, "fault": f.fault, "key": f.key, "value": number(value)}
            for f, value in comparison.faults
        ],
        "values": [
            {
                "part": v.part,
                "what": v.what,
                "unit": v.before.unit,
                "drawn": number(v.drawn),
                "tester": number(v.tester),
                "tester_std": number(v.tester_std),
                "before": in_circuit(v.before),
                "after": in_circuit(v.after),
            }
            for v in comparison.values
        ],
        "changes": [row(change) for change in comparison.changes],
        "still_out": [f"{c.measurand.point} {c.measurand.quantity}" for c in comparison.still_out],
        "only_before": [f"{m.point} {m.quantity}" for m in comparison.only_before],
        "only_after": [f"{m.point} {m.quantity}" for m in comparison.only_after],
        "rule": comparison.rule,
        "notes": list(comparison.remarks),
    }


def show(comparison: Comparison) -> None:
    """Print the comparison for people: what changed first, then what did not.

    Parameters
    ----------
    comparison : Comparison
        From `compare_passes`.
    """
    from rich.markup import escape
    from rich.table import Table

    from analysis.app.tables import OpenConsole, show_table
    from analysis.report.change_row import change_row, still_out_text
    from analysis.report.words import QUANTITY_WORDS, TO_ASCII, measurand_text, old_part_text

    console = OpenConsole(highlight=False)
    changed = comparison.significant
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("reading")
    for heading in ("before", "after", "change, 95 %", "healthy"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict")
    table.add_column("moved")
    for c in changed:
        name = measurand_text(c.measurand, later=c.later, ascii_only=True)
        row = change_row(escape(harmless(name)), c, ascii_only=True)
        row["verdict"] = _SHORT[c.verdict]
        table.add_row(*(row[n] for n in ("what", "before", "after", "change", "healthy", "verdict", "direction")))
    if changed:
        show_table(console, table, ("reading", "verdict", "moved"))
    quiet = [c for c in comparison.changes if not c.significant]
    if quiet:
        # Of a point with gain and phase one may have changed and not the other; a curve, at some frequencies only.
        moved = {(c.measurand.point, c.measurand.quantity) for c in changed}
        still = dict.fromkeys((c.measurand.point, c.measurand.quantity) for c in quiet)
        names = ", ".join(
            point if quantity == "dc_v" else f"{point} {QUANTITY_WORDS[quantity]}".translate(TO_ASCII)
            for point, quantity in still
            if (point, quantity) not in moved
        )
        every = len(comparison.changes)
        of = f"no significant change in {len(quiet)} of {every} reading{'s' * (every > 1)}"
        console.print(f"{of}: {escape(harmless(names))}" if names else of)
    for c in quiet:
        if c.trend:
            text = measurand_text(c.measurand, later=c.later, ascii_only=True)
            console.print(f"  a trend only: {escape(harmless(text))}, z = {c.z:+.1f}")
    if comparison.still_out:
        out = still_out_text(comparison.still_out, ascii_only=True)
        console.print(f"still out of band, unchanged: {escape(harmless(out))}")
    for fault, value in comparison.faults:
        console.print(f"{comparison.fit_words}: before, {escape(old_part_text(fault, value, ascii_only=True))}")
    _show_values(console, comparison)
    for label, lost in (("before", comparison.only_before), ("after", comparison.only_after)):
        if lost:
            names = ", ".join(measurand_text(m, ascii_only=True) for m in lost)
            console.print(f"read only {label}: {escape(harmless(names))}")
    for note in comparison.remarks:
        console.print(f"note: {escape(harmless(note))}")
    console.print(f"{escape(harmless(comparison.passes_words))}: [bold]{comparison.verdict_words}[/bold]")


def _show_values(console: Console, comparison: Comparison) -> None:
    """What the replaced parts measure in circuit, in a table of its own."""
    from rich.markup import escape
    from rich.table import Table

    from acquisition.quantities import format_value
    from analysis.app.tables import show_table
    from analysis.report.in_circuit import READINGS

    if not comparison.values:
        return
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("in circuit, 95 %", "before", "after", "drawn", "tester"):
        table.add_column(heading)
    for v in comparison.values:
        drawn, tester = (
            "" if value is None else format_value(value, v.before.unit) for value in (v.drawn, v.tester)
        )
        before, after = (found.text.removeprefix(READINGS) for found in (v.before, v.after))
        table.add_row(escape(f"{v.part} {v.name}"), before, after, drawn, tester)
    console.print()
    show_table(console, table, ("in circuit, 95 %",), folds=True)
    console.print("(from the readings of each pass through the circuit model, all tolerances allowed for; not from "
                  "the tester)")  # fmt: skip
    console.print()


@click.command("compare")
@click.argument("job")
@click.argument("before")
@click.argument("after")
@click.option("--json", "plain", is_flag=True, help="Print JSON.")
def command(job: str, before: str, after: str, plain: bool) -> int:
    """What changed in JOB from pass BEFORE to pass AFTER, by how much, and whether the replaced part explains
    it.

    Of passes with something else out of circuit, or another load: what that changed, beside what it does to a
    healthy chassis, and the feedback or the output impedance that follow from it.
    """
    from analysis.app.apart import compare_apart
    from analysis.app.jobs import job_to_read
    from analysis.app.show_apart import apart_as_json, show_apart

    if before == after:
        raise click.BadParameter(f"expected two passes, got {before} twice", param_hint="AFTER")
    with job_to_read(job) as opened:
        both = [opened.read_pass(name, captures=False) for name in (before, after)]
        if both[0].pulled != both[1].pulled:
            apart = compare_apart(opened, both[0], both[1])
            if plain:
                click.echo(json.dumps(apart_as_json(apart), indent=1))
            else:
                show_apart(apart)
            return 0
        comparison = compare_passes(opened, before, after, fresh=True)
    if plain:
        click.echo(json.dumps(as_json(comparison), indent=1))
    else:
        show(comparison)
    return 0
