"""Where the verbs that judge get their chassis and readings: from a job, or from a chassis file and CSV files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from acquisition.errors import ConfigError, Problem
from acquisition.records import JUDGED_QUALITIES, Event, Reading

if TYPE_CHECKING:
    from analysis.chassis import Chassis, ChassisModel
    from analysis.judge import Judged


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
        The job, and the digest of what an answer about this pass stands on; empty for readings files.
    """

    labels: Mapping[str, str]
    readings: tuple[Reading, ...]
    work: tuple[Event, ...] = ()
    mains_v: float | None = None
    bench_text: str = field(default="", repr=False)
    job: str = ""
    basis: str = ""


def reached(model: ChassisModel, readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """Readings that the model says something about: not those of heater pins, of names that no part reaches, or
    without their drive (`analysis.judge.without_drive` names these).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    """
    return tuple(
        reading
        for reading in readings
        if not reading.measurand.lacks_drive
        and all(point in model.points and model.points[point].node for point in reading.measurand.points)
    )


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


def take(arguments: Sequence[str], chassis_name: str | None, pass_name: str | None) -> tuple[Chassis, list[Taken]]:
    """Chassis and passes named on the command line.

    Parameters
    ----------
    arguments : sequence of str
        One job, or readings files when ``chassis_name`` is given.
    chassis_name : str, optional
        Chassis file or name of a shipped one.
    pass_name : str, optional
        A pass of the job; the last one when left out.

    Raises
    ------
    ConfigError
        Nothing usable was named.
    StoreError
        The job cannot be read.
    """
    from acquisition.store import read_readings_csv
    from analysis.app.jobs import job_to_read
    from analysis.app.told import basis_of
    from analysis.chassis import load_chassis, parse_chassis

    def refuse(text: str) -> ConfigError:
        return ConfigError.from_problems([Problem("command", 0, "", text)])

    if chassis_name is not None:
        if not arguments:
            raise refuse("--chassis needs at least one readings file")
        if pass_name is not None:
            raise refuse("--pass belongs to a job, not to readings files")
        chassis = load_chassis(chassis_name)
        if jobs := [name for name in arguments if name.endswith(".stagewalk") or "://" in name]:
            raise refuse(f"{jobs[0]} is a job, and --chassis goes with readings files: leave --chassis out")
        return chassis, [Taken(labels={"file": name}, readings=read_readings_csv(name)) for name in arguments]
    if len(arguments) != 1:
        raise refuse("give one job, or --chassis FILE and readings files")
    with job_to_read(arguments[0]) as job:
        names = job.passes()
        if not names:
            raise refuse(f"{arguments[0]} has no pass yet: take a survey first")
        if pass_name is not None and pass_name not in names:
            raise refuse(f"no pass {pass_name!r} in {arguments[0]}; there are {', '.join(names)}")
        chosen = job.read_pass(pass_name or names[-1])
        sheet = job.sheet
        if not sheet.chassis_text:
            raise refuse(f"{arguments[0]} keeps no chassis file: export it, and name --chassis FILE with the table")
        work = job.work_done(chosen.name)
        return parse_chassis(sheet.chassis_text, sheet.chassis_name), [
            Taken(
                labels={"pass": chosen.name},
                readings=chosen.readings,
                work=work,
                mains_v=chosen.mains_v,
                bench_text=sheet.bench_text,
                job=arguments[0],
                basis=basis_of(sheet, [chosen], work),
            )
        ]
