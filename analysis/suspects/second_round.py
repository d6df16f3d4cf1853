"""The second round: every hypothesis scored again beside the healthy chassis, where that was followed to.

The first round goes by the slopes of the nominal chassis at rest. Where the healthy chassis explains the readings
well, but far from there, a fault that does little more is judged by how wrong those slopes are, and falls behind by
tens (logarithm). One prediction of every hypothesis at that place tells what each changes there.
"""

from __future__ import annotations

import numpy as np

from ..inference.data import Data, Refined
from ..inference.error_scales import farther, own_scale, shared_of_shift
from ..inference.panel import Panel
from ..inference.variables import difference
from .first_round import directions, evidence_along

NEAR_BEST = 10.0
"""A healthy chassis no further behind the best hypothesis than this (logarithm) is a place to judge from."""

UNMOVED = 0.3
"""A hypothesis that moves no reading by more than this, in units of its error, leaves them as they are."""

BEYOND, TOO_MANY = 8.0, 4
"""A hypothesis that moves so many readings of the nominal chassis by more than so many times their healthy scatter
does not pass for a healthy chassis, wherever it stands."""


def second_round(panel: Panel, data: Data, healthy: Refined, first: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Evidence of every single hypothesis with the slopes of the healthy chassis where it ended, shape (C,).

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings.
    healthy : Refined
        The healthy chassis as it was followed; its evidence is the first, and the others stand beside it.
    first : ndarray, shape (C,)
        Evidence from the first round, which stays for hypotheses that move too much.

    Returns
    -------
    evidence : ndarray, shape (C,)
        Logarithm.
    blind : ndarray of bool, shape (C,)
        As `unmoved`, there: a part that balanced halves keep without signal matters where they are not alike.
    """
    rows, count = data.columns, len(panel.unknowns)
    centre = panel.centre[rows]
    usual = own_scale(panel, rows, data.noise, centre[None])[0]
    scatter = np.hypot(np.linalg.norm(panel.healthy_slopes[rows], axis=1), usual)
    moves = np.abs(difference(data.quantities, panel.shifted[:, rows], centre)) / scatter
    chosen = np.flatnonzero((~(moves <= BEYOND)).sum(axis=1) < TOO_MANY)
    changes = [panel.changes[row] for row in chosen]
    place, slopes = healthy.unknowns[:count], healthy.slopes[:, :count]
    predicted = panel.predict(changes, np.repeat(place[None], len(changes), axis=0), rows)
    # What the unknowns of the place do is taken out again: the value a fault sets is no unknown of its own.
    moved = np.repeat((slopes @ place)[None], len(changes), axis=0)
    for row, change in enumerate(changes):
        for held in panel.held(change):
            moved[row] -= slopes[:, held] * place[held]
    far = farther(panel, rows, data.measured, predicted)
    kept, dropped = directions(panel, data, slopes, predicted[0])
    wide = np.sqrt(own_scale(panel, rows, data.noise, far) ** 2 + dropped + shared_of_shift(panel, rows, far) ** 2)
    whole = panel.shifted[:, rows] + (predicted[0] - centre)
    whole[chosen] = predicted
    found = evidence_along(data, predicted - moved, wide, kept, panel.along_severity(whole, rows)[chosen])
    evidence, blind = first.copy(), np.zeros(len(first), dtype=bool)
    evidence[chosen] = healthy.evidence + found - found[0]
    blind[chosen] = unmoved(data, predicted, predicted[0], wide[0])
    return evidence, blind


def unmoved(data: Data, predicted: np.ndarray, healthy: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Hypotheses that leave the readings as the healthy chassis has them, shape (C,).

    Parameters
    ----------
    data : Data
        Readings.
    predicted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    healthy, scale : ndarray, shape (M,)
        Those of the healthy chassis, and the scale of each reading's own error.
    """
    shift = np.abs(difference(data.quantities, predicted, healthy)) / scale
    return np.asarray(np.nan_to_num(shift, nan=np.inf).max(axis=1) < UNMOVED)
