"""The types that cross from the bench to the analysis, and the columns of every table of readings.

Standard library and numpy only; every record is frozen and checks itself. Values are in the SI unit of their
quantity (``QUANTITIES``); an uncertainty is one standard deviation (k = 1, JCGM 100).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

QUANTITIES: Mapping[str, str] = {
    "dc_v": "V",
    "pp_v": "V",
    "rms_v": "V",
    "gain": "",
    "phase_deg": "deg",
    "ripple_pp_v": "V",
    "thd_pct": "%",
}
"""Every quantity a reading can have, with its unit. ``gain`` and ``phase_deg`` join two points: ``V1.2>V1.1``."""

RELATIVE_QUANTITIES = frozenset({"gain", "phase_deg"})
"""Quantities whose point names an input and an output, ``FROM>TO``."""

QUALITIES = ("good", "unsteady", "overload", "held", "confirmed_zero", "imported")
"""How a reading came about; only ``good``, ``confirmed_zero`` and ``imported`` are judged."""

RATING_MARGIN = 0.8
"""Share of a rating that is used (rule L1 of common bench practice)."""

UNKNOWN_RATING_V = 60.0
"""No prompt goes above this while a rating is not known (rule L11)."""

JUDGED_QUALITIES = frozenset({"good", "confirmed_zero", "imported"})


class Column(NamedTuple):
    """One column of an exported table."""

    name: str
    dtype: str
    unit: str
    nullable: bool
    meaning: str


READING_COLUMNS: tuple[Column, ...] = (
    Column("pass_name", "string", "", False, "round of readings it belongs to, as-found or after-C7"),
    Column("point", "string", "", False, "where the probe was: V1.6, HT2; FROM>TO for gain and phase"),
    Column("quantity", "string", "", False, "one of dc_v pp_v rms_v gain phase_deg ripple_pp_v thd_pct"),
    Column("value", "float64", "of the quantity", False, "what was read"),
    Column("std", "float64", "of the quantity", True, "standard uncertainty, k = 1"),
    Column("freq_hz", "float64", "Hz", True, "frequency of the signal, or of the ripple line"),
    Column("drive_pp_v", "float64", "V", True, "generator amplitude, peak to peak"),
    Column("taken_utc", "string", "", False, "ISO 8601, UTC"),
    Column("instrument", "string", "", False, "identity of the instrument that read it"),
    Column("range_v", "float64", "V", True, "range of the instrument, full scale"),
    Column("quality", "string", "", False, "good, unsteady, overload, held, confirmed_zero or imported"),
    Column("note", "string", "", False, "free text"),
)

CAPTURE_COLUMNS: tuple[Column, ...] = (
    Column("file", "string", "", False, "its samples, as time_s against the trigger and volts at the tip"),
    Column("pass_name", "string", "", False, "round of readings it belongs to"),
    Column("point", "string", "", False, "where the probe was"),
    Column("freq_hz", "float64", "Hz", True, "frequency of the generator"),
    Column("drive_pp_v", "float64", "V", True, "generator amplitude, peak to peak"),
    Column("full_scale_v", "float64", "V", False, "height of the whole converter range"),
    Column("clipped", "bool", "", False, "touches the end of that range"),
    Column("probe_factor", "float64", "", False, "10 for x10; volts have it in them"),
    Column("coupling", "string", "", False, "dc or ac"),
    Column("channel", "int64", "", False, "of the scope"),
    Column("shot", "int64", "", False, "captures of one shot are simultaneous"),
    Column("taken_utc", "string", "", False, "ISO 8601, UTC"),
    Column("instrument", "string", "", False, "identity of the scope"),
    Column("note", "string", "", False, "free text"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurand:
    """What is, or could be, measured: a reading without its value.

    Parameters
    ----------
    point : str
        Where the probe goes; ``FROM>TO`` for gain and phase.
    quantity : str
        A key of ``QUANTITIES``.
    freq_hz : float, optional
        Signal frequency in hertz; for ``ripple_pp_v`` the strongest line, if known.
    drive_pp_v : float, optional
        Generator amplitude, volts peak to peak, at the signal input of the chassis.
    """

    point: str
    quantity: str
    freq_hz: float | None = None
    drive_pp_v: float | None = None

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES:
            raise ValueError(f"quantity {self.quantity!r} is not one of {', '.join(QUANTITIES)}")
        if (self.quantity in RELATIVE_QUANTITIES) != (">" in self.point):
            raise ValueError(
                f"{self.quantity} of {self.point!r}: gain and phase_deg need FROM>TO, others one point"
            )

    @property
    def points(self) -> tuple[str, ...]:
        """The one point, or the input and output point."""
        return tuple(self.point.split(">"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number with its uncertainty, exactly as it is kept in the job file.

    Parameters
    ----------
    point, quantity, freq_hz, drive_pp_v
        As in `Measurand`.
    value : float
        In the unit of the quantity; never a special number of the instrument.
    std : float, optional
        Standard uncertainty in the unit of the quantity; None where it is not known.
    taken_utc : str
        ISO 8601 text in UTC.
    instrument : str
        Identity of the instrument.
    range_v : float, optional
        Full scale of the range in volts: errors of one instrument on one range are correlated.
    quality : str
        One of ``QUALITIES``.
    note : str
        Free text.
    """

    point: str
    quantity: str
    value: float
    std: float | None = None
    freq_hz: float | None = None
    drive_pp_v: float | None = None
    taken_utc: str = ""
    instrument: str = ""
    range_v: float | None = None
    quality: str = "good"
    note: str = ""

    def __post_init__(self) -> None:
        Measurand(point=self.point, quantity=self.quantity)
        if not math.isfinite(self.value):
            raise ValueError(f"reading of {self.point}: value {self.value} is not a finite number")
        if self.std is not None and not (math.isfinite(self.std) and self.std >= 0):
            raise ValueError(f"reading of {self.point}: standard uncertainty {self.std} is not zero or positive")
        if self.quality not in QUALITIES:
            raise ValueError(f"reading of {self.point}: quality {self.quality!r} is not one of {QUALITIES}")

    @property
    def measurand(self) -> Measurand:
        """What was measured, without the value."""
        return Measurand(point=self.point, quantity=self.quantity, freq_hz=self.freq_hz, drive_pp_v=self.drive_pp_v)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Capture:
    """Samples of one waveform as the scope sent them: raw codes with their scale.

    Parameters
    ----------
    point : str
        Where the probe was.
    codes : ndarray, shape (N,), int8 or int16 or uint8 or uint16
        Raw converter codes.
    scale_v, offset_v : float
        Volts at the probe tip are ``codes * scale_v + offset_v`` (probe factor included).
    t0_s, dt_s : float
        Time of the first sample against the trigger, and the sample interval, in seconds.
    full_scale_v : float
        Height of the whole converter range in volts at the tip.
    clipped : bool
        The record touches the end of the converter range.
    channel : int
        Scope channel, counted from 1.
    shot : int
        Records of one single shot share this number: only these are simultaneous.
    probe_factor : float
        Division of the probe, 10 for x10.
    coupling : str
        ``dc`` or ``ac``.
    bandwidth_hz : float, optional
        Bandwidth limit in force; None when it is not known.
    freq_hz, drive_pp_v : float, optional
        Generator setting during the capture.
    taken_utc, instrument, note : str
        As in `Reading`.
    """

    point: str
    codes: np.ndarray
    scale_v: float
    offset_v: float
    t0_s: float
    dt_s: float
    full_scale_v: float
    clipped: bool = False
    channel: int = 1
    shot: int = 0
    probe_factor: float = 1.0
    coupling: str = "dc"
    bandwidth_hz: float | None = None
    freq_hz: float | None = None
    drive_pp_v: float | None = None
    taken_utc: str = ""
    instrument: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        codes = np.array(self.codes)
        if codes.ndim != 1 or codes.dtype.kind not in "iu" or codes.dtype.itemsize > 2:
            raise ValueError(f"capture of {self.point}: codes must be one row of 8- or 16-bit integers")
        if not (self.dt_s > 0 and math.isfinite(self.scale_v) and self.scale_v != 0):
            raise ValueError(f"capture of {self.point}: sample interval and scale must be positive and known")
        codes.flags.writeable = False
        object.__setattr__(self, "codes", codes)

    @property
    def volts(self) -> np.ndarray:
        """Samples at the probe tip in volts, shape (N,), float64."""
        return self.codes.astype(np.float64) * self.scale_v + self.offset_v

    @property
    def times_s(self) -> np.ndarray:
        """Times of the samples against the trigger in seconds, shape (N,)."""
        return self.t0_s + self.dt_s * np.arange(self.codes.size)


