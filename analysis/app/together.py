"""Passes of one chassis in one state of repair, counted together: as it is, then with a tube or part out."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from acquisition.records import REPAIRS, Pass, Reading
from analysis.app.passes import Beside, Taken, reached, refusal
from analysis.report.words import standing_text

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.chassis import ChassisModel


def counted(job: Job, chosen: Pass, also: Sequence[str]) -> tuple[frozenset[str], Taken]:
    """One pass, with others that count too.

    The chassis they are of has everything in that was in during any of them: `Taken.readings` are those taken so,
    `Taken.beside` the rest.

    Parameters
    ----------
    job : Job
        Open.
    chosen : Pass
        What is asked about.
    also : sequence of str
        Other passes of the job.

    Returns
    -------
    pulled : frozenset of str
        What was out of circuit in all of them.
    taken : Taken
        Their readings.

    Raises
    ------
    ConfigError
        A part or tube was changed between them, or their mains differ.
    """
    from analysis.chassis.conditions import MAINS_STD

    wanted = {chosen.name, *also}
    passes = [job.read_pass(name) for name in job.passes() if name in wanted]
    if between := _repaired_between(job, passes):
        raise refusal(f"{between} between {passes[0].name} and {passes[-1].name}: they are not of the same chassis")
    mains = sorted((one.mains_v, one.name) for one in passes if one.mains_v is not None)
    if mains and mains[-1][0] > (1.0 + MAINS_STD) * mains[0][0]:  # they move by as much while a pass is read
        (least_v, least), *_, (most_v, most) = mains
        raise refusal(
            f"mains were {least_v:g} V in {least} and {most_v:g} V in {most}: only passes at the same mains count "
            "together"
        )
    common = set(passes[0].pulled).intersection(*(one.pulled for one in passes))
    rounds: dict[frozenset[str], list[Reading]] = {frozenset(common): []}
    for one in passes:
        rounds.setdefault(frozenset(one.pulled), []).extend(one.readings)
    whole, *more = rounds.items()
    return whole[0], Taken(
        labels={"pass": chosen.name, "also": ", ".join(one.name for one in passes if one.name != chosen.name)},
        readings=tuple(whole[1]),
        work=job.work_done(passes[-1].name),
        mains_v=mains[0][0] if mains else None,
        bench_text=job.sheet.bench_text,
        beside=tuple(Beside(pulled=out, readings=tuple(readings)) for out, readings in more),
        told=("counted together: " + ", ".join(f"{one.name} ({standing_text(one.pulled)})" for one in passes),),
    )


def standing(model: ChassisModel, beside: Sequence[Beside]) -> tuple[list[ChassisModel], list[Reading]]:
    """The chassis as it stood beside, and what was read so that the model says something about, told apart.

    Parameters
    ----------
    model : ChassisModel
        The chassis with the least out of circuit.
    beside : sequence of Beside
        From `Taken.beside`.
    """
    from analysis.chassis import ChassisModel
    from analysis.inference.panel import LAST
    from analysis.inference.standings import tail_of, told_apart

    chassis, models, readings = model.chassis, [], []
    for one in beside:
        stood = ChassisModel(chassis.without(one.pulled), model.meter, model.probe, beside=model)
        tail = tail_of(chassis, stood.chassis.pulled)
        models.append(stood)
        readings += [told_apart(r, tail) for r in reached(stood, one.readings) if r.quantity not in LAST]
    return models, readings


def others_told(job: Job, chosen: Pass) -> tuple[str, ...]:
    """What to say of passes with something else out of circuit that may count with a pass.

    Parameters
    ----------
    job : Job
        Open.
    chosen : Pass
        What is asked about.
    """
    found = []
    for name in job.passes():
        one = job.read_pass(name) if name != chosen.name else chosen
        if set(one.pulled) != set(chosen.pulled) and one.readings and not _repaired_between(job, [one, chosen]):
            found.append(one)
    if not found:
        return ()
    options = " ".join(f"--also {shlex.quote(one.name)}" for one in found)
    named = ", ".join(f"{one.name} ({standing_text(one.pulled)})" for one in found)
    return (f"not counted: {named}; with {options} one answer is worked out from all",)


def _repaired_between(job: Job, passes: Sequence[Pass]) -> str:
    """The first part or tube changed from the first of some passes to the last; empty for none."""
    rounds = [[event for event in job.work_done(one.name) if event.kind in REPAIRS] for one in passes]
    few, many = min(rounds, key=len), max(rounds, key=len)
    return f"{many[len(few)].subject} was changed" if len(many) > len(few) else ""
