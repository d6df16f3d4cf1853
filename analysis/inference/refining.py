"""Gauss-Newton steps through the model itself, for the hypotheses that matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .changes import Change
from .data import Data, Refined
from .error_scales import farther, own_scale, shared_errors
from .evidence import Fit, fit, freedom_of, log_evidence, log_student
from .panel import Panel
from .places import NEAR
from .sides import log_on_its_side
from .variables import difference

SHARES, FEW = (1.0, 0.3, 0.09, 0.027), 3
"""Shares of a step that are tried in turn until one gains; hypotheses that try them at once."""

AT_REST = 0.1
"""A hypothesis that gained less log probability than this in a step is left where that led: with exact slopes the
next step would gain far less. One whose slopes promise it less than half of that is at rest where it stands."""

GAINING, CATCHING_UP, BEHIND, FASTER = 0.25, 2.0, 20.0, 3.0
"""A hypothesis is left as well where a step gains it less than the first as a share of what it is behind the best
(logarithm), unless it gains the second: a stage that is all but cut off answers to no small change, and climbs
late. It is left too where it would stay further behind than the third if every step to come gained it the fourth
times as much; and with new errors where it is further behind than the third."""

REACH = 3.0
"""No unknown is followed further than this many standard deviations in one step."""

RESCALED, RESCALINGS = 0.1, 2
"""The walk is gone on with the errors that belong to its end where those differ by so much (logarithm)."""

LOST = 1e3
"""Misfit of a reading that has no prediction."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Walk:
    """Where the hypotheses of one batch are: arrays over C hypotheses, changed as they go."""

    unknowns: np.ndarray  # (C, P + K)
    predicted: np.ndarray  # (C, M)
    slopes: np.ndarray  # (C, M, P + K)
    shared: np.ndarray  # (C, E)


