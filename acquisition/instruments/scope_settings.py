"""What a scope can be set to, and what it says that it is set to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A channel as the scope says it is set.

    Parameters
    ----------
    channel : int
        Counted from 1.
    full_scale_v, centre_v : float
        Height of the screen and the voltage in its middle, in volts at the tip.
    coupling : str
        ``dc`` or ``ac``.
    probe_factor : float
        10 for x10.
    is_limited : bool
        Bandwidth limit on.
    """

    channel: int
    full_scale_v: float
    centre_v: float = 0.0
    coupling: Literal["dc", "ac"] = "dc"
    probe_factor: float = 10.0
    is_limited: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Timebase:
    """The time axis as the scope says it is set.

    Parameters
    ----------
    span_s : float
        Width of the screen in seconds.
    centre_s : float
        Time of its middle against the trigger, in seconds.
    points : int
        Samples of a record, as far as the scope says.
    """

    span_s: float
    centre_s: float = 0.0
    points: int = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """An edge trigger.

    Parameters
    ----------
    source : str
        ``ch1`` and so on, or ``external``.
    level_v : float
        In volts at the tip.
    slope : str
        ``rising`` or ``falling``.
    """

    source: str
    level_v: float = 0.0
    slope: Literal["rising", "falling"] = "rising"