EVENT_KINDS = ("note", "part_replaced", "part_measured", "tube_swapped", "confirmation", "state", "gap")

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
        value from then on; ``part_replaced`` names the part changed.
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
    settings : mapping
        Instrument settings worth keeping, text to text.
    """

    name: str
    started_utc: str
    mains_v: float | None = None
    mains_hz: float | None = None
    minutes_on: float | None = None
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = ()
    events: tuple[Event, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)


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


def usable_v(rated_v: float | None) -> float:
    """Highest worst-case volts, DC plus AC peak, at which a lead, a probe or an instrument is offered.

    Parameters
    ----------
    rated_v : float or None
        Its rating; None when it is not known.

    Returns
    -------
    float
        In volts: 80 % of the rating, or 60 V where the rating allows that much.

    Examples
    --------
    >>> usable_v(600.0), usable_v(None), usable_v(30.0)
    (480.0, 60.0, 30.0)
    """
    rated_v = UNKNOWN_RATING_V if rated_v is None else rated_v
    return max(RATING_MARGIN * rated_v, min(rated_v, UNKNOWN_RATING_V))


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyStep:
    """One point of a survey, with all that acquisition needs to know about it as plain data.

    Parameters
    ----------
    point : str
        ``V1.6`` or a named node.
    function : str
        What the pin does, in the trade's words: ``plate``, ``grid``, ``cathode``, ``rail``.
    place : str
        Where it is, spoken: ``noval base from below, pin 6, sixth clockwise from the gap``.
    expected_v, low_v, high_v : float, optional
        What a healthy chassis would read there with this meter, and its 95 % band, in volts.
    worst_v : float
        Highest voltage to ground, DC plus AC peak, that the point can take in a fault or at switch-on (rule L1).
    source_ohm, settle_s : float
        Source resistance of the node, and its slowest time constant, as the model sees them.
    may_be_zero : bool
        A healthy or faulty node here can sit within the noise of 0 V: the step announces a key or a timed hold.
    neighbours : mapping of str to float
        Expected volts of neighbouring and mirrored pins, for the question ``wrong pin?``.
    heater : bool
        A heater pin: skipped when the tubes glow.
    delicate : bool
        A bootstrapped grid that a meter would upset (E2): not offered unless asked for.
    """

    point: str
    function: str
    place: str = ""
    expected_v: float | None = None
    low_v: float | None = None
    high_v: float | None = None
    worst_v: float = 0.0
    source_ohm: float = 0.0
    settle_s: float = 0.0
    may_be_zero: bool = False
    neighbours: Mapping[str, float] = field(default_factory=dict)
    heater: bool = False
    delicate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPlan:
    """The points of a survey in bench order.

    Parameters
    ----------
    chassis : str
        Name of the chassis.
    steps : sequence of SurveyStep
        Rails first, then stage by stage; points of low impedance before grids.
    """

    chassis: str
    steps: Sequence[SurveyStep]
