"""The interval of 95 % from the log likelihood along one unknown.

Profile likelihood: twice the logarithm of the ratio to the best is distributed as chi-squared with one degree of
freedom (S. Wilks, Ann. Math. Statist. 9 (1938) 60).
"""

from __future__ import annotations

import math

import numpy as np

WITHIN = 3.84
"""Quantile 0.95 of chi-squared with one degree of freedom."""

HARDLY = 0.001
"""Chance of a chi-squared beyond which a fit is none (common practice, no source)."""


def deficit_of(value: np.ndarray, top: float) -> np.ndarray:
    """Twice the log likelihood that is missing to the best, shape (G,).

    Parameters
    ----------
    value : ndarray, shape (G,)
        Log likelihood.
    top : float
        The best met elsewhere.
    """
    return np.asarray(2.0 * (max(top, float(value.max())) - value))


def widened(misfit: float, freedom: int) -> float:
    """How far the likelihood may fall within the interval, where the best place itself leaves readings unexplained.

    Parameters
    ----------
    misfit : float
        Chi-squared of the best place, beliefs included.
    freedom : int
        Its degrees of freedom.

    Returns
    -------
    float
        ``WITHIN``, larger by what chi-squared is beyond its degrees of freedom (R. Birge, Phys. Rev. 40 (1932) 207,
        from memory); infinite where chance leaves so much in fewer than one of a thousand, for then something else
        is wrong and no width is right.
    """
    from scipy.special import gammaincc

    freedom = max(freedom, 1)
    if gammaincc(0.5 * freedom, 0.5 * max(misfit, 0.0)) < HARDLY:
        return math.inf
    return WITHIN * max(1.0, misfit / freedom)


def around_ends(deficit: np.ndarray, within: float) -> list[tuple[int, int]]:
    """The last place inside the interval and the first beyond it, at each end that the places show.

    Parameters
    ----------
    deficit : ndarray, shape (G,)
        From `deficit_of`.
    within : float
        From `widened`.
    """
    inside = np.flatnonzero(deficit <= within)
    ends = (int(inside[0]), int(inside[0]) - 1), (int(inside[-1]), int(inside[-1]) + 1)
    return [(last, beyond) for last, beyond in ends if 0 <= beyond < deficit.size]


def interval_of(
    places: np.ndarray, value: np.ndarray, within: float = WITHIN
) -> tuple[float, float | None, float | None]:
    """Best place, and where twice the logarithm has fallen by ``within``: None where it has not at the end of the
    range.

    Parameters
    ----------
    places, value : ndarray, shape (G,)
        Where the unknown was held, rising over the whole range, and the log likelihood there.
    within : float
        From `widened`.
    """
    deficit = deficit_of(value, -np.inf)
    top = int(value.argmax())
    best = float(places[top])
    if 0 < top < places.size - 1 and np.isfinite(deficit[top - 1 : top + 2]).all():
        # Top of the parabola through the three highest.
        back, forth = float(places[top] - places[top - 1]), float(places[top + 1] - places[top])
        before, after = float(deficit[top - 1]), float(deficit[top + 1])
        bend = before * forth + after * back
        best += 0.5 * (before * forth**2 - after * back**2) / bend if bend > 0.0 else 0.0

    def crossing(last: int, beyond: int) -> float:
        # Deficits grow as squares: their roots are nearly straight.
        low, high = math.sqrt(deficit[last]), math.sqrt(min(deficit[beyond], 1e6))
        share = (math.sqrt(within) - low) / (high - low)
        return float(places[last] + share * (places[beyond] - places[last]))

    ends = {last > beyond: crossing(last, beyond) for last, beyond in around_ends(deficit, within)}
    return best, ends.get(True), ends.get(False)
