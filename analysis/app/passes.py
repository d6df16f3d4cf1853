"""Readings of a pass as the verbs that judge take them: what the model reaches, verdicts, work and mains."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from acquisition.errors import ConfigError, Problem
from acquisition.records import JUDGED_QUALITIES, Event, Reading

if TYPE_CHECKING:
    from analysis.chassis import Chassis, ChassisModel
    from analysis.judge import Judged


MAINS = "mains"
"""The model's parameter for mains over nominal mains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Readings of the same chassis with more out of circuit.

    Parameters
    ----------
    pulled : frozenset of str
        What was out of circuit.
    readings : tuple of Reading
        In the order they were taken.
    """

    pulled: frozenset[str]
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
        The job, and the digest of what an answer about this pass stands on; empty for readings files.
    pulled : frozenset of str
        What was out of circuit.
    now : frozenset of str
        What is out in the pass that is asked about: this, or more where others count too.
    beside : tuple of Beside
        Readings with more out of circuit that count too.
    rounds : tuple of str
        The passes that count, each with what was out of circuit; empty for readings files.
    told : tuple of str
        What is to be said of how passes were counted.
    begun : tuple of str
        Every pass of the job; empty for readings files.
    """

    labels: Mapping[str, str]
    readings: tuple[Reading, ...]
    work: tuple[Event, ...] = ()
    mains_v: float | None = None
    bench_text: str = field(default="", repr=False)
    job: str = ""
    basis: str = ""
    pulled: frozenset[str] = frozenset()
    now: frozenset[str] = frozenset()
    beside: tuple[Beside, ...] = ()
    rounds: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    begun: tuple[str, ...] = ()


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
    known = [
        reading
        for reading in readings
        if not reading.measurand.lacks_drive
        and all(point in model.points and model.points[point].node for point in reading.measurand.points)
    ]
    if model.chassis.signal is None:
        return tuple(known)
    apart = model.apart(r.point for r in known if r.quantity in ("gain", "phase_deg"))
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


def refusal(text: str) -> ConfigError:
    """What the command line named cannot be used.

    Parameters
    ----------
    text : str
        Why, and what to do.
    """
    return ConfigError.from_problems([Problem("", 0, "", text)])
