"""What a job keeps besides its readings: events, answers as they were told, passes, the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .readings import Capture, Reading
from .watched import Stretch

EVENT_KINDS = ("note", "part_replaced", "part_measured", "tube_swapped", "confirmation", "state", "watched")

LONGEST_NAME = 80
"""Most characters in the name of a pass."""

PULLED = "pulled"
"""Setting of a pass that names the sockets whose tubes were out."""

REPAIRS = ("part_replaced", "tube_swapped")
"""Kinds of event by which something was changed."""

WORK = ("part_measured", *REPAIRS)
"""Kinds of event that an answer depends on; what was noted, confirmed or switched changes none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened between readings.

    Parameters
    ----------
    kind : str
        One of ``EVENT_KINDS``. ``part_measured`` carries a value found with power off, which replaces the nominal
        value from then on; ``part_replaced`` names the part changed; ``watched`` is what a watched point did, or a
        mark that somebody set.
    subject : str
        Part, socket or point concerned; may be empty.
    value, std : float, optional
        Measured value in the SI unit of the part and its standard uncertainty.
    text : str
        Free text.
    taken_utc : str
        ISO 8601 text in UTC.
    """

    kind: str
    subject: str = ""
    value: float | None = None
    std: float | None = None
    text: str = ""
    taken_utc: str = ""

    def __post_init__(self) -> None:
        if self.kind not in EVENT_KINDS:
            raise ValueError(f"event kind {self.kind!r} is not one of {EVENT_KINDS}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An answer that was worked out from a pass and told, kept as it stood.

    Parameters
    ----------
    question : str
        What was asked.
    basis : str
        Digest of all that it was worked out from.
    body : str
        The answer; its form is the business of whoever asked.
    program : str
        Name and version of what told it.
    told_utc : str
        ISO 8601 text in UTC.
    """

    question: str
    basis: str
    body: str
    program: str = ""
    told_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One round of readings on a chassis.

    Parameters
    ----------
    name : str
        ``as-found``, ``after-C7`` and so on; unique in the job.
    started_utc : str
        ISO 8601 text in UTC.
    mains_v, mains_hz : float, optional
        Mains during the pass, volts rms and hertz.
    minutes_on : float, optional
        Minutes since switch-on when the pass began.
    readings, captures, events : tuple
        In the order they were taken.
    watched : tuple of Stretch
        What points did that were watched for long, in order of time.
    settings : mapping
        How chassis and instruments stood, text to text; `PULLED` names what was out of circuit.
    """

    name: str
    started_utc: str
    mains_v: float | None = None
    mains_hz: float | None = None
    minutes_on: float | None = None
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = ()
    events: tuple[Event, ...] = ()
    watched: tuple[Stretch, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)

    @property
    def pulled(self) -> tuple[str, ...]:
        """What was out of circuit during the pass: sockets without their tube, parts lifted at one end."""
        return tuple(self.settings.get(PULLED, "").split())


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSheet:
    """What is known about a job besides its readings.

    Parameters
    ----------
    chassis_name : str
        Name of the chassis.
    chassis_text, bench_text : str
        The chassis and bench files as they were, word for word; may be empty.
    customer, serial, complaint, technician : str
        As written down at intake; may be empty.
    found, advice : str
        In the technician's words, at the end: what was wrong; what was left undone and is advised.
    created_utc : str
        ISO 8601 text in UTC.
    program : str
        Name and version of the program that made the job.
    """

    chassis_name: str
    chassis_text: str = ""
    bench_text: str = ""
    customer: str = ""
    serial: str = ""
    complaint: str = ""
    technician: str = ""
    found: str = ""
    advice: str = ""
    created_utc: str = ""
    program: str = ""
