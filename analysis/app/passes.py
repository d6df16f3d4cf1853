"""Where the verbs that judge get their chassis and readings: from a job, or from a chassis file and CSV files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from acquisition.errors import ConfigError, Problem
from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Reading

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel
    from analysis.judge import Judged


MAINS = "mains"
"""The model's parameter for mains over nominal mains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Readings of the same chassis with more out of circuit.

    Parameters
    ----------
    pulled : tuple of str
        What was out of circuit.
    readings : tuple of Reading
        In the order they were taken.
    """

    pulled: tuple[str, ...]
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One round of readings with what is known about it.

    Parameters
    ----------
    labels : mapping of str to str
        ``file`` or ``pass``, to name it in the output.
    readings : tuple of Reading
        In the order they were taken.
    work : tuple of Event
        Done up to the end of the pass, from `Job.work_done`.
    mains_v : float, optional
        Mains during the pass.
    bench_text : str
        The bench file of the job; empty for readings files.
    job, basis : str
        The job, and the digest of what an answer about this pass stands on; empty for readings files, and where
        other passes count too.
    beside : tuple of Beside
        Readings with more out of circuit that count too.
    told : tuple of str
        What is to be said of how passes were counted.
    """

    labels: Mapping[str, str]
    readings: tuple[Reading, ...]
    work: tuple[Event, ...] = ()
    mains_v: float | None = None
    bench_text: str = field(default="", repr=False)
    job: str = ""
    basis: str = ""
    beside: tuple[Beside, ...] = ()
    told: tuple[str, ...] = ()


