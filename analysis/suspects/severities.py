"""Severities of one scale, followed from where their neighbours ended.

They meet at the same values of everything: one that stayed far below what such a place promises it stopped early,
and one that was not looked at yet may matter as well. A short of a tenth of an ohm does what one of an ohm does:
from neighbour to neighbour this goes on to the worst there is, from a low capacitance to an open capacitor too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..inference.changes import Change
from ..inference.data import Data, Refined
from ..inference.panel import Panel
from ..inference.refining import refine
from ..inference.variables import difference

WITHIN, PROMISED = 6.0, 0.5
"""Severities that come within the first of the best (logarithm) matter, and one that stays this far below what
another severity of its scale promises is followed again."""

SAME, SETTLED = 0.1, 0.3
"""Severities whose predictions differ by less than the first, in all readings together and in units of their
errors, are one; and how far a severity may have moved within its cell for that."""


def standing(panel: Panel, prior: np.ndarray, refined: Mapping[Change, Refined]) -> dict[Change, float]:
    """Posterior of the hypotheses followed through the model, logarithm, up to a constant.

    Parameters
    ----------
    panel : Panel
        Its hypotheses.
    prior : ndarray, shape (C,)
        Logarithm.
    refined : mapping of Change to Refined
        Single hypotheses.
    """
    return {change: prior[panel.index[change]] + found.evidence for change, found in refined.items()}


def leader(panel: Panel, prior: np.ndarray, refined: Mapping[Change, Refined]) -> Change:
    """The hypothesis of highest posterior among those followed through the model.

    Parameters
    ----------
    panel, prior, refined
        As `standing`; at least one hypothesis.
    """
    score = standing(panel, prior, refined)
    return max(score, key=lambda change: score[change])


def complete(
    panel: Panel, data: Data, prior: np.ndarray, refined: dict[Change, Refined], blind: np.ndarray, rounds: int
) -> None:
    """Follow every severity that would matter; those found are added to ``refined``.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    prior : ndarray, shape (C,)
        Logarithm.
    refined : dict of Change to Refined
        Single hypotheses; changed.
    blind : ndarray of bool, shape (C,)
        Hypotheses that leave the readings as the healthy chassis has them.
    rounds : int
        Neighbours of neighbours are followed so often.
    """
    for _ in range(rounds):
        best = leader(panel, prior, refined)
        least = prior[panel.index[best]] + refined[best].evidence - WITHIN
        promises: dict[Change, float] = {}
        starts: dict[Change, np.ndarray] = {}
        for change, found in list(refined.items()):
            if prior[panel.index[change]] + found.evidence < least or len(change.faults) != 1:
                continue
            fault, severity = panel.faults[change.faults[0]], found.unknowns[len(panel.unknowns)]
            scale = [c for c in panel.scales[fault.scale] if panel.faults[c.faults[0]].cell_log]
            if abs(severity) < SETTLED:
                refined |= _same(panel, data, change, found, [c for c in scale if c not in refined])
            here = math.log(abs(change.values[0])) + severity * fault.cell_log
            for other in scale:
                along = (here - math.log(abs(other.values[0]))) / panel.faults[other.faults[0]].cell_log
                promised = found.evidence - 0.5 * (along**2 - severity**2)
                row = panel.index[other]
                reached = refined[other].evidence if other in refined else -np.inf
                better = promised > max(reached + PROMISED, promises.get(other, -np.inf))
                if promised + prior[row] > least and better and not blind[row]:
                    promises[other] = promised
                    starts[other] = np.append(found.unknowns[: len(panel.unknowns)], along)
        gained = False
        for change, found in refine(panel, data, list(starts), starts=starts).items():
            if change not in refined or found.evidence > refined[change].evidence + 0.1 * PROMISED:
                refined[change], gained = found, True
        if not gained:
            return


def _same(
    panel: Panel, data: Data, change: Change, found: Refined, others: Sequence[Change]
) -> dict[Change, Refined]:
    """Severities that these readings cannot tell from one that was followed."""
    rows = np.array([panel.index[other] for other in others], dtype=int)
    here = panel.shifted[panel.index[change], data.columns]
    apart = difference(data.quantities, here, panel.shifted[np.ix_(rows, data.columns)]) / found.scale
    return {
        other: replace(found, unknowns=np.append(found.unknowns[: len(panel.unknowns)], 0.0))
        for other, gap in zip(others, np.linalg.norm(apart, axis=1), strict=True)
        if gap < SAME
    }
