"""What a point did while it was watched, a stretch of time a record."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEAVES, SETTLED, STANDS = "leaves", "settled at", "stands at"
"""Words by which an event ``watched`` says that the point left where it stood, has settled, and came to rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A point over a short while of a long watch.

    Parameters
    ----------
    point : str
        ``V3.8`` or a named node.
    begun_utc : str
        When the watch began, ISO 8601 text in UTC; the same in all stretches of one watch.
    end_s : float
        End of the stretch, seconds since the watch began.
    span_s : float
        Its length in seconds.
    mean_v, lowest_v, highest_v : float
        Of the meter's readings in it, volts DC.
    samples : int
        How many they were.

    Raises
    ------
    ValueError
        A number is not finite, or the mean lies outside the two ends.
    """

    point: str
    begun_utc: str
    end_s: float
    span_s: float
    mean_v: float
    lowest_v: float
    highest_v: float
    samples: int

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.end_s, self.span_s, self.mean_v, self.lowest_v, self.highest_v))):
            raise ValueError(f"a stretch of {self.point} that is no number")
        slack_v = 1e-9 * max(abs(self.lowest_v), abs(self.highest_v))
        if not self.lowest_v - slack_v <= self.mean_v <= self.highest_v + slack_v:
            raise ValueError(f"a stretch of {self.point} whose mean lies outside its ends")
