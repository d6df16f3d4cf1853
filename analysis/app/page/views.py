"""Pictures and tables of the page, made from the job file; nothing here touches an instrument."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acquisition.errors import MissingReading, OutsideModel
from acquisition.records import judged_dc
from analysis.app.modelled import modelled

from .server import Views

if TYPE_CHECKING:
    from acquisition.records import Pass
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel


def views_of(path: str | Path) -> Views:
    """The views of one job.

    Parameters
    ----------
    path : str or Path
        The job file or the URL of its database; opened for reading each time, so that the
        worker stays its only writer.
    """
    return Views(
        base=_base,
        drawing=lambda width_px, pass_name: _drawing(path, width_px, pass_name),
        compare=lambda before, after: _compare(path, before, after),
        history=lambda point: _history(path, point),
        report=lambda: _report(path),
    )


@lru_cache(maxsize=64)
def _base(tube: str, pin: int) -> str:
    from analysis.tubes import load_tube
    from analysis.tubes.base_svg import base_svg

    known = load_tube(tube)
    try:
        return base_svg(known, pin or None)
    except ValueError as error:  # no pin of this base
        raise OutsideModel(str(error)) from error


@lru_cache(maxsize=4)
def _model(
    name: str, text: str, bench_text: str, pulled: tuple[str, ...]
) -> tuple[Chassis | None, ChassisModel | None, str]:
    from acquisition.records import JobSheet

    return modelled(JobSheet(chassis_name=name, chassis_text=text, bench_text=bench_text), pulled)


def _drawing(path: str | Path, width_px: int, pass_name: str) -> str:
    """The newest DC reading of each point in a pass (the last one before it begins) over what is expected."""
    from acquisition.store import open_job
    from analysis.chassis import bands
    from analysis.judge import BAND_LEVEL, judge
    from analysis.report.drawing import chassis_svg
    from analysis.report.wiring import Shown

    with open_job(path, read_only=True) as job:
        sheet, passes = job.sheet, job.passes()
        shows = pass_name if pass_name in passes else passes[-1] if passes else None
        taken = job.read_pass(shows) if shows is not None else None
    pulled = taken.pulled if taken else ()
    chassis, model, reason = _model(sheet.chassis_name, sheet.chassis_text, sheet.bench_text, pulled)
    if chassis is None:
        raise OutsideModel(reason)
    newest = {r.point: r for r in judged_dc(taken.readings if taken else ())}
    shown = {point: Shown(measured_v=r.value) for point, r in newest.items()}
    if model is not None:
        known = [r for r in newest.values() if r.point in model.points and model.points[r.point].node]
        limits = bands(
            model, [r.measurand for r in known], known, BAND_LEVEL, mains_v=taken.mains_v if taken else None
        )
        for row in judge(known, limits):
            point = row.reading.point
            shown[point] = Shown(
                measured_v=row.reading.value, expected_v=row.expected, verdict=row.verdict, said=row.words
            )
    return chassis_svg(chassis, shown, room_px=width_px)


def _compare(path: str | Path, before: str, after: str) -> Mapping[str, Any]:
    from acquisition.store import open_job
    from analysis.app.verbs.compare import compare_passes
    from analysis.report.change_row import change_row, still_out_text
    from analysis.report.in_circuit import value_sentences
    from analysis.report.words import measurand_text, old_part_text

    with open_job(path, read_only=True) as job:
        both = [job.read_pass(name, captures=False) for name in (before, after)]
        if both[0].pulled != both[1].pulled:
            return _apart(job, *both)
        found = compare_passes(job, before, after)
    changed = found.significant
    quiet = len(found.changes) - len(changed)
    words = [f"{found.passes_words}: {found.verdict_words}"]
    fit = found.fit_words.capitalize()
    words += [f"{fit}: before, {old_part_text(fault, value)}" for fault, value in found.faults]
    if quiet:  # as the terminal: with nothing to look at, "no change" would be said of nothing
        every = len(found.changes)
        words.append(f"No significant change in {quiet} of {every} reading{'s' * (every > 1)}.")
    if found.still_out:
        words.append(f"Still out of band, unchanged: {still_out_text(found.still_out)}.")
    words += value_sentences(found.values)
    return {
        "words": [*words, *found.remarks],
        "changes": [change_row(measurand_text(c.measurand, later=c.later), c) for c in changed],
    }


def _apart(job: Job, before: Pass, after: Pass) -> Mapping[str, Any]:
    from analysis.app.apart import compare_apart
    from analysis.report.standing_rows import as_sentence, moved_row, remarks, standing_sentences
    from analysis.report.words import with_signs

    found = compare_apart(job, before, after)
    loud, more = remarks(found)
    stood, *told = standing_sentences(found)
    rows = [moved_row(one) for one in loud]
    return {
        "words": [with_signs(as_sentence(text)) for text in (*told, f"how they stood: {stood}", *more)],
        "changes": [{**row, "direction": f"healthy {row['healthy']}" if row["healthy"] else ""} for row in rows],
    }


def _report(path: str | Path) -> str:
    from acquisition.store import open_job
    from analysis.app.verbs.report import gather
    from analysis.report.render import render

    with open_job(path, read_only=True) as job:
        return render(gather(job))


def _history(path: str | Path, point: str) -> Mapping[str, Any]:
    from acquisition.store import open_job
    from analysis.report.words import measurand_text, quality_text, with_uncertainty

    with open_job(path, read_only=True) as job:
        rows = [
            {
                "pass": name,
                "what": measurand_text(r.measurand),
                "value": with_uncertainty(r.value, r.std, r.quantity),
                "quality": quality_text(r.quality),
                "time": r.taken_utc[:16].replace("T", " "),
            }
            for name in job.passes()
            for r in job.read_pass(name).readings
            if point in r.measurand.points
        ]
    if not rows:
        raise MissingReading(f"{point} was not read yet", point=point, quantity="")
    # What was read in one pass and again in the next stands together: between them lie the gains of a whole sweep.
    order = list(dict.fromkeys(row["what"] for row in rows))
    rows.sort(key=lambda row: order.index(row["what"]))
    return {"point": point, "readings": rows}
