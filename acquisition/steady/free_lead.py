"""What a free lead shows: learned while it hangs free, so that it is never taken for a contact."""

from __future__ import annotations

import math
from collections import deque

from .fit import Rules

_PEAK_HALF_LIFE_S = 30.0
CEILING_V = 5.0
"""Above this a level is never learned as that of a free lead: it is a brushed pin."""

BLOCK = 12
"""Samples over which the scatter of the free lead is taken."""


class FreeLead:
    """Level and scatter of the lead while the tip touches nothing.

    Parameters
    ----------
    rules : Rules
        Settings of the decision.
    """

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._peak_v = 0.0
        self._square_v2 = 0.0
        self._block: list[float] = []
        self._quiet_v: deque[float] = deque(maxlen=60)
        self.heard = 0
        self.step2_v2 = 0.0

    @property
    def band_v(self) -> float:
        """Half-width of the band that its level suggests, in volts."""
        return max(self._rules.band_floor_v, self._rules.band_factor * self._peak_v)

    @property
    def reach_v(self) -> float:
        """Rms level that it may reach with a hand near it."""
        return max(self._rules.hand_floor_v, self._rules.hand_factor * math.sqrt(self._square_v2))

    @property
    def quietest_v(self) -> float:
        """Standard deviation of its quietest block; 0 while too little was heard."""
        return min(self._quiet_v) if len(self._quiet_v) >= 2 else 0.0

    def learn(self, value_v: float, previous_v: float | None, period_s: float, *, scatter: bool) -> None:
        """Learn from one sample.

        Parameters
        ----------
        value_v, previous_v : float
            This sample and the one before, in volts.
        period_s : float
            Time between samples.
        scatter : bool
            Also learn how quiet it can be; not while a hold is under way, which may be a contact already.
        """
        if abs(value_v) > CEILING_V:
            return
        self.heard += 1
        self._peak_v *= 1.0 - 0.693 * period_s / _PEAK_HALF_LIFE_S
        self.learn_peak(abs(value_v))
        weight = max(0.02, 1.0 / self.heard)
        self._square_v2 += weight * (value_v * value_v - self._square_v2)
        if previous_v is not None:
            self.step2_v2 += weight * ((value_v - previous_v) ** 2 - self.step2_v2)
        if scatter or len(self._quiet_v) < 2:
            block = self._block
            block.append(value_v)
            if len(block) == BLOCK:
                mean = sum(block) / BLOCK
                self._quiet_v.append(math.sqrt(sum((x - mean) ** 2 for x in block) / (BLOCK - 1)))
                block.clear()

    def learn_peak(self, size_v: float) -> None:
        """Learn a level that it reached; an unlikely one is a brushed pin and no property of the lead."""
        if self._peak_v < size_v <= max(4.0 * self.reach_v, self._peak_v) or self.heard <= BLOCK:
            self._peak_v = max(self._peak_v, size_v)
