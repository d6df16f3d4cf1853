"""Simulated hands: they move the meter's probe as a person does, with bounce, slips and lifts."""

from __future__ import annotations

import random

from .plant import Wiring


class Hands:
    """Plans the contacts of the meter's lead ahead of time.

    Parameters
    ----------
    wiring : Wiring
        Whose lead to move, and the time.
    seed : int
        Draws travel times and bounces.
    pace : float
        Multiplies travel and hesitation; contact bounce is physics and keeps its time.
    slip_rate : float
        Share of touches in which the tip slips off once before it holds.
    """

    TRAVEL_S = (0.25, 0.6)
    REACTION_S = (0.08, 0.2)
    BOUNCES = (1, 5)
    CLOSED_S = (0.002, 0.015)
    OPEN_S = (0.003, 0.03)

    def __init__(self, wiring: Wiring, *, seed: int = 1, pace: float = 1.0, slip_rate: float = 0.1) -> None:
        self.wiring = wiring
        self.pace = pace
        self.slip_rate = slip_rate
        self.rng = random.Random(seed)
        self.holding: str | None = None

    def touch(self, point: str) -> float:
        """Move the tip to a point and hold it there; a tip that holds another point is lifted first.

        Parameters
        ----------
        point : str
            Where to.

        Returns
        -------
        float
            Moment of the clock, in seconds, from which the contact holds.
        """
        now_s = self.wiring.clock.monotonic_s()
        changes: list[tuple[float, str | None]] = []
        moment_s = now_s
        if self.holding is not None:
            moment_s += self._draw(self.REACTION_S) * self.pace
            changes.append((moment_s, None))
            if self.holding == point:  # on and off and on again takes longer, or it would pass for a bounce
                moment_s += self.TRAVEL_S[1]
        moment_s += self._draw(self.TRAVEL_S) * self.pace
        if self.rng.random() < self.slip_rate:
            moment_s = self._bounce(changes, moment_s, point)
            moment_s += self.rng.uniform(0.05, 0.15)
            changes.append((moment_s, None))
            moment_s += self._draw(self.TRAVEL_S) * self.pace
        moment_s = self._bounce(changes, moment_s, point)
        with self.wiring.lock:
            # A hand that comes near changes what the open lead picks up.
            self.wiring.lead.hum_peak_v = self.rng.uniform(0.1, 2.0)
            self.wiring.lead.move(changes)
        self.holding = point
        return moment_s

    def clip(self, point: str) -> None:
        """Clip the lead to a point: contact at once, and it stays.

        Parameters
        ----------
        point : str
            Where to.
        """
        with self.wiring.lock:
            self.wiring.lead.move([(self.wiring.clock.monotonic_s(), point)])
        self.holding = point

    def lift(self) -> float:
        """Take the tip away after a moment of reaction.

        Returns
        -------
        float
            Moment of the clock, in seconds, from which the tip is in the air.
        """
        moment_s = self.wiring.clock.monotonic_s() + self._draw(self.REACTION_S) * self.pace
        with self.wiring.lock:
            self.wiring.lead.move([(moment_s, None)])
        self.holding = None
        return moment_s

    def _bounce(self, changes: list[tuple[float, str | None]], moment_s: float, point: str) -> float:
        for _ in range(self.rng.randint(*self.BOUNCES)):
            changes.append((moment_s, point))
            moment_s += self._draw(self.CLOSED_S)
            changes.append((moment_s, None))
            moment_s += self._draw(self.OPEN_S)
        changes.append((moment_s, point))
        return moment_s

    def _draw(self, limits: tuple[float, float]) -> float:
        return self.rng.uniform(*limits)
