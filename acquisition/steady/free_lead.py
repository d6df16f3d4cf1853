"""What a free lead shows and could do: learned while it hangs free, so that it is never taken for a contact."""

from __future__ import annotations

import math
from collections import deque

from .fit import HYPOTHESES, Alternatives, Rules

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
        self._step2_v2 = 0.0

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
            self._step2_v2 += weight * ((value_v - previous_v) ** 2 - self._step2_v2)
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

    # What a level could be if it is no contact.

    def is_beyond(self, step_v: float, size_v: float, times: float) -> bool:
        """Tell a jump that the free lead hardly makes: half of where it went, and so many times its rms step.

        Parameters
        ----------
        step_v, size_v : float
            The jump, and the level it went to, in volts, without sign.
        times : float
            The factor.
        """
        return step_v >= 0.5 * size_v and step_v * step_v >= times * times * self._step2_v2

    def against(self, value_v: float, *, in_band: bool) -> Alternatives:
        """Give what has to be refuted before a level is taken for a contact by itself.

        Parameters
        ----------
        value_v : float
            The level.
        in_band : bool
            The free lead was seen to have such a level: that is no evidence against it, its quietest scatter is.
        """
        rules, step_v = self._rules, abs(value_v)
        wander_v = max(rules.open_ratio * step_v, math.sqrt(0.5 * self._step2_v2))
        return Alternatives(
            bounce_v=rules.bounce_ratio * step_v,
            bounce_needed=math.log(HYPOTHESES / rules.alpha_bounce),
            open_v=min(wander_v, self.quietest_v) if in_band else wander_v,
            open_needed=math.log(HYPOTHESES / rules.alpha_open),
            level_evidence=0.0 if in_band else min(1e3, 0.5 * (value_v / self.reach_v) ** 2),
        )

    def against_vouched(self, value_v: float, noise_v: float, *, told: bool, held: bool) -> Alternatives:
        """Give what has to be refuted where a key, a clip or a hold says that the tip is on.

        Parameters
        ----------
        value_v, noise_v : float
            The level and the meter's own noise, in volts.
        told : bool
            The free lead is restless, and has to be told from the contact.
        held : bool
            Only a hold was announced: it may never have begun.
        """
        rules = self._rules
        needed = math.log(HYPOTHESES / rules.alpha_vouched)
        return Alternatives(
            bounce_v=max(rules.bounce_ratio * abs(value_v), 20.0 * noise_v),
            bounce_needed=needed,
            open_v=self.quietest_v if told else 20.0 * noise_v,
            open_needed=math.log(HYPOTHESES / rules.alpha_open) if held else needed,
            level_evidence=0.0,
        )
