"""Places beyond a null: where two halves cancel, an amplitude does not tell which of them is the stronger.

The signal on the common cathode or the supply of a push-pull pair is a small difference, and meter and scope read
its size without its sign. Seen from one side of the null the readings pull a hypothesis back to where it stands,
and no step leads across: both sides are places to search from.
"""

from __future__ import annotations

import numpy as np

from ..inference.data import Data, Refined
from ..inference.panel import Panel

AMPLITUDES = ("pp_v", "rms_v", "gain", "ripple_pp_v")

NEAREST, FARTHEST, MOST, ALIKE = 0.5, 4.0, 2, 0.7
"""How far (standard deviations, all unknowns together) a place beyond a null must lie and may lie, how many are
tried, and the cosine from which two ways lead to the same."""


def beyond_nulls(panel: Panel, data: Data, found: Refined) -> list[np.ndarray]:
    """Places of the same amplitudes and opposite signs, nearest first, each of shape (P,).

    Parameters
    ----------
    panel : Panel
        For the unknowns.
    data : Data
        Readings.
    found : Refined
        From where.

    Notes
    -----
    An amplitude ``a = |d.z|`` with slope ``g`` has its null at ``-a g/|g|**2`` and is the same at twice that. The
    compared variable ``v = asinh(a/f)`` has the slope ``g/hypot(a, f)``, and ``a/hypot(a, f)`` is ``tanh(v)``.
    """
    here, slopes = found.unknowns[: len(panel.unknowns)], found.slopes[:, : len(panel.unknowns)]
    ways = []
    for row in np.flatnonzero(np.isin(data.quantities, AMPLITUDES)):
        steep = float(np.linalg.norm(slopes[row]))
        if NEAREST * steep < 2.0 * np.tanh(found.predicted[row]) <= FARTHEST * steep:
            ways.append(-2.0 * np.tanh(found.predicted[row]) / steep**2 * slopes[row])
    kept: list[np.ndarray] = []
    for way in sorted(ways, key=np.linalg.norm):
        if all(abs(way @ other) < ALIKE * np.linalg.norm(way) * np.linalg.norm(other) for other in kept):
            kept.append(way)
        if len(kept) == MOST:
            break
    return [here + way for way in kept]
