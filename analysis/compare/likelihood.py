"""How likely the readings of one pass are with one unknown of a chassis held at one place after another.

At each place everything else takes its most probable state: the tolerances of all parts and tubes, and the errors
of the instruments and of the model, each within its spread, and the other values of the part without any. Places
whose likelihood is within `WITHIN` of the best make the interval of 95 % (profile likelihood; S. Wilks, Ann. Math.
Statist. 9 (1938) 60: twice the logarithm of the ratio is distributed as chi-squared with one degree of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from ..suspects.data import Data
from ..suspects.error_scales import own_scale, shared_errors
from ..suspects.evidence import fit, freedom_of, log_student
from ..suspects.panel import SLOW, STEP, Change, Panel
from ..suspects.variables import difference

WITHIN = 3.84
"""Quantile 0.95 of chi-squared with one degree of freedom."""

STARTS, STEPS, ALONG, SHORTENINGS, REACH = 6, 10, 3, 2, 3.0
SETTLED, HIGHER, FAR = 0.02, 0.2, 15.0
"""Of log likelihood: a gain below the first ends the steps, one above the second makes another best place, and a
place lower than the best by the third is ruled out."""

NEGLIGIBLE = 0.02
"""An unknown whose spread moves no reading by more than this share of its error is left where it is."""

FREE = 100.0
"""Spread of the part's own values in steps of the fit, which believes every other unknown to be of order one."""


