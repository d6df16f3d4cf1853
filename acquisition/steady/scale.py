"""Range and digit of the meter, as its samples tell them."""

from __future__ import annotations

import math

from .events import Sample

_DIGITS = 1e-6
"""A meter that does not tell its digit is taken to show six of them."""


class Scale:
    """What the samples are read on; digits of two ranges are not averaged.

    Attributes
    ----------
    range_v : float
        Range; infinite where the meter does not tell, not a number before the first sample.
    digit_v : float
        One digit in volts.
    """

    def __init__(self) -> None:
        self.range_v = math.nan
        self.digit_v = 0.0
        self._given_v = 0.0

    def is_changed_by(self, sample: Sample) -> bool:
        """Take the scale of a sample, and tell whether it is another one than before.

        Parameters
        ----------
        sample : Sample
            With a value.
        """
        if sample.range_v == self.range_v and sample.resolution_v == self._given_v:
            return False
        self.range_v, self._given_v = sample.range_v, sample.resolution_v
        full_v = sample.range_v if math.isfinite(sample.range_v) else max(1.0, abs(sample.value_v))
        self.digit_v = sample.resolution_v or _DIGITS * full_v
        return True
