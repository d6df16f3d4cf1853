"""``stagewalk suspects``: which part best explains the readings of a pass, how sure, and what to read next."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import click

from analysis.app.passes import Taken
from analysis.app.taking import take
from analysis.app.terminal import harmless, tell
from analysis.app.volts import ABOVE_ONE

if TYPE_CHECKING:
    from analysis.app.together import Stood
    from analysis.chassis import Chassis

CAUTION = (
    "High voltage: the usual cautions, licensed practice and local codes come before any of this. Ohms and farads "
    "only with the power off, at a point that read below 1 V within two minutes; read it again after half a minute."
)
"""Rule L6 of common bench practice: capacitors recover by themselves."""

LEAST_LISTED = 0.001
"""Suspects below this probability are not listed for people."""

LEAST_BITS = 0.005
"""Below this the bits of a proof come out as 0.00, and are not told."""

MOST_ALIKE = 6
"""Look-alikes that are named to people, the nearest first."""


def answers(
    chassis: Chassis, passes: Sequence[Taken], wanted: Sequence[str] = (), limit_v: float | None = None
) -> Iterator[dict[str, Any]]:
    """One JSON object a pass; what is told of a job's pass is kept in the job.

    Parameters
    ----------
    chassis : Chassis
        The same for all passes.
    passes : sequence of Taken
        Passes.
    wanted : sequence of str
        Parts whose values are to be fitted too.
    limit_v : float, optional
        Lowest rating of lead, probe and meter; those of the job's bench file when left out.
    """
    from analysis.app.modelled import Models, kept_bench, limits_known, loads_of
    from analysis.app.together import stood
    from analysis.app.told import SUSPECTS, remember
    from analysis.chassis import ChassisModel
    from analysis.judge import asked_about
    from analysis.suspects import Diagnoser

    bench = kept_bench(passes[0].bench_text)  # passes of one call are of one job, or are files
    limits = limits_known(bench) if limit_v is None else (limit_v, limit_v)
    if not chassis.parts:
        from analysis.suspects.like_stages import compare_stages

        for taken in passes:
            result = as_json(compare_stages(chassis, taken.readings, limits[0]))
            asked = asked_about(chassis, None, taken.readings, taken.mains_v)
            yield {**taken.labels, **result, "notes": [*asked, *result["notes"]]}
        return
    model = ChassisModel(chassis, *loads_of(bench))
    if wanted:
        from analysis.estimate import keys_of

        keys_of(model, wanted)  # a wrong name is told before any work is done
    models = Models(model)
    diagnosers: dict[Any, Diagnoser] = {}
    for taken in passes:
        read = stood(taken, models)
        key = (read.measurands, read.known)
        if key not in diagnosers:  # files of one survey share their predictions
            diagnosers = {key: Diagnoser(read.model, *key, *limits, beside=read.beside, now=read.now)}
        diagnosis = diagnosers[key].diagnose(read.readings)
        diagnosis = diagnosers[key].with_tube_out(diagnosis)
        if taken.job:
            remember(taken.job, taken.labels["pass"], SUSPECTS, taken.basis, diagnosis)
        result = as_json(diagnosis)
        if taken.job:
            result["tube_out"] = passes_of_their_own(read, result["tube_out"])
        result["notes"] = [*read.told, *read.asked, *result["notes"]]
        if wanted:
            result["estimates"] = fitted(read, wanted)
        yield {**taken.labels, **result}


def passes_of_their_own(read: Stood, asked: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Readings with more out of circuit, each with the pass it belongs to, what is out in it, and the command.

    Parameters
    ----------
    read : Stood
        The pass of the job that was asked about.
    asked : sequence of dict
        From `as_json`.
    """
    from analysis.app.standing import as_options
    from analysis.app.together import pass_without

    found = []
    for one in asked:
        name, out = pass_without(read, one["pull"])
        options = as_options(read.now.chassis, out)
        job = shlex.quote(read.taken.job)
        command = f"stagewalk survey {job} --pass {name} {options} --from {one['point']}"
        found.append({**one, "pass": name, "out": list(out), "command": command})
    return found


