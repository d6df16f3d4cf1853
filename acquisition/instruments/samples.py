"""What a meter gives: samples with their time, resolution, range and flags."""

from __future__ import annotations

import math
from dataclasses import dataclass

REFUSED_FLAGS = {
    "overload": "beyond the range",
    "no_value": "the meter has no value",
    "held": "HOLD is set on the meter",
    "relative": "REL, null or mathematics is set on the meter",
    "minimum": "MIN is set on the meter",
    "maximum": "MAX is set on the meter",
    "low_battery": "the meter's battery is low",
    "wrong_function": "the meter is not set to DC volts",
    "turned": "input resistance or integration time was changed at the meter; it is set again",
    "gap": "the link failed here",
}
"""A sample with one of these is no reading; the text is the reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One value of a meter.

    Parameters
    ----------
    t_s : float
        Time of arrival on the monotonic clock, in seconds.
    value_v : float
        In volts; NaN whenever a flag of ``REFUSED_FLAGS`` is set, except for ``held``, ``relative``, ``minimum``,
        ``maximum`` and ``low_battery``, where it is what the display showed and still no reading.
    resolution_v : float
        Last digit in volts; 0 where there is no value.
    range_v : float
        Full scale in volts; infinite where it is not known.
    flags : frozenset of str
        Of ``REFUSED_FLAGS``, and ``auto`` and ``sleeps_soon``, which refuse nothing; ``negative`` beside
        ``overload`` tells the sign.
    """

    t_s: float
    value_v: float
    resolution_v: float = 0.0
    range_v: float = math.inf
    flags: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value_v) and not self.flags & REFUSED_FLAGS.keys():
            raise ValueError(f"a sample of {self.value_v} needs a flag that says why")

    @property
    def is_reading(self) -> bool:
        """True when nothing speaks against taking the value."""
        return not self.flags & REFUSED_FLAGS.keys()

    @property
    def reason(self) -> str:
        """Why it is no reading; empty when it is one."""
        return "; ".join(text for flag, text in REFUSED_FLAGS.items() if flag in self.flags)
