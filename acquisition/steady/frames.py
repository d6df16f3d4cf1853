"""Frames that repeat one conversion, told from how long each value of the free lead stands."""

from __future__ import annotations

from collections import deque

STEP_DIGITS = 4.0
"""A step of so many digits is one of the lead: noise of half a digit makes none."""

_KNOWN_FROM = 6
"""Values between two such steps that are waited for before anything is said."""


class Frames:
    """Learn how many frames of a stream belong to one conversion.

    A meter may send its display faster than it converts. A mean over a bounce, sent three times, would stand as
    still as a contact. Noise makes a value stand for two conversions now and then; a value that has a step of the
    free lead before and behind it stands for one, unless its frames repeat.
    """

    def __init__(self) -> None:
        self._stood: deque[int] = deque(maxlen=32)
        self._value_v: float | None = None
        self._run = 0
        self._after_step = False

    @property
    def per_conversion(self) -> int:
        """How many frames one conversion has; 1 where the lead did not tell."""
        if len(self._stood) < _KNOWN_FROM:
            return 1
        in_order = sorted(self._stood)
        least, most = in_order[len(in_order) // 4], in_order[3 * len(in_order) // 4]
        # A stream out of step with its conversions sends some once more than others; the lead may stand for longer.
        return min(most, least + 1) if least > 1 else 1

    def is_repeat(self, value_v: float, resolution_v: float, *, free: bool) -> bool:
        """Whether a frame only repeats the one before.

        Parameters
        ----------
        value_v, resolution_v : float
            Of the frame, in volts.
        free : bool
            The lead hangs free: there is something to learn.
        """
        before, self._value_v = self._value_v, value_v
        if value_v == before:
            self._run += 1
            return (self._run - 1) % self.per_conversion > 0
        step = before is not None and abs(value_v - before) >= STEP_DIGITS * resolution_v > 0.0
        if free and step and self._after_step:
            self._stood.append(self._run)
        self._after_step = free and step
        self._run = 1
        return False