def fitted(read: Stood, wanted: Sequence[str]) -> list[dict[str, Any]]:
    """Fitted values of the named parts.

    Parameters
    ----------
    read : Stood
        The pass, with others that count.
    wanted : sequence of str
        Parts.
    """
    from acquisition.records import JUDGED_QUALITIES
    from analysis.estimate import estimate
    from analysis.work import values_found

    readings = [r for r in read.reached if r.quality in JUDGED_QUALITIES]
    known = values_found(read.model.parameters, read.known)
    return [
        {
            "part": v.part,
            "what": v.what,
            **{name: float(f"{getattr(v, name):.4g}") for name in ("value", "low", "high")},
            "unit": v.unit,
            "told": v.told,
            "tied": list(v.tied),
            "text": v.text,
        }
        for v in estimate(read.model, readings, wanted, known, read.beside)
    ]


def as_json(diagnosis: Any) -> dict[str, Any]:
    """The diagnosis in the shape the design gives.

    Parameters
    ----------
    diagnosis : Diagnosis
        From `analysis.suspects`.
    """

    def estimate(found: Any) -> dict[str, Any] | None:
        if found is None:
            return None
        numbers = {name: float(f"{getattr(found, name):.4g}") for name in ("value", "low", "high")}
        return {**numbers, "unit": found.unit, "text": found.text}

    suspects = [
        {
            "part": s.part,
            **({"section": s.section} if s.section else {}),
            "fault": s.fault,
            "probability": round(s.probability, 4),
            "estimate": estimate(s.estimate),
            "because": s.because,
            "alike": list(s.alike),
            "separates": s.separates,
        }
        for s in diagnosis.suspects
    ]

    def proposed(p: Any) -> dict[str, Any]:
        where = {"point": p.point, "quantity": p.quantity, **({"freq_hz": p.freq_hz} if p.freq_hz else {})}
        return {**where, "text": p.text, "bits": p.bits, "why": p.why}

    return {
        "healthy_probability": round(diagnosis.healthy_probability, 4),
        "suspects": suspects,
        "next": [proposed(p) for p in diagnosis.next],
        "tube_out": [{"pull": list(p.pulled), **proposed(p)} for p in diagnosis.tube_out],
        "power_off": [{"part": p.part, "bits": p.bits, "what": p.what} for p in diagnosis.power_off],
        "notes": list(diagnosis.notes),
    }


def show(result: dict[str, Any], *, modelled: bool = True) -> None:
    """Print one answer for people.

    Parameters
    ----------
    result : dict
        From `answers`.
    modelled : bool
        Whether the chassis file has parts: without them there is no model to propose a reading.
    """
    from rich.table import Table

    from analysis.app.tables import OpenConsole
    from analysis.report.words import chance_text, place_text
    from analysis.suspects.next_reading import ENOUGH_BITS

    console = OpenConsole()

    def say(text: str) -> None:
        console.print(harmless(text), highlight=False, markup=False)

    for note in result["notes"]:
        say(note)
    say(f"nothing wrong with any part: {chance_text(result['healthy_probability'])}")
    table = Table()
    for name in ("part", "fault", "probability", "would measure"):
        table.add_column(name, justify="right" if name == "probability" else "left")
    for suspect in [one for one in result["suspects"][:8] if one["probability"] >= LEAST_LISTED]:
        part = place_text(suspect["part"], suspect.get("section", ""))
        estimate = suspect["estimate"]["text"] if suspect["estimate"] and suspect["probability"] >= 0.01 else ""
        table.add_row(part, suspect["fault"], chance_text(suspect["probability"], 1), estimate)
    if table.row_count:
        console.print(table)
    for suspect in result["suspects"][:3]:
        if suspect["probability"] >= 0.05:
            part = place_text(suspect["part"], suspect.get("section", ""))
            say(f"{part} {suspect['fault']}: {suspect['because']}")
            if suspect["alike"]:
                more = len(suspect["alike"]) - MOST_ALIKE
                tail = f" and {more} more" if more > 0 else ""
                say(f"  looks like: {', '.join(suspect['alike'][:MOST_ALIKE])}{tail}")
            say(f"  settles it: {suspect['separates']}")
    for value in result.get("estimates", ()):
        say(value["text"])
    telling = [proposal for proposal in result["next"] if proposal["bits"] >= ENOUGH_BITS]
    for proposal in telling:
        say(f"next: {proposal['text']}, {proposal['bits']:.2f} bits ({proposal['why']})")
    if not telling:
        say(
            "next: no live reading that is left tells much" if modelled else "next: enter parts and rails, then ask"
        )
    for pulled in result.get("tube_out", ()):
        say(
            f"or with the power off pull {', '.join(pulled['pull'])}, then: {pulled['text']}, "
            f"{pulled['bits']:.2f} bits ({pulled['why']})"
        )
        if "command" in pulled:
            say(f"  {pulled['command']}")
    out = {socket for pulled in result.get("tube_out", ()) for socket in pulled["pull"]}
    for opened in [one for one in result["power_off"] if one["part"] not in out]:
        # Of a part that is certain already the proof tells nothing new, and is due all the same.
        bits = f" ({opened['bits']:.2f} bits)" if opened["bits"] >= LEAST_BITS else ""
        say(f"prove {opened['part']}: {opened['what']}{bits}")
    say(CAUTION)