class Search:
    """The most probable state of everything, and how the likelihood falls when one unknown is held elsewhere.

    Parameters
    ----------
    panel : Panel
        The chassis, the values of the part among its unknowns.
    data : Data
        Readings of one pass.
    places : mapping of int to ndarray
        Where to look first, for the column of each value of the part.

    Attributes
    ----------
    best : ndarray, shape (P,)
        Most probable unknowns.
    top : float
        Log likelihood there, with the prior of the unknowns.
    """

    def __init__(self, panel: Panel, data: Data, places: Mapping[int, np.ndarray]) -> None:
        self._panel, self._data = panel, data
        self._freedom = freedom_of(data.quantities)
        self._full = bool(np.isin(data.quantities, SLOW).any())
        self._own = list(places)
        self._slopes: np.ndarray
        self.best, self.top = np.zeros(len(panel.unknowns)), -np.inf
        self._linearise(self.best[None])
        grid = np.stack([axis.ravel() for axis in np.meshgrid(*places.values(), indexing="ij")], axis=1)
        starts = np.zeros((grid.shape[0], self.best.size))
        starts[:, self._own] = grid
        reached, value = self._follow(starts, self._own, steps=1)
        self._settle(reached[np.argsort(-value)[:STARTS]])

    def _settle(self, reached: np.ndarray) -> None:
        """Follow S starts to the end, the slopes taken anew at each step, and keep the best."""
        for _ in range(STEPS):
            self._linearise(reached)
            reached, value = self._follow(reached, [], steps=1)
            gained, self.top = float(value.max()) - self.top, float(value.max())
            if gained < SETTLED:
                break
        self.best = reached[int(value.argmax())]
        self._linearise(self.best[None])
        counts = np.abs(self._slopes[0]) > NEGLIGIBLE * self._scale[0][:, None]
        counts[:, self._own] = True
        self._active = np.flatnonzero(counts.any(axis=0))
        self._higher: tuple[float, np.ndarray] = (self.top, self.best)

    def profile(self, column: int, places: np.ndarray, retaken: int = 2) -> np.ndarray:
        """Log likelihood with one unknown held at G places, shape (G,); minus infinity where nothing works.

        Parameters
        ----------
        column : int
            Of the unknown.
        places : ndarray, shape (G,)
            Where it is held.
        retaken : int
            How often the slopes are taken again at the places reached.
        """
        starts = np.repeat(self.best[None], places.size, axis=0)
        starts[:, column] = places
        reached, value = self._follow(starts, [column], steps=ALONG)
        kept = self._slopes
        for _ in range(retaken):
            near = np.flatnonzero(value > value.max() - FAR)
            self._slopes = self._slopes_near(reached[near])
            reached[near], value[near] = self._follow(reached[near], [column], steps=ALONG)
        self._slopes = kept
        top = int(value.argmax())
        if value[top] > self._higher[0]:
            self._higher = (float(value[top]), reached[top])
        return value

    def climb(self) -> bool:
        """Go to the highest place a profile met; False where none was higher than the best."""
        if self._higher[0] < self.top + HIGHER:
            return False
        self.top = -np.inf
        self._settle(self._higher[1][None])
        return True

    def _predict(self, unknowns: np.ndarray) -> np.ndarray:
        return self._panel.predict([Change()] * len(unknowns), unknowns, self._data.columns)

    def _slopes_near(self, at: np.ndarray) -> np.ndarray:
        """Slopes at S places, shape (S, M, P), by those unknowns alone that count near the best place."""
        size, count = at.shape
        moved = np.repeat(at[:, None, :], self._active.size + 1, axis=1)
        moved[:, np.arange(1, self._active.size + 1), self._active] += STEP
        table = self._predict(moved.reshape(-1, count)).reshape(size, self._active.size + 1, -1)
        result = np.zeros((size, table.shape[2], count))
        rise = difference(self._data.quantities, table[:, 1:], table[:, :1]) / STEP
        result[:, :, self._active] = np.nan_to_num(rise).transpose(0, 2, 1)
        return result

    def _linearise(self, at: np.ndarray) -> None:
        """Slopes and scales of errors at S places, or at one for all: they serve the neighbourhood."""
        rows, quantities = self._data.columns, self._data.quantities
        self._slopes = self._panel.slopes([Change()] * len(at), at, full=self._full)[:, rows]
        # What a capacitor does to signals is linear; volts that go through a tube's curve are less sure when far.
        shifted = np.where(quantities == "dc_v", self._predict(at), self._panel.centre[rows])
        shifted = np.where(np.isfinite(shifted), shifted, self._panel.centre[rows])
        self._scale = own_scale(self._panel, rows, self._data.noise, shifted)
        self._shared = shared_errors(self._panel, rows, self._slopes, shifted)

    def _follow(self, unknowns: np.ndarray, held: list[int], steps: int) -> tuple[np.ndarray, np.ndarray]:
        """Gauss-Newton steps of all but the held unknowns from G starts, with the slopes as they stand.

        The part's own values carry no prior: readings decide.
        """
        quantities, measured = self._data.quantities, self._data.measured
        count, size = unknowns.shape[1], len(unknowns)
        slopes, beside, scale = (
            np.repeat(known, size // len(known), axis=0) for known in (self._slopes, self._shared, self._scale)
        )
        slopes[:, :, held] = 0.0
        design = np.concatenate([slopes, beside], axis=2)
        believed = np.ones(count, dtype=bool)
        believed[self._own] = False
        predicted = self._predict(unknowns)
        alive = np.isfinite(predicted).all(axis=1)
        predicted = np.where(alive[:, None], predicted, 0.0)
        shared = np.zeros((size, design.shape[2] - count))

        def height(at: np.ndarray, there: np.ndarray, aside: np.ndarray, which: np.ndarray) -> np.ndarray:
            residual = difference(quantities, measured, there)
            residual -= np.einsum("cmq,cq->cm", design[which, :, count:], aside)
            found = log_student(np.nan_to_num(residual, nan=1e3), scale[which], self._freedom)
            return np.asarray(found - 0.5 * ((at[:, believed] ** 2).sum(axis=1) + (aside**2).sum(axis=1)))

        units = np.ones(design.shape[2])
        units[self._own] = FREE
        value = height(unknowns, predicted, shared, np.arange(size))
        for _ in range(steps):
            target = difference(quantities, measured, predicted)
            target += np.einsum("cmq,cq->cm", slopes, unknowns)
            trial = fit(target, design * units, scale, self._freedom).unknowns * units
            move = trial[:, :count] - unknowns
            move[:, held] = 0.0
            move *= np.minimum(1.0, REACH / np.maximum(np.abs(move).max(axis=1), 1e-9))[:, None]
            turn = trial[:, count:] - shared
            left = np.arange(size)
            before = value.copy()
            for _ in range(SHORTENINGS):
                candidate, aside = unknowns[left] + move[left], shared[left] + turn[left]
                there = self._predict(candidate)
                found = height(candidate, there, aside, left)
                better = (found > value[left]) & np.isfinite(there).all(axis=1)
                taken = left[better]
                unknowns[taken], shared[taken] = candidate[better], aside[better]
                predicted[taken], value[taken] = there[better], found[better]
                left = left[~better]
                left = left[value[left] > self.top - FAR]  # no care for what is ruled out anyway
                if not left.size:
                    break
                move *= 0.3
                turn *= 0.3
            # A place that is far below must climb fast to be worth another step.
            if not (value - before > np.maximum(SETTLED, 0.1 * (self.top - value))).any():
                break
        return unknowns, np.where(alive, value, -np.inf)


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


def interval_of(
    places: np.ndarray, value: np.ndarray, ends: tuple[float, float]
) -> tuple[float, float | None, float | None]:
    """Best place, and where the likelihood has fallen by ``WITHIN``: None where it has not at the end of the range.

    Parameters
    ----------
    places, value : ndarray, shape (G,)
        Where the unknown was held, rising, and the log likelihood there.
    ends : tuple of float
        Of the whole range.
    """
    deficit = deficit_of(value, -np.inf)
    top = int(value.argmax())
    best = float(places[top])
    if 0 < top < places.size - 1:
        before, after = (float(deficit[top + side]) for side in (-1, 1))
        if 0.0 < before + after < math.inf:
            best += 0.5 * (before - after) / (before + after) * float(places[1] - places[0])
    inside = np.flatnonzero(deficit <= WITHIN)

    def crossing(last: int, beyond: int) -> float | None:
        if not 0 <= beyond < places.size:
            return None if places[last] in ends else float(places[last])
        # Deficits grow as squares: their roots are nearly straight.
        low, high = math.sqrt(deficit[last]), math.sqrt(min(deficit[beyond], 1e6))
        share = (math.sqrt(WITHIN) - low) / (high - low)
        return float(places[last] + share * (places[beyond] - places[last]))

    return best, crossing(int(inside[0]), int(inside[0]) - 1), crossing(int(inside[-1]), int(inside[-1]) + 1)