def reached(model: ChassisModel, readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """Readings that the model says something about: not those of heater pins, of names that no part reaches, of
    gains between points that nothing connects, or without their drive (`analysis.judge.without_drive` names these).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    """
    from analysis.chassis.predicting import NO_GAIN

    known = [
        reading
        for reading in readings
        if not reading.measurand.lacks_drive
        and all(point in model.points and model.points[point].node for point in reading.measurand.points)
    ]
    if model.chassis.signal is None:
        return tuple(known)
    gains = list(dict.fromkeys(r.point for r in known if r.quantity in ("gain", "phase_deg")))
    shown = model.predict({}, [Measurand(point=point, quantity="gain") for point in gains])[0]
    apart = {point for point, gain in zip(gains, shown, strict=True) if gain <= NO_GAIN}
    return tuple(r for r in known if r.point not in apart)


def judged(model: ChassisModel, readings: Sequence[Reading], mains_v: float | None) -> list[Judged]:
    """Verdict for each reading of a pass that the model knows, against the band of a healthy chassis.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass; its rails set the supply of the band.
    mains_v : float, optional
        Mains during the pass.
    """
    from analysis.chassis import bands
    from analysis.judge import BAND_LEVEL, judge

    known = [reading for reading in reached(model, readings) if reading.quality in JUDGED_QUALITIES]
    if not known:
        return []
    return judge(known, bands(model, [r.measurand for r in known], known, BAND_LEVEL, mains_v=mains_v))


def work_at(
    work: Sequence[Event], mains_v: float | None, chassis: Chassis, readings: Sequence[Reading]
) -> tuple[Event, ...]:
    """Work done, with the mains of the pass as one more value that was measured.

    Parts are weighed at the mains that were written down: without that a sound chassis at 195 V of 230 V has a rail
    that is low, with 0.78.

    Parameters
    ----------
    work : sequence of Event
        Up to the end of the pass, from `Job.work_done`.
    mains_v : float, optional
        Mains during the pass; None where nobody wrote them down.
    chassis : Chassis
        For the mains it is made for.
    readings : sequence of Reading
        Of the pass; mains that its rails contradict are a note, and no value.
    """
    from analysis.chassis.conditions import mains_known

    if mains_v is None:
        return tuple(work)
    if (known := mains_known(chassis, readings, mains_v)) is None:
        return *work, Event(kind="note", subject=MAINS, value=mains_v / chassis.mains_v)
    share, std = known
    return *work, Event(kind="part_measured", subject=MAINS, value=share, std=std)


def asked_of(model: ChassisModel, readings: Sequence[Reading], known: Sequence[Event]) -> list[str]:
    """What to ask about a pass before its readings are taken for the chassis, see `analysis.judge.asked_about`.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of the pass.
    known : sequence of Event
        From `work_at` or `known_of`.
    """
    from analysis.judge import asked_about

    shares = [event.value for event in known if event.subject == MAINS and event.value is not None]
    mains_v = shares[-1] * model.chassis.mains_v if shares else None
    return asked_about(model.chassis, model, readings, mains_v)


def known_of(job: Job, name: str, chassis: Chassis) -> tuple[tuple[Reading, ...], tuple[Event, ...]]:
    """Readings of a pass, and what is known beside them: work done up to its end and its mains.

    Parameters
    ----------
    job : Job
        Open.
    name : str
        The pass.
    chassis : Chassis
        Of the job.
    """
    one = job.read_pass(name)
    return one.readings, work_at(job.work_done(name), one.mains_v, chassis, one.readings)


def require_points(chassis: Chassis, points: Iterable[str], file: str | Path, *, names: bool = False) -> None:
    """Refuse a pin that no tube of the chassis has: a slip of the pen, and a reading once kept stays.

    Parameters
    ----------
    chassis : Chassis
        The chassis.
    points : iterable of str
        Where it was read.
    file : str or Path
        The table, for the line.
    names : bool
        Whether a name that no part reaches is refused too, where there are parts.

    Raises
    ------
    ConfigError
        With all of them.
    """
    from acquisition.store import lines_of_points
    from analysis.chassis import pin_mistake
    from analysis.chassis.nodes import like

    def slip(point: str) -> str:
        if "." in point or point in chassis.sockets:
            return pin_mistake(point, chassis.sockets)
        if not names or not chassis.parts or point in chassis.node_names:
            return ""
        near = like(point, (name for name in chassis.node_names if "." not in name), 2)
        meant = f"; did you mean {' or '.join(near)}?" if near else ""
        return f"{point}: no part of the chassis reaches it{meant}"

    if told := [(point, text) for point in dict.fromkeys(points) if (text := slip(point))]:
        lines = lines_of_points(file)
        raise ConfigError.from_problems(
            [Problem(str(file), lines.get(point, 0), "point", text) for point, text in told]
        )


def take(
    arguments: Sequence[str], chassis_name: str | None, pass_name: str | None, also: Sequence[str] = ()
) -> tuple[Chassis, list[Taken]]:
    """Chassis and passes named on the command line.

    Parameters
    ----------
    arguments : sequence of str
        One job, or readings files when ``chassis_name`` is given.
    chassis_name : str, optional
        Chassis file or name of a shipped one.
    pass_name : str, optional
        A pass of the job; the last one when left out.
    also : sequence of str
        Passes of the job that count too.

    Raises
    ------
    ConfigError
        Nothing usable was named.
    StoreError
        The job cannot be read.
    """
    from acquisition.store import read_readings_csv
    from analysis.app.jobs import job_to_read
    from analysis.app.together import counted, others_told
    from analysis.app.told import basis_of
    from analysis.chassis import load_chassis, parse_chassis

    if chassis_name is not None:
        if not arguments:
            raise refusal("--chassis needs at least one readings file")
        for option, given in (("--pass", pass_name), ("--also", also)):
            if given:
                raise refusal(f"{option} belongs to a job, not to readings files")
        chassis = load_chassis(chassis_name)
        if jobs := [name for name in arguments if name.endswith(".stagewalk") or "://" in name]:
            raise refusal(f"{jobs[0]} is a job, and --chassis goes with readings files: leave --chassis out")
        tables = {name: read_readings_csv(name) for name in arguments}
        for name, readings in tables.items():
            require_points(chassis, (p for r in readings for p in r.measurand.points), name, names=True)
        return chassis, [Taken(labels={"file": name}, readings=readings) for name, readings in tables.items()]
    if len(arguments) != 1 or arguments[0].lower().endswith(".csv"):
        raise refusal("give one job, or readings files and, with --chassis FILE, what they are of")
    with job_to_read(arguments[0]) as job:
        names = job.passes()
        if not names:
            raise refusal(f"{arguments[0]} has no pass yet: take a survey first")
        for name in (*([pass_name] if pass_name is not None else []), *also):
            if name not in names:
                raise refusal(f"no pass {name!r} in {arguments[0]}; there are {', '.join(names)}")
        chosen = job.read_pass(pass_name or names[-1])
        sheet = job.sheet
        if not sheet.chassis_text:
            raise refusal(
                f"{arguments[0]} keeps no chassis file: export it, and name --chassis FILE with the table"
            )
        chassis = parse_chassis(sheet.chassis_text, sheet.chassis_name)
        if also and not chassis.parts:
            raise refusal("--also needs a chassis file with parts: without them there is nothing to work out from")
        if also:
            taken = counted(job, chosen, also)
            common = set(chosen.pulled).intersection(*(job.read_pass(name).pulled for name in also))
            return chassis.without(common), [replace(taken, bench_text=sheet.bench_text)]
        work = job.work_done(chosen.name)
        return chassis.without(chosen.pulled), [
            Taken(
                labels={"pass": chosen.name},
                readings=chosen.readings,
                work=work,
                mains_v=chosen.mains_v,
                bench_text=sheet.bench_text,
                job=arguments[0],
                basis=basis_of(sheet, [chosen], work),
                told=others_told(job, chosen),
            )
        ]


def refusal(text: str) -> ConfigError:
    """What the command line named cannot be used.

    Parameters
    ----------
    text : str
        Why, and what to do.
    """
    return ConfigError.from_problems([Problem("command", 0, "", text)])