def _one(job: tuple[Chassis, Taken, tuple[str, ...], float | None]) -> dict[str, Any]:
    chassis, taken, wanted, limit_v = job
    return next(answers(chassis, [taken], wanted, limit_v))


def _at_once(
    jobs: Sequence[tuple[Chassis, Taken, tuple[str, ...], float | None]], processes: int
) -> Iterator[dict[str, Any]]:
    import signal
    from concurrent.futures import ProcessPoolExecutor

    # Ctrl-C reaches every process of the terminal: the workers fall silent, and this one says that it stopped.
    pool = ProcessPoolExecutor(processes, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_DFL))
    try:
        yield from pool.map(_one, jobs)
    finally:
        pool.shutdown(cancel_futures=True)


@click.command(name="suspects")
@click.argument("arguments", nargs=-1, metavar="JOB | READINGS.csv ...")
@click.option("--chassis", "chassis_name", metavar="FILE", help="Chassis; the arguments are then readings files.")
@click.option("--pass", "pass_name", metavar="NAME", help="Pass of the job; the last one when left out.")
@click.option(
    "--also",
    multiple=True,
    metavar="NAME",
    help="Pass that counts too; may be given again. One with something else out of circuit counts of itself.",
)
@click.option("--alone", is_flag=True, help="Count no pass but the one asked about, and those of --also.")
@click.option("--estimate", "wanted", metavar="C5,R7", help="Fit the values of these parts too.")
@click.option(
    "--limit-v",
    type=ABOVE_ONE,
    help="Lowest rating of lead, probe and meter, in volts; the job's bench file when left out.",
)
@click.option("--processes", type=click.IntRange(1, 64), default=1, show_default=True, help="Files at once.")
@click.option("--json", "plain", is_flag=True, help="One JSON object a pass, one a line.")
def command(
    arguments: tuple[str, ...],
    chassis_name: str | None,
    pass_name: str | None,
    also: tuple[str, ...],
    alone: bool,
    wanted: str | None,
    limit_v: float | None,
    processes: int,
    plain: bool,
) -> None:
    """Rank the faults that explain the readings, and say what to read next."""
    chassis, passes = take(arguments, chassis_name, pass_name, also, alone=alone)
    names = tuple(name.strip() for name in (wanted or "").split(",") if name.strip())
    results: Iterator[dict[str, Any]]
    if processes > 1 and len(passes) > 1:
        results = _at_once([(chassis, taken, names, limit_v) for taken in passes], processes)
    else:
        results = answers(chassis, passes, names, limit_v)
    for number, result in enumerate(results, start=1):
        if len(passes) > 1:
            click.echo(f"{number} of {len(passes)}", err=True)
        if plain:
            click.echo(json.dumps(result))
            continue
        if len(passes) > 1:
            tell(f"\n{result['file']}")
        show(result, modelled=bool(chassis.parts))
