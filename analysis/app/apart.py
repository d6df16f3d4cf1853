"""Passes of a job that stand differently, compared: what was taken out, or another load, changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from acquisition.errors import AnalysisError, OutsideModel
from acquisition.records import Pass
from analysis.app.modelled import modelled
from analysis.app.passes import reached
from analysis.app.together import repaired_between
from analysis.compare import Standings, compare_standings, pair

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel

Known = tuple["Chassis | None", "ChassisModel | None", str]
"""From `modelled`."""


def compare_apart(
    job: Job, before: Pass, after: Pass, known: Callable[[tuple[str, ...]], Known] | None = None
) -> Standings:
    """Compare two passes that stand differently.

    Parameters
    ----------
    job : Job
        Open.
    before, after : Pass
        Of it.
    known : callable, optional
        Gives chassis and model by what is out, where the caller has them.

    Raises
    ------
    OutsideModel
        A part was changed between them: nobody could tell what moved a reading.
    """
    if changed := repaired_between(job, [before, after]):
        raise OutsideModel(
            f"{before.name} and {after.name} stand differently, and {changed} between them: what moved a "
            "reading cannot be told",
            hint="read both with the same tubes and parts in, or put a mistake right with stagewalk note --pulled",
        )
    later = max((before, after), key=lambda one: job.passes().index(one.name))
    models, notes = [], []
    for one in (before, after):
        _, model, reason = known(one.pulled) if known else modelled(job.sheet, one.pulled)
        models.append(model)
        notes += [f"{one.name}: {reason}"] if reason else []
    first, second = models
    if first is None or second is None:
        return replace(compare_standings(before, after), notes=tuple(dict.fromkeys(notes)))
    kept = []
    for one in (before, after):
        readings = reached(second, reached(first, one.readings))
        kept.append(replace(one, readings=readings))
    try:
        found = compare_standings(kept[0], kept[1], (first, second), job.work_done(later.name))
    except AnalysisError as error:
        return replace(compare_standings(before, after), notes=(f"no model to compare with: {error}",))
    left = {r.measurand.point for one in (before, after) for r in one.readings}
    left -= {r.measurand.point for one in kept for r in one.readings}
    told = [f"not compared, no part reaches them in both: {', '.join(sorted(left))}"] if left else []
    return replace(found, notes=(*notes, *told))


def apart_from_first(job: Job, passes: Sequence[Pass]) -> list[tuple[Pass, Pass]]:
    """Passes that stand differently from the first, each with the one before it that tells most plainly what that
    changed: the last of those that differ in least.

    Parameters
    ----------
    job : Job
        Open.
    passes : sequence of Pass
        All of it, in order.
    """
    found = []
    for place, one in enumerate(passes):
        if one.pulled == passes[0].pulled:
            continue
        others = [
            other
            for other in reversed(passes[:place])
            if other.pulled != one.pulled and pair(other, one)[0] and not repaired_between(job, [other, one])
        ]
        if others:
            found.append((min(others, key=lambda other: len({*other.pulled} ^ {*one.pulled})), one))
    return found
