"""Gauss-Newton steps through the model itself, for the hypotheses that matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .data import Data, Refined
from .error_scales import own_scale, shared_errors
from .evidence import Fit, fit, freedom_of, log_evidence, log_student
from .panel import SLOW, Change, Panel
from .variables import difference

HALVINGS = 4

SETTLED = 0.05
"""A gain in log probability below this ends the steps."""

AT_REST = 0.005
"""A hypothesis that gained less than this is left where it is while others go on."""

REACH = 3.0
"""No unknown is followed further than this many standard deviations in one step."""


def refine(
    panel: Panel,
    data: Data,
    changes: Sequence[Change],
    steps: int = 6,
    starts: Mapping[Change, np.ndarray] | None = None,
    exact: bool = False,
    fresh: bool = False,
) -> dict[Change, Refined]:
    """Follow each hypothesis to its most probable unknowns through the model itself.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    changes : sequence of Change
        Hypotheses.
    steps : int
        Gauss-Newton steps.
    starts : mapping of Change to ndarray, optional
        Unknowns to start from, shape (P,) or with severities; zero when left out.
    exact : bool
        Compute slow quantities at every step, not only at the end.
    fresh : bool
        Go on from the starts: slopes are taken there, not at the centre of the spread (where a grid begins to
        conduct the two have little in common), and no step may lead to a worse place.
    """
    if not changes:
        return {}
    rows, quantities = data.columns, data.quantities
    severities = max(len(c.faults) for c in changes)
    count = len(panel.unknowns) + severities
    unknowns = np.zeros((len(changes), count))
    origin = _start(panel, changes, unknowns, rows)
    predicted = origin
    if starts:
        for row, change in enumerate(changes):
            begin = starts.get(change, unknowns[row])
            unknowns[row, : begin.size] = begin
        predicted = panel.predict(changes, unknowns, rows)
        lost = np.isnan(predicted).any(axis=1)
        unknowns[lost], predicted[lost] = 0.0, origin[lost]
    alive = ~np.isnan(predicted).any(axis=1)
    changes = [c for c, ok in zip(changes, alive, strict=True) if ok]
    unknowns, predicted, origin = unknowns[alive], predicted[alive], origin[alive]
    if not changes:
        return {}
    scale = own_scale(panel, rows, data.noise, origin)
    freedom = freedom_of(quantities)
    if fresh:
        slopes = panel.slopes(changes, unknowns, wanted=rows)[:, rows]
    else:
        slopes = panel.prior_slopes(changes, severities)[:, rows]
    design = np.concatenate([slopes, shared_errors(panel, rows, slopes, origin)], axis=2)
    shared = np.zeros((len(changes), design.shape[2] - count))
    weights, goodness = 1 / scale**2, np.full(len(changes), -np.inf)
    if fresh:
        left = difference(quantities, data.measured, predicted)
        shared = fit(left, design[:, :, count:], scale, freedom).unknowns
        left -= np.einsum("cmq,cq->cm", design[:, :, count:], shared)
        weights = (freedom + 1) / (freedom + (left / scale) ** 2) / scale**2
        goodness = log_student(left, scale, freedom) - 0.5 * ((unknowns**2).sum(axis=1) + (shared**2).sum(axis=1))
    found = Fit(unknowns=np.concatenate([unknowns, shared], axis=1), weights=weights)
    quick = ~np.isin(quantities, () if exact else SLOW)
    settled = np.zeros(len(changes), dtype=bool)
    for _ in range(steps):
        residual = difference(quantities, data.measured, predicted)
        target = residual + np.einsum("cmq,cq->cm", design[:, :, :count], unknowns)
        at = residual - np.einsum("cmq,cq->cm", design[:, :, count:], shared)
        trial = fit(target, design, scale, freedom, residual=at if fresh else None)
        move = trial.unknowns - np.concatenate([unknowns, shared], axis=1)
        move *= np.minimum(1.0, REACH / np.maximum(np.abs(move[:, :count]).max(axis=1), 1e-9))[:, None]
        move[settled] = 0.0
        candidate, errors = unknowns + move[:, :count], shared + move[:, count:]
        there, value = predicted.copy(), goodness.copy()
        left_over = np.flatnonzero(~settled)
        for halving in range(HALVINGS):
            # Only what is not settled, and then only what came out worse, goes through the model.
            part = design[left_over]
            candidate[left_over] = unknowns[left_over] + move[left_over, :count]
            errors[left_over] = shared[left_over] + move[left_over, count:]
            ahead = predicted[left_over] + np.einsum("cmq,cq->cm", part[:, :, :count], move[left_over, :count])
            ahead[:, quick] = panel.predict([changes[i] for i in left_over], candidate[left_over], rows[quick])
            there[left_over] = ahead
            aside = np.einsum("cmq,cq->cm", part[:, :, count:], errors[left_over])
            left = difference(quantities, data.measured, ahead) - aside
            value[left_over] = log_student(np.nan_to_num(left, nan=1e3), scale[left_over], freedom)
            squares = (candidate[left_over] ** 2).sum(axis=1) + (errors[left_over] ** 2).sum(axis=1)
            value[left_over] -= 0.5 * squares
            left_over = left_over[~(value[left_over] > goodness[left_over] - 1e-6)]
            if not left_over.size or halving == HALVINGS - 1:
                break
            move[left_over] *= 0.3
        take = value > goodness - 1e-6
        _learn(design[:, :, :count], candidate - unknowns, difference(quantities, there, predicted))
        unknowns = np.where(take[:, None], candidate, unknowns)
        predicted = np.where(take[:, None], there, predicted)
        shared = np.where(take[:, None], errors, shared)
        weights = np.where((take & ~settled)[:, None], trial.weights, found.weights)
        found = Fit(unknowns=np.concatenate([unknowns, shared], axis=1), weights=weights)
        gained = np.where(take & np.isfinite(goodness), value - goodness, np.where(take, np.inf, 0.0))
        goodness = np.where(take, value, goodness)
        if take.all() and gained.max() < SETTLED:
            break
        settled |= take & (gained < AT_REST)
    if not quick.all():
        slow = panel.predict(changes, unknowns, rows[~quick])
        predicted[:, ~quick] = np.where(np.isnan(slow), predicted[:, ~quick], slow)
    left = difference(quantities, data.measured, predicted) - np.einsum("cmq,cq->cm", design[:, :, count:], shared)
    evidence = log_evidence(left, scale, freedom, design, found)
    return {
        change: Refined(
            unknowns=unknowns[i], shared=shared[i], predicted=predicted[i], slopes=design[i], scale=scale[i],
            weights=found.weights[i], evidence=float(evidence[i]),
        )
        for i, change in enumerate(changes)
    }  # fmt: skip


def _start(panel: Panel, changes: Sequence[Change], unknowns: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Predictions at z = 0, from the panel where it has them."""
    if all(change in panel.index for change in changes):
        return panel.shifted[[panel.index[change] for change in changes]][:, rows].copy()
    return panel.predict(changes, unknowns, rows)


def _learn(slopes: np.ndarray, move: np.ndarray, change: np.ndarray) -> None:
    """Correct slopes in place by what a step really did (Broyden's update), shapes (C, M, Q), (C, Q), (C, M)."""
    length = (move**2).sum(axis=1)
    use = (length > 1e-8) & np.isfinite(change).all(axis=1)
    missed = np.nan_to_num(change) - np.einsum("cmq,cq->cm", slopes, move)
    update = missed[:, :, None] * (move / np.maximum(length, 1e-12)[:, None])[:, None, :]
    slopes += np.where(use[:, None, None], update, 0.0)