class _Way:
    """What the steps of one batch share.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    changes : sequence of Change
        C hypotheses.
    origin : ndarray, shape (C, M)
        Their predictions at z = 0.
    within : float
        As `Panel.look`.
    """

    def __init__(
        self,
        panel: Panel,
        data: Data,
        changes: Sequence[Change],
        origin: np.ndarray,
        within: float,
    ) -> None:
        self.panel, self.data, self.changes = panel, data, changes
        self.freedom = freedom_of(data.quantities)
        self.far = np.zeros_like(origin)
        self.scale = np.ones_like(origin)
        self.within = within

    def rescale(self, predicted: np.ndarray) -> np.ndarray:
        """Take the model's errors for predictions, shape (C, M); which hypotheses that changes much, shape (C,)."""
        panel, data = self.panel, self.data
        self.far = farther(panel, data.columns, data.measured, predicted)
        before, self.scale = self.scale, own_scale(panel, data.columns, data.noise, self.far)
        return np.asarray((np.abs(np.log(self.scale / before)) > RESCALED).any(axis=1))

    def look(self, rows: np.ndarray, unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Predictions and slopes of some hypotheses, shapes (c, M) and (c, M, P + K)."""
        changes = [self.changes[int(i)] for i in rows]
        return self.panel.look(changes, unknowns, self.data.columns, within=self.within)

    def errors(self, rows: np.ndarray, slopes: np.ndarray) -> np.ndarray:
        """Slopes of the shared errors, shape (c, M, E)."""
        return shared_errors(self.panel, self.data.columns, slopes, self.far[rows])

    def value(self, rows: np.ndarray, left: np.ndarray, unknowns: np.ndarray, shared: np.ndarray) -> np.ndarray:
        """Log probability of what is left of the readings, and of the unknowns, shape (c,)."""
        found = log_student(np.nan_to_num(left, nan=LOST), self.scale[rows], self.freedom)
        return np.asarray(found - 0.5 * ((unknowns**2).sum(axis=1) + (shared**2).sum(axis=1)))

    def left(self, predicted: np.ndarray, errors: np.ndarray, shared: np.ndarray) -> np.ndarray:
        """Readings less prediction and shared errors, shape (c, M)."""
        aside = np.einsum("cme,ce->cm", errors, shared)
        return np.asarray(difference(self.data.quantities, self.data.measured, predicted) - aside)


def refine(
    panel: Panel,
    data: Data,
    changes: Sequence[Change],
    steps: int = 6,
    starts: Mapping[Change, np.ndarray] | None = None,
    within: float = NEAR,
    rival: float = -np.inf,
) -> dict[Change, Refined]:
    """Follow each hypothesis to its most probable unknowns through the model itself.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    changes : sequence of Change
        Hypotheses; those without an operating point are left out of the result.
    steps : int
        Gauss-Newton steps.
    starts : mapping of Change to ndarray, optional
        Unknowns to start from, shape (P,) or with severities; zero when left out.
    within : float
        As `Panel.look`: how far slopes may be from where they were taken, in standard deviations.
    rival : float
        `Refined.height` of the best hypothesis that is not among these.

    Notes
    -----
    Every step takes exact slopes where it stands, or near by. No step leads to a worse place.
    """
    if not changes:
        return {}
    rows, width = data.columns, len(panel.unknowns) + max(len(c.faults) for c in changes)
    unknowns = np.zeros((len(changes), width))
    for row, change in enumerate(changes):
        begin = (starts or {}).get(change, unknowns[row, :0])[:width]
        unknowns[row, : begin.size] = begin
    origin = _origin(panel, changes, rows, width, within)
    whole = _Way(panel, data, changes, origin, within)
    every = np.arange(len(changes))
    predicted, slopes = whole.look(every, unknowns)
    lost = np.isnan(predicted).any(axis=1) & unknowns.any(axis=1)
    if lost.any():
        again = np.flatnonzero(lost)
        unknowns[again] = 0.0
        predicted[again], slopes[again] = whole.look(again, unknowns[again])
    alive = np.flatnonzero(~np.isnan(predicted).any(axis=1) & ~np.isnan(origin).any(axis=1))
    changes = [changes[int(i)] for i in alive]
    if not changes:
        return {}
    way = _Way(panel, data, changes, origin[alive], within)
    way.rescale(predicted[alive])
    walk = _begin(way, unknowns[alive], predicted[alive], slopes[alive])
    going, best = np.arange(len(changes)), rival
    for _ in range(RESCALINGS):
        for left in reversed(range(steps)):
            going, gained, value = _step(way, walk, going)
            best = max(best, value.max(initial=-np.inf))
            behind = best - value
            gaining = gained > np.clip(GAINING * behind, AT_REST, CATCHING_UP)
            going = going[gaining & (behind < FASTER * left * gained + BEHIND)]
            if not going.size:
                break
        changed = way.rescale(walk.predicted)
        every = np.arange(len(changes))
        errors = way.errors(every, walk.slopes)
        reached = way.value(every, way.left(walk.predicted, errors, walk.shared), walk.unknowns, walk.shared)
        best = max(rival, float(reached.max()))
        going = np.flatnonzero(changed & (reached > best - BEHIND))
        if not going.size:
            break
    return _ended(way, walk)


def _origin(panel: Panel, changes: Sequence[Change], rows: np.ndarray, width: int, within: float) -> np.ndarray:
    """Predictions at z = 0, from the panel where it has them."""
    if all(change in panel.index for change in changes):
        return panel.shifted[[panel.index[change] for change in changes]][:, rows].copy()
    if np.isinf(within):
        return np.array([panel.at_zero(change)[rows] for change in changes])
    return panel.predict(changes, np.zeros((len(changes), width)), rows)


def _begin(way: _Way, unknowns: np.ndarray, predicted: np.ndarray, slopes: np.ndarray) -> _Walk:
    """The first place, with the shared errors that fit it best."""
    every = np.arange(len(unknowns))
    errors = way.errors(every, slopes)
    left = difference(way.data.quantities, way.data.measured, predicted)
    found = fit(left, errors, way.scale, way.freedom)
    return _Walk(unknowns=unknowns, predicted=predicted, slopes=slopes, shared=found.unknowns)


def _step(way: _Way, walk: _Walk, going: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One step of the hypotheses that are still going.

    Returns
    -------
    going : ndarray of int, shape (c,)
        Those that were not left.
    gained, value : ndarray, shape (c,)
        What each gained, and its log probability.
    """
    going, before, move = _moves(way, walk, going)
    unknowns, slopes = walk.unknowns[going], walk.slopes[going]
    shared, count, errors = walk.shared[going], walk.unknowns.shape[1], way.errors(going, slopes)
    gained = np.zeros(len(going))
    open_ = np.arange(len(going))
    shares = np.array(SHARES)
    while open_.size and shares.size:
        # The few that a whole step does not serve try all its shares at once: a look costs more than what it holds.
        at_once = shares if open_.size <= FEW and shares.size < len(SHARES) else shares[:1]
        row, share = np.repeat(open_, at_once.size), np.tile(at_once, open_.size)[:, None]
        step = move[row] * share
        there, errors_there = unknowns[row] + step[:, :count], shared[row] + step[:, count:]
        found, new = way.look(going[row], there)
        value = way.value(going[row], way.left(found, errors[row], errors_there), there, errors_there)
        good = (value > before[row] - 1e-6).reshape(open_.size, at_once.size)
        take = good.any(axis=1)
        first = (np.arange(open_.size) * at_once.size + good.argmax(axis=1))[take]
        better, place = open_[take], going[open_[take]]
        walk.unknowns[place], walk.shared[place] = there[first], errors_there[first]
        walk.predicted[place], walk.slopes[place] = found[first], new[first]
        gained[better] = value[first] - before[better]
        open_, shares = open_[~take], shares[at_once.size :]
    return going, gained, before + gained


def _moves(way: _Way, walk: _Walk, going: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hypotheses that are promised a gain, where they stand (log probability), and their next step."""
    data, count = way.data, walk.unknowns.shape[1]
    unknowns, slopes, shared = walk.unknowns[going], walk.slopes[going], walk.shared[going]
    errors = way.errors(going, slopes)
    # The errors that tubes share follow their slopes: what was reached is valued anew.
    at = way.left(walk.predicted[going], errors, shared)
    before = way.value(going, at, unknowns, shared)
    design = np.concatenate([slopes, errors], axis=2)
    residual = difference(data.quantities, data.measured, walk.predicted[going])
    target = residual + np.einsum("cmq,cq->cm", slopes, unknowns)
    trial = fit(target, design, way.scale[going], way.freedom, residual=at).unknowns
    left = target - np.einsum("cmq,cq->cm", design, trial)
    promised = way.value(going, left, trial[:, :count], trial[:, count:])
    rising = promised > before + 0.5 * AT_REST
    move = (trial - np.concatenate([unknowns, shared], axis=1))[rising]
    move *= np.minimum(1.0, REACH / np.maximum(np.abs(move[:, :count]).max(axis=1), 1e-9))[:, None]
    return going[rising], before[rising], move


def _ended(way: _Way, walk: _Walk) -> dict[Change, Refined]:
    """The places reached, with their evidence."""
    every = np.arange(len(way.changes))
    errors = way.errors(every, walk.slopes)
    design = np.concatenate([walk.slopes, errors], axis=2)
    left = way.left(walk.predicted, errors, walk.shared)
    height = way.value(every, left, walk.unknowns, walk.shared)
    weights = (way.freedom + 1) / (way.freedom + (left / way.scale) ** 2) / way.scale**2
    both = np.concatenate([walk.unknowns, walk.shared], axis=1)
    evidence = log_evidence(left, way.scale, way.freedom, design, Fit(unknowns=both, weights=weights))
    evidence += log_on_its_side(way.panel, way.changes, walk.unknowns, design, weights)
    return {
        change: Refined(
            unknowns=walk.unknowns[i], shared=walk.shared[i], predicted=walk.predicted[i], slopes=design[i],
            scale=way.scale[i], weights=weights[i], height=float(height[i]), evidence=float(evidence[i]),
        )
        for i, change in enumerate(way.changes)
    }  # fmt: skip
