"""The first round: every hypothesis scored with the slopes of the healthy chassis, compressed to their largest
directions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..inference.changes import Change
from ..inference.data import Data, Weighed
from ..inference.error_scales import own_scale, scatter_slopes, shared_of_shift
from ..inference.evidence import fit, freedom_of, log_evidence, log_student
from ..inference.panel import Panel
from ..inference.variables import difference

DIRECTIONS = 30
"""Directions of healthy spread kept in the first round; what is dropped widens each reading's own spread."""

KEEP_FAULTS, KEEP_CELLS, KEEP_ALL = 26, 3, 60

LIKELY, HOPELESS = 100, 25.0
"""Hypotheses scored first after a reading, and how far below the best of them (logarithm) another is not scored."""


def first_round(
    panel: Panel, data: Data, prior: np.ndarray, blind: np.ndarray, before: Weighed | None = None
) -> np.ndarray:
    """Evidence of every hypothesis with the slopes of the healthy chassis, shape (C,).

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings.
    prior : ndarray, shape (C,)
        Logarithm of the prior.
    blind : ndarray of bool, shape (C,)
        Hypotheses that leave the readings as the healthy chassis has them: its evidence is theirs.
    before : Weighed, optional
        Posterior from fewer readings. No reading can raise an evidence by more than the peak of its error's
        density: a hypothesis that this brings nowhere near the best is left there.
    """
    score = _first_scores(panel, data)
    seen = np.flatnonzero(~blind | (np.arange(blind.size) == 0))
    if before is None or not before.first.size:
        result = np.empty(blind.size)
        result[seen] = score(seen)
    else:
        new = ~np.isin(data.columns, before.columns)
        scale = own_scale(panel, data.columns[new], data.noise[new], panel.shifted[:, data.columns[new]])
        result = before.first + log_student(np.zeros_like(scale), scale, freedom_of(data.quantities[new]))
        seen = seen[np.argsort(-(prior + result)[seen], kind="stable")]
        result[seen[:LIKELY]] = score(seen[:LIKELY])
        least = (prior + result)[seen[:LIKELY]].max() - HOPELESS
        possible = seen[LIKELY:][(prior + result)[seen[LIKELY:]] > least]
        result[possible] = score(possible)
    result[blind] = result[0]
    return result


def _first_scores(panel: Panel, data: Data) -> Callable[[np.ndarray], np.ndarray]:
    """Evidence of hypotheses of the panel by their rows, with the slopes of the healthy chassis."""
    rows = data.columns
    kept, dropped = directions(panel, data, panel.healthy_slopes[rows], panel.shifted[0, rows])

    def score(chosen: np.ndarray) -> np.ndarray:
        shifted = panel.shifted[np.ix_(chosen, rows)]
        scale = own_scale(panel, rows, data.noise, shifted)
        # What readings share of the error about a shift is left out of the directions here, and so counts as each
        # reading's own.
        wide = np.sqrt(scale**2 + dropped + shared_of_shift(panel, rows, shifted) ** 2)
        return evidence_along(data, shifted, wide, kept, panel.severity_slopes[np.ix_(chosen, rows)])

    return score


def directions(
    panel: Panel, data: Data, slopes: np.ndarray, predicted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The largest directions in which readings scatter together.

    Parameters
    ----------
    panel : Panel
        For the errors.
    data : Data
        Readings.
    slopes : ndarray, shape (M, Q)
        Of the predictions, by unknowns of unit spread.
    predicted : ndarray, shape (M,)
        Where.

    Returns
    -------
    kept : ndarray, shape (M, up to `DIRECTIONS`)
        Slopes by as many unknowns of unit spread.
    dropped : ndarray, shape (M,)
        Variance of each reading that these leave out.
    """
    rows, at = data.columns, predicted[None]
    usual = own_scale(panel, rows, data.noise, at)[0]
    every = scatter_slopes(panel, rows, slopes, predicted)
    left, size, _ = np.linalg.svd(every / usual[:, None], full_matrices=False)
    kept = (left[:, :DIRECTIONS] * size[:DIRECTIONS]) * usual[:, None]
    return kept, ((left[:, DIRECTIONS:] * size[DIRECTIONS:]) ** 2).sum(axis=1) * usual**2


def evidence_along(
    data: Data, predicted: np.ndarray, scale: np.ndarray, kept: np.ndarray, severity: np.ndarray, rounds: int = 3
) -> np.ndarray:
    """Evidence of C hypotheses that share their slopes but for the severity, shape (C,).

    Parameters
    ----------
    data : Data
        Readings.
    predicted, scale : ndarray, shape (C, M)
        Predictions, and the scale of each reading's own error.
    kept : ndarray, shape (M, D)
        Slopes from `directions`.
    severity : ndarray, shape (C, M)
        Slopes by the severity.
    rounds : int
        As `fit`.
    """
    freedom = freedom_of(data.quantities)
    residual = np.nan_to_num(difference(data.quantities, data.measured, predicted), nan=1e3)
    shared = np.broadcast_to(kept, (len(predicted), *kept.shape))
    slopes = np.concatenate([shared, severity[..., None]], axis=2)
    found = fit(residual, slopes, scale, freedom, rounds=rounds)
    left_over = residual - np.einsum("cmq,cq->cm", slopes, found.unknowns)
    evidence = log_evidence(left_over, scale, freedom, slopes, found)
    return np.where(np.isnan(predicted).any(axis=1), -np.inf, evidence)


def choose(panel: Panel, score: np.ndarray, least: float = -np.inf) -> list[Change]:
    """Hypotheses worth refining: the best severities of the best faults, and always the healthy chassis.

    Parameters
    ----------
    panel : Panel
        For the faults.
    score : ndarray, shape (C,)
        Evidence and prior of every hypothesis of the panel.
    least : float
        Those below are not worth it.
    """
    best: dict[int, list[int]] = {}
    for index in np.argsort(-score):
        change = panel.changes[index]
        if change.faults and score[index] > least:
            cells = best.setdefault(change.faults[0], [])
            if len(cells) < KEEP_CELLS and (not cells or score[index] > score[cells[0]] - 8.0):
                cells.append(int(index))
    chosen = [0]
    for cells in list(best.values())[:KEEP_FAULTS]:
        chosen += cells
    return [panel.changes[index] for index in chosen[:KEEP_ALL]]
