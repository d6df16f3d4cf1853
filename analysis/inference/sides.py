"""On which side of its sound value a part lies that has a fault: what has drifted high is not below its value."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .changes import Change
from .evidence import log_determinant
from .panel import Panel


def side_of(panel: Panel, index: int) -> tuple[float, float]:
    """Where a fault begins at the earliest, and which way it gets worse.

    Parameters
    ----------
    panel : Panel
        The model.
    index : int
        Of one of its faults.

    Returns
    -------
    edge : float
        Logarithm of the sound value; infinite, on the sound side, where the part has none or its mildest fault is
        not beyond it: a sound capacitor leaks as well.
    worse : float
        1 where worse is more, -1 where worse is less.
    """
    fault = panel.faults[index]
    worse = 1.0 if fault.scale[1] else -1.0
    nominal = abs(panel.model.parameters[fault.key].nominal)
    mildest = min(worse * math.log(abs(value)) for value in fault.values)
    beyond = nominal > 0.0 and worse * math.log(nominal) < mildest
    return math.log(nominal) if beyond else -worse * math.inf, worse


def log_on_its_side(
    panel: Panel, changes: Sequence[Change], unknowns: np.ndarray, slopes: np.ndarray, weights: np.ndarray
) -> np.ndarray:
    """Logarithm of how much of each hypothesis lies where its faults can be, against what did beforehand.

    Parameters
    ----------
    panel : Panel
        The model.
    changes : sequence of Change
        C hypotheses.
    unknowns : ndarray, shape (C, P + K)
        Where they ended: the standardised severities are the last.
    slopes : ndarray, shape (C, M, Q)
        Derivatives there, severities in the same place.
    weights : ndarray, shape (C, M)
        Precision given to each reading.

    Returns
    -------
    ndarray, shape (C,)
        To be added to their evidence: the severity is normal as far as it goes, cut at the sound value.
    """
    from scipy.special import log_ndtr

    result, whole, known = np.zeros(len(changes)), None, len(panel.unknowns)
    for order in range(unknowns.shape[1] - known):
        edge, sign = np.full(len(changes), -np.inf), np.ones(len(changes))
        for row, change in enumerate(changes):
            if order < len(change.faults) and (cell := panel.faults[change.faults[order]].cell_log) > 0.0:
                begins, sign[row] = side_of(panel, change.faults[order])
                edge[row] = sign[row] * (begins - math.log(abs(change.values[order]))) / cell
        cut = np.flatnonzero(np.isfinite(edge))
        if cut.size:
            whole = log_determinant(slopes, weights) if whole is None else whole
            place = known + order
            without = log_determinant(np.delete(slopes[cut], place, axis=2), weights[cut])
            spread = np.exp(0.5 * (without - whole[cut]))  # Cramer's rule: its variance is a ratio of determinants
            here = sign[cut] * unknowns[cut, place]
            result[cut] += log_ndtr((here - edge[cut]) / spread) - log_ndtr(-edge[cut])
    return result
