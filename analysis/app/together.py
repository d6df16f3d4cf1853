"""Passes of one chassis in one state of repair, counted together: as it is, then with a tube or part out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from acquisition.errors import AnalysisError
from acquisition.records import REPAIRS, Event, Measurand, Pass, Reading
from analysis.app.passes import Beside, Taken, reached, refusal, work_at
from analysis.report.words import standing_text

if TYPE_CHECKING:
    from acquisition.store import Job, KeptPasses
    from analysis.app.modelled import Models
    from analysis.chassis import ChassisModel


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stood:
    """What was read of one chassis, with models of how it stood.

    Parameters
    ----------
    taken : Taken
        What was read.
    rounds : tuple of (ChassisModel, tuple of Reading)
        How it stood and what was read so. The first is the chassis with the least out of circuit: that of the
        hypotheses.
    now : ChassisModel
        One of these: as it stood in the pass that is asked about, and stands when the next reading is taken.
    readings : tuple of Reading
        All, told apart by how the chassis stood.
    reached : tuple of Reading
        Those that a model says something about.
    known : tuple of Event
        Work done and the mains, from `work_at`.
    told : tuple of str
        What is to be said of how passes were counted.
    """

    taken: Taken
    rounds: tuple[tuple[ChassisModel, tuple[Reading, ...]], ...]
    now: ChassisModel
    readings: tuple[Reading, ...]
    reached: tuple[Reading, ...]
    known: tuple[Event, ...]
    told: tuple[str, ...] = ()

    @property
    def model(self) -> ChassisModel:
        """The chassis of the hypotheses."""
        return self.rounds[0][0]

    @property
    def beside(self) -> tuple[ChassisModel, ...]:
        """The chassis with more out of circuit."""
        return tuple(model for model, _ in self.rounds[1:])

    @property
    def measurands(self) -> tuple[Measurand, ...]:
        """What was read, once each."""
        return tuple(dict.fromkeys(reading.measurand for reading in self.reached))

    @property
    def asked(self) -> list[str]:
        """Tubes over their rating, and what to ask before the readings are taken for the chassis, see
        `analysis.judge.asked_about`."""
        from analysis.idle import idle_of, over_ratings
        from analysis.judge import asked_about

        mains_v, work = self.taken.mains_v, self.taken.work
        told = [[*over_ratings(idle_of(model.chassis, readings, work)).values()] for model, readings in self.rounds]
        told += [asked_about(model.chassis, model, readings, mains_v) for model, readings in self.rounds]
        return list(dict.fromkeys(text for found in told for text in found))


def stood(taken: Taken, models: Models) -> Stood:
    """Find the models that belong to what was read.

    Parameters
    ----------
    taken : Taken
        What was read.
    models : Models
        Of the chassis.

    Raises
    ------
    AnalysisError
        The chassis has no operating point as it stood in the pass that is asked about.
    """
    from analysis.inference.standings import tail_of, told_apart
    from analysis.inference.variables import LAST

    model, more, told = models.of(taken.pulled), [], []
    rounds = [(model, taken.readings)]
    for one in taken.beside:
        try:
            other = models.of(one.pulled)
        except AnalysisError as error:
            if one.pulled == taken.now:
                raise
            told.append(f"not counted: what was read with {standing_text(sorted(one.pulled))}: {error}")
            continue
        rounds.append((other, one.readings))
        tail = tail_of(model.chassis, other.chassis.pulled)
        more += [told_apart(r, tail) for r in reached(other, one.readings) if r.quantity not in LAST]
    return Stood(
        taken=taken,
        rounds=tuple(rounds),
        now=models.of(taken.now),
        readings=(*taken.readings, *more),
        reached=(*reached(model, taken.readings), *more),
        known=work_at(taken.work, taken.mains_v, model.chassis, taken.readings),
        told=(*taken.told, *told),
    )


def counted(job: Job | KeptPasses, chosen: Pass, also: Sequence[str] = (), *, alone: bool = False) -> Taken:
    """One pass, with others that count too.

    Of itself another pass counts that was taken with something else out of circuit, where no part was changed
    between them and the mains were the same. The chassis they are of has everything in that was in during any of
    them: `Taken.readings` are those taken so, `Taken.beside` the rest.

    Parameters
    ----------
    job : Job
        Open.
    chosen : Pass
        What is asked about.
    also : sequence of str
        Other passes of the job that count, whatever was out.
    alone : bool
        Count only what is named.

    Raises
    ------
    ConfigError
        A part or tube was changed between those named, or their mains differ.
    """
    asked = {chosen.name, *also}
    passes = [
        chosen if name == chosen.name else job.read_pass(name, captures=False)
        for name in job.passes()
        if name in asked or not alone
    ]
    rounds = [one for one in passes if one.name in asked]
    if between := repaired_between(job, rounds):
        raise refusal(f"{between} between {rounds[0].name} and {rounds[-1].name}: they are not of the same chassis")
    if words := _other_mains(rounds):
        raise refusal(f"mains were {words}: only passes at the same mains count together")
    apart: list[str] = []
    for one in passes:
        if one in rounds or not one.readings or set(one.pulled) == set(chosen.pulled):
            continue
        if repaired_between(job, [one, chosen]):
            continue
        if words := _other_mains([*rounds, one]):
            apart.append(f"not counted: {one.name} ({standing_text(one.pulled)}), for mains were {words}")
        else:
            rounds.append(one)
    rounds.sort(key=passes.index)
    return _taken(job, chosen, rounds, apart)


def _taken(job: Job | KeptPasses, chosen: Pass, rounds: Sequence[Pass], apart: Sequence[str]) -> Taken:
    from analysis.app.told import basis_of

    common = frozenset(rounds[0].pulled).intersection(*(one.pulled for one in rounds))
    readings: dict[frozenset[str], list[Reading]] = {common: []}
    for one in rounds:
        readings.setdefault(frozenset(one.pulled), []).extend(one.readings)
    others = [one.name for one in rounds if one is not chosen]
    named = tuple(f"{one.name} ({standing_text(one.pulled)})" for one in rounds)
    words = f"counted together: {', '.join(named)}; the next reading is asked for as in {chosen.name}"
    sheet, work = job.sheet, job.work_done(rounds[-1].name)
    return Taken(
        labels={"pass": chosen.name, **({"also": ", ".join(others)} if others else {})},
        readings=tuple(readings.pop(common)),
        work=work,
        mains_v=min((one.mains_v for one in rounds if one.mains_v is not None), default=None),
        bench_text=sheet.bench_text,
        job=str(job.path),
        basis=basis_of(sheet, rounds, work),
        pulled=common,
        now=frozenset(chosen.pulled),
        beside=tuple(Beside(pulled=out, readings=tuple(found)) for out, found in readings.items()),
        rounds=named,
        told=(*([words] if others else []), *apart),
        begun=job.passes(),
    )


def pass_without(read: Stood, pulled: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """The pass in which more is out of circuit than in the one asked about: its name, and all that is out in it.

    Parameters
    ----------
    read : Stood
        The pass that is asked about.
    pulled : sequence of str
        What goes out besides.

    Returns
    -------
    name : str
        After what is out, and of no pass that was begun: that one has its own conditions.
    out : tuple of str
        In the order of the file.
    """
    out = read.now.chassis.without([*read.taken.now, *pulled]).pulled
    name = stem = "-".join([*out, "out"]).replace("=", "-")
    number = 1
    while name in read.taken.begun:
        number += 1
        name = f"{stem}-{number}"
    return name, out


def _other_mains(passes: Sequence[Pass]) -> str:
    """Least and most mains of some passes, where they differ by more than mains do while a pass is read."""
    from analysis.chassis.conditions import MAINS_STD

    mains = sorted((one.mains_v, one.name) for one in passes if one.mains_v is not None)
    if not mains or mains[-1][0] <= (1.0 + MAINS_STD) * mains[0][0]:
        return ""
    (least_v, least), *_, (most_v, most) = mains
    return f"{least_v:g} V in {least} and {most_v:g} V in {most}"


def repaired_between(job: Job | KeptPasses, passes: Sequence[Pass]) -> str:
    """The first part or tube changed from the first of some passes to the last, ``C2 was changed``; empty for none.

    Parameters
    ----------
    job : Job or KeptPasses
        Open.
    passes : sequence of Pass
        Of it.
    """
    rounds = [[event for event in job.work_done(one.name) if event.kind in REPAIRS] for one in passes]
    few, many = min(rounds, key=len), max(rounds, key=len)
    return f"{many[len(few)].subject} was changed" if len(many) > len(few) else ""
