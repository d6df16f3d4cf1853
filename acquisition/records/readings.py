"""What was read: measurands, readings, captures, and the columns of every table of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
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
    "cold_ohm": "ohm",
}
"""Every quantity a reading can have, with its unit. ``gain`` and ``phase_deg`` join two points: ``V1.2>V1.1``;
``cold_ohm``, with the power off and the tubes cold, is from a point to the chassis, or between two."""

RELATIVE_QUANTITIES = frozenset({"gain", "phase_deg"})
"""Quantities whose point names an input and an output, ``FROM>TO``."""

DRIVEN_QUANTITIES = frozenset({"pp_v", "rms_v", "thd_pct"})
"""Quantities of the signal at one point, which mean nothing to a model before it knows how large the drive was."""


def points_of(quantity: str) -> tuple[int, ...]:
    """How many points a quantity may name.

    Parameters
    ----------
    quantity : str
        A key of ``QUANTITIES``.
    """
    return (1, 2) if quantity == "cold_ohm" else (2,) if quantity in RELATIVE_QUANTITIES else (1,)


QUALITIES = ("good", "unsteady", "overload", "held", "confirmed_zero", "imported")
"""How a reading came about; only ``good``, ``confirmed_zero`` and ``imported`` are judged."""

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
    Column("quantity", "string", "", False, "one of dc_v pp_v rms_v gain phase_deg ripple_pp_v thd_pct cold_ohm"),
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
        if len(self.points) not in points_of(self.quantity):
            raise ValueError(
                f"{self.quantity} of {self.point!r}: gain and phase_deg need FROM>TO, others one point"
            )

    @property
    def points(self) -> tuple[str, ...]:
        """The one point, or the input and output point."""
        return tuple(self.point.split(">"))

    @property
    def lacks_drive(self) -> bool:
        """Whether no model can say what is due, for nobody wrote down how large the drive was."""
        return self.quantity in DRIVEN_QUANTITIES and self.drive_pp_v is None


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


def judged_dc(readings: Iterable[Reading]) -> Iterator[Reading]:
    """The DC readings that are judged, in their order: a point may come more than once, the last counts.

    Parameters
    ----------
    readings : iterable of Reading
        Of one pass.
    """
    return (r for r in readings if r.quantity == "dc_v" and r.quality in JUDGED_QUALITIES)
