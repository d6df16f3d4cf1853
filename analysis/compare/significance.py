"""When a change counts: many comparisons, one chance of a false alarm.

A round of thirty readings compared at two standard deviations cries wolf once or twice on an amplifier that nobody
touched. The step-down rule of S. Holm (Scand. J. Statist. 6 (1979) 65) keeps the chance of any false alarm in the
whole comparison at ``LEVEL``, whatever the correlation between the readings, and loses less than dividing by their
number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

LEVEL = 0.05
"""Chance that a comparison of an unchanged chassis names any change at all."""


def two_sided(z: float) -> float:
    """Probability that a standard normal quantity lies farther out than z on either side.

    Parameters
    ----------
    z : float
        Change divided by its standard uncertainty.

    Examples
    --------
    >>> round(two_sided(1.959964), 4), round(two_sided(-3.0), 4)
    (0.05, 0.0027)
    """
    return math.erfc(abs(z) / math.sqrt(2.0))


def holm(probabilities: Sequence[float]) -> list[float]:
    """Probabilities adjusted for their number.

    Parameters
    ----------
    probabilities : sequence of float
        Of each comparison taken alone.

    Returns
    -------
    list of float
        In the same order; a comparison counts when its adjusted probability is below the level chosen for all of
        them.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    order = sorted(range(len(probabilities)), key=lambda index: probabilities[index])
    adjusted = [1.0] * len(probabilities)
    running = 0.0
    for rank, index in enumerate(order):
        running = max(running, min(1.0, (len(order) - rank) * probabilities[index]))
        adjusted[index] = running
    return adjusted
