"""``stagewalk compare``: what changed between two passes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from analysis.app.terminal import harmless

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel
    from analysis.compare import Change, Comparison


_SHORT = {
    "agrees with the replaced part": "agrees",
    "changed, not explained by it": "NOT EXPLAINED",
    "changed; no replaced part and model to explain it": "changed",
}
_WAYS = {"toward": "closer", "away": "AWAY", "": ""}


def compare_passes(
    job: Job, before: str, after: str, known: tuple[Chassis | None, ChassisModel | None, str] | None = None
) -> Comparison:
    """Compare two passes of an open job, with the model of its chassis where there is one.

    Parameters
    ----------
    job : Job
        The open job.
    before, after : str
        Names of the passes.
    known : tuple, optional
        Chassis and model of the job, from `modelled`, where the caller has them already.
    """
    from dataclasses import replace

    from analysis.app.modelled import modelled
    from analysis.compare import compare
    from analysis.faults import faults_of

    chassis, model, reason = known or modelled(job.sheet)
    names = job.passes()
    first, last = job.read_pass(before), job.read_pass(after)
    if before in names and names.index(before) < names.index(after):
        # What was replaced in the passes between counts as well.
        between = [job.read_pass(name) for name in names[names.index(before) + 1 : names.index(after)]]
        last = replace(last, events=(*(event for one in between for event in one.events), *last.events))
    result = compare(
        first,
        last,
        model=model,
        faults=faults_of(chassis, model.parameters) if chassis is not None and model is not None else (),
        fitted_before=job.fitted_parts(before),
        fitted_after=job.fitted_parts(after),
    )
    return replace(result, notes=(*result.notes, reason)) if reason else result


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
        }

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
        "changes": [row(change) for change in comparison.changes],
        "only_before": [f"{m.point} {m.quantity}" for m in comparison.only_before],
        "only_after": [f"{m.point} {m.quantity}" for m in comparison.only_after],
        "rule": comparison.rule,
        "notes": list(comparison.notes),
    }


def show(comparison: Comparison) -> None:
    """Print the comparison for people: what changed first, then what did not.

    Parameters
    ----------
    comparison : Comparison
        From `compare_passes`.
    """
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from analysis.report.words import measurand_text, old_part_text, to_its_uncertainty, with_uncertainty

    console = Console(highlight=False)
    changed = [c for c in comparison.changes if c.significant]
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("reading")
    for heading in ("before", "after", "change, 95 %", "healthy"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict")
    table.add_column("moved")
    for c in changed:
        quantity = c.measurand.quantity
        healthy = (
            "" if c.healthy is None else to_its_uncertainty(c.healthy, c.change_std, quantity, ascii_only=True)
        )
        table.add_row(
            escape(harmless(measurand_text(c.measurand, ascii_only=True))),
            to_its_uncertainty(c.before, c.before_std, quantity, ascii_only=True),
            to_its_uncertainty(c.after, c.after_std, quantity, ascii_only=True),
            with_uncertainty(c.change, c.change_std, quantity, ascii_only=True).removeprefix("x"),
            healthy,
            _SHORT[c.verdict],
            _WAYS[c.direction],
        )
    if changed:
        console.print(table)
    quiet = [c for c in comparison.changes if not c.significant]
    if quiet:
        names = ", ".join(dict.fromkeys(c.measurand.point for c in quiet))
        console.print(f"no significant change in {len(quiet)} of {len(comparison.changes)} readings: "
                      f"{escape(harmless(names))}")  # fmt: skip
    for c in quiet:
        if c.trend:
            text = measurand_text(c.measurand, ascii_only=True)
            console.print(f"  a trend only: {escape(harmless(text))}, z = {c.z:+.1f}")
    for fault, value in comparison.faults:
        console.print(f"the changes fit: before, {escape(old_part_text(fault, value, ascii_only=True))}")
    for label, lost in (("before", comparison.only_before), ("after", comparison.only_after)):
        if lost:
            names = ", ".join(measurand_text(m, ascii_only=True) for m in lost)
            console.print(f"read only {label}: {escape(harmless(names))}")
    for note in comparison.notes:
        console.print(f"note: {escape(harmless(note))}")
    replaced = f" ({', '.join(comparison.replaced)} replaced)" if comparison.replaced else ""
    console.print(f"{escape(harmless(comparison.before))} to {escape(harmless(comparison.after + replaced))}: "
                  f"[bold]{comparison.verdict}[/bold]")  # fmt: skip


@click.command("compare")
@click.argument("job")
@click.argument("before")
@click.argument("after")
@click.option("--json", "plain", is_flag=True, help="Print JSON.")
def command(job: str, before: str, after: str, plain: bool) -> int:
    """What changed in JOB from pass BEFORE to pass AFTER, by how much, and whether the replaced part explains
    it."""
    from acquisition.store import open_job

    with open_job(job, read_only=True) as opened:
        comparison = compare_passes(opened, before, after)
    if plain:
        click.echo(json.dumps(as_json(comparison), indent=1))
    else:
        show(comparison)
    return 0
