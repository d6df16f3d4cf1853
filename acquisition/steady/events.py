"""What goes into the detector and what comes out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


class Sample(Protocol):
    """One conversion of the meter, as `acquisition.instruments` delivers it."""

    @property
    def t_s(self) -> float: ...
    @property
    def value_v(self) -> float: ...
    @property
    def resolution_v(self) -> float: ...
    @property
    def range_v(self) -> float: ...
    @property
    def flags(self) -> Collection[str]: ...
    @property
    def is_reading(self) -> bool: ...
    @property
    def reason(self) -> str: ...


class State(StrEnum):
    """Where the tip is, as far as the samples tell."""

    AWAY = "away"
    TOUCHED = "touched"
    BOUNCING = "bouncing"
    SETTLING = "settling"
    TAKEN = "taken"


class EventKind(StrEnum):
    """What the detector has to say."""

    TOUCHED = "touched"
    BOUNCED = "bounced"
    OVERLOAD = "overload"
    TAKEN = "taken"
    UNSTEADY = "unsteady"
    LOST = "lost"
    LIFTED = "lifted"
    NEEDS_KEY = "needs_key"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyReading:
    """One steady value.

    Parameters
    ----------
    value_v, std_v : float
        Value and combined standard uncertainty in volts.
    type_a_v, spec_v : float
        Its parts: spread, resolution and settling; the meter's specification.
    samples : int
        Conversions used.
    drift_v_per_s, tail_v : float
        Slope of a drifting supply; part of the value that was extrapolated.
    resolution_v : float
        One digit.
    range_v : float
        Range of the meter; infinite where it does not tell.
    waited_s : float
        From the touch, or the key, to the reading.
    in_band : bool
        The value lies in the no-contact band: a key or a hold vouched for the contact, or it jumped there and
        stands stiller than the free lead ever did.
    """

    value_v: float
    std_v: float
    type_a_v: float
    spec_v: float
    samples: int
    drift_v_per_s: float
    tail_v: float
    resolution_v: float
    range_v: float
    waited_s: float
    in_band: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyEvent:
    """Something that happened at a sample.

    Parameters
    ----------
    kind : EventKind
        What.
    t_s : float
        When, on the meter's time.
    reading : SteadyReading, optional
        With ``taken`` and ``unsteady``.
    text : str
        Reason, with ``refused`` and ``needs_key``.
    """

    kind: EventKind
    t_s: float
    reading: SteadyReading | None = None
    text: str = ""
