"""How likely the readings of one pass are with one unknown of a chassis held at one place after another.

At each place everything else takes its most probable state: the tolerances of all parts and tubes, and the errors
of the instruments and of the model, each within its spread, and the other values of the part without any. Places
near the best in likelihood make the interval of 95 % (`interval`).

A search solves nothing itself. It asks for the readings of unknowns, and for their slopes, so that all parts,
passes and values are answered together (`asking`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from ..inference.data import Data
from ..inference.evidence import fit, log_student, posterior_covariance
from ..inference.panel import Panel
from .asking import Asking, Question, ask, side_by_side
from .heights import Heights
from .interval import around_ends, deficit_of, widened
from .profile import Linear, Peak, Profile

ROWS, PAIRED, THINNER = 4, 2, 4
"""Likely places of the first value of a part alone, and beside each value of another part, which is looked for at
so many times fewer places."""

EACH, LIKELY = 2, 144
"""Starts kept for each of them, and how many starts are looked at closely."""

STEPS, ALONG, SHARES, REACH = 20, 5, (0.3, 0.1), 3.0
"""Steps of a climb, each with slopes of its own, steps along a profile with one set of them, shares of a step that
are tried where the whole is too far, and its greatest size."""

SETTLED, HIGHER, FAR, FIRST_FAR = 0.1, 0.5, 15.0, 60.0
"""Of log likelihood: a gain below the first ends the steps, one above the second makes another best place, and a
place lower than the best by the third is ruled out; after the first step by the last."""

SAME = 0.1
"""Climbs whose readings differ by less, in errors, are one."""

NEGLIGIBLE = 0.02
"""An unknown whose spread moves no reading by more than this share of its error is left where it is."""

FREE = 100.0
"""Spread of the part's own values in steps of the fit, which believes every other unknown to be of order one."""

BESIDE = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
"""Places near the best, in standard deviations by its curvature."""

CLOSER, BETWEEN = 2, np.array([0.25, 0.5, 0.75])
"""How often an end of the interval is looked for between the two places around it, and where there."""


class Search:
    """The most probable state of everything, and how the likelihood falls when one unknown is held elsewhere.

    Parameters
    ----------
    panel : Panel
        The chassis, the values of the part among its unknowns.
    data : Data
        Readings of one pass.
    places : mapping of int to ndarray
        Where to look first, for the column of each value of the part; along the first of them densely.
    beside : mapping of int to ndarray
        The same for values of other parts that may be anything too; no interval is asked of them.
    known : sequence of mapping of int to float
        Places of some of both that explain the readings as far as others have found; tried first.

    Attributes
    ----------
    panel, data
        As given.
    own : list of int
        Columns of the values of the part, then of those beside it: no belief about these enters.
    measurands : tuple of Measurand
        Of the readings.
    peak : Peak
        After `find`.
    """

    def __init__(
        self,
        panel: Panel,
        data: Data,
        places: Mapping[int, np.ndarray],
        beside: Mapping[int, np.ndarray] | None = None,
        known: Sequence[Mapping[int, float]] = (),
    ) -> None:
        self.panel, self.data = panel, data
        self.measurands = tuple(panel.measurands[column] for column in data.columns)
        self._heights = Heights(panel, data)
        self._first, self._others, self._known = places, dict(beside or {}), known
        self.own = [*places, *self._others]
        self._active = np.arange(len(panel.unknowns))
        self._believed = np.ones(self._active.size, dtype=bool)
        self._believed[self.own] = False
        start = np.zeros(self._active.size)
        empty = np.zeros((1, 0, 0))
        self.peak = Peak(at=start, value=-np.inf, near=Linear(shown=empty[0], design=empty))
        self._higher: tuple[float, np.ndarray] = (-np.inf, start)
        self._standing: dict[int, tuple[float, np.ndarray]] = {}
        self._beside: dict[int, list[np.ndarray]] = {column: [] for column in places}

    def find(self) -> Asking[None]:
        """Look along the first value of the part, then over the others at its likely places, and follow those."""
        (column, places), *others = self._first.items()
        zero = np.zeros(self._active.size)
        # Alone, and with each value of another part somewhere: what that one does must not be laid to this one.
        lines = [_around(zero, {column: places})]
        lines += [_around(zero, {column: places[::THINNER], other: at}) for other, at in self._others.items()]
        starts, line = np.concatenate(lines), np.repeat(np.arange(len(lines)), [len(one) for one in lines])
        direct = self._heights.direct if self._heights.direct.any() else ~self._heights.direct
        rows: list[int] = []
        for place in self._ranked((yield from ask(starts)), direct):
            there = [row for row in rows if line[row] == line[place]]
            if len(there) < (PAIRED if line[place] else ROWS) and all(abs(place - row) > 1 for row in there):
                rows.append(place)
        starts = starts[rows]
        grids = [dict(others)] if others else []
        grids += [{**dict(others[:1]), other: at} for other, at in self._others.items()]
        if grids:
            beside = [np.concatenate([_around(start, grid) for grid in grids]) for start in starts]
            starts = np.concatenate(beside)
            shown = yield from ask(starts)
            starts = starts[self._spread(self._ranked(shown, np.ones_like(direct)), shown, len(beside[0]))]
        known = [_around(zero, {column: np.array([z]) for column, z in one.items()}) for one in self._known]
        yield from self._settle(np.concatenate([starts, *known]))

    def look_beside(self, places: Mapping[int, np.ndarray]) -> Asking[None]:
        """With each value of the part held, look where each of the others would explain the readings.

        One gain tells lost capacitance from series resistance or a leak no better than a bench does: each has a
        valley of its own, and no slope leads from the one that holds the best place into another.

        Parameters
        ----------
        places : mapping of int to ndarray
            For the column of each value, the places of its profile.
        """
        pairs = [*combinations(places, 2), *((one, other) for one in places for other in self._others)]
        every = {**self._others, **places}
        # Other parts stand where they are most likely to.
        start = np.zeros(self._believed.size)
        start[list(self._others)] = self.peak.at[list(self._others)]
        planes = [_around(start, {one: every[one], other: every[other]}) for one, other in pairs]
        answers = (yield tuple(Question(samples=plane) for plane in planes)) if planes else ()
        for pair, plane, answer in zip(pairs, planes, answers, strict=True):
            ranked = plane[self._ranked(answer.shown, np.ones(len(self.measurands), dtype=bool))]
            for column in set(pair) & set(places):
                away = np.abs(ranked[:, column, None] - places[column])
                best = ranked[away.argmin(axis=0)]  # the first of equals stands highest
                best[:, column] = places[column]
                self._beside[column].append(best)

    def _spread(self, ranked: list[int], shown: np.ndarray, size: int) -> list[int]:
        """The first few of each row of ``size`` starts that are apart in their readings."""
        chosen: list[int] = []
        for place in ranked:
            row = [other for other in chosen if other // size == place // size]
            if len(row) < EACH and all(self._heights.apart(shown[place], shown[other]) > 1.0 for other in row):
                chosen.append(place)
        return chosen

    def climb(self) -> Asking[bool]:
        """Go to the highest place a profile met; False where none was higher than the best."""
        value, start = self._higher
        if value < self.peak.value + HIGHER:
            return False
        yield from self._settle(start[None])
        return True

    @property
    def within(self) -> float:
        """How far the likelihood may fall from the peak within an interval, from `interval.widened`."""
        return widened(2.0 * (self._heights.perfect - self.peak.value), self._heights.scale.size - len(self.own))

    def _ranked(self, shown: np.ndarray, told: np.ndarray) -> list[int]:
        """Starts, best first: how near all other unknowns, as far as their slopes hold, bring them to ``told``."""
        alive = np.isfinite(shown).all(axis=1)
        shown = np.where(alive[:, None], shown, 0.0)
        left, scale = self._heights.left(shown)[:, told], self._heights.scale[told]
        slopes = self.panel.healthy_slopes[self.data.columns][None].copy()
        slopes[:, :, self.own] = 0.0
        design = np.concatenate([slopes, self._heights.shared], axis=2)[:, told]
        counts = (np.abs(design[0]) > NEGLIGIBLE * scale[:, None]).any(axis=0)
        design = design[:, :, counts]
        loose = np.sqrt(scale**2 + (design[0] ** 2).sum(axis=1))
        freedom = self._heights.freedom[told]
        rough = np.where(alive, log_student(left, loose, freedom), -np.inf)
        first = np.argsort(-rough, kind="stable")[:LIKELY]
        design = np.repeat(design, first.size, axis=0)
        moved = fit(left[first], design, np.broadcast_to(scale, left[first].shape), freedom, rounds=2).unknowns
        rest = left[first] - np.einsum("cmq,cq->cm", design, moved)
        value = log_student(rest, scale, freedom) - 0.5 * (moved**2).sum(axis=1)
        return [int(place) for place in first[np.argsort(-np.where(alive[first], value, -np.inf), kind="stable")]]

    def _settle(self, starts: np.ndarray) -> Asking[None]:
        """Climb from S starts and keep the highest peak."""
        self._active = np.arange(starts.shape[1])
        near = self._narrowed((yield from self._linear(starts)))
        self._standing = {}
        peaks = yield from side_by_side(
            [self._climbed(place, start, near.picked([place])) for place, start in enumerate(starts)]
        )
        highest = max(peaks, key=lambda peak: peak.value)
        if highest.value >= self.peak.value:
            self.peak = replace(highest, near=self._narrowed(highest.near))
        self._higher = (self.peak.value, self.peak.at)

    def _climbed(self, place: int, at: np.ndarray, near: Linear) -> Asking[Peak]:
        """Climb from one start to the end, the slopes taken anew at each step."""
        value = float(self._height(at[None], near.shown)[0])
        for step in range(STEPS):
            before, move = value, self._move(at[None], near, near.shown)[0]
            ahead = yield from self._linear(at[None] + move)
            value = float(self._height(at[None] + move, ahead.shown)[0])
            if value > before:
                at, near = at + move, ahead
            else:
                shorter = at + np.array(SHARES)[:, None] * move
                heights = self._height(shorter, (yield from ask(shorter)))
                if (value := float(heights.max())) > before:
                    at = shorter[int(heights.argmax())]
                    near = yield from self._linear(at[None])
            value = max(value, before)
            if value - before < SETTLED or self._idle(place, step, value, near.shown[0]):
                break
        return Peak(at=at, value=value, near=near)

    def _idle(self, place: int, step: int, value: float, shown: np.ndarray) -> bool:
        """Whether a climb is far below the others, or has met a higher one."""
        self._standing[place] = value, shown
        others = [stand for other, stand in self._standing.items() if other != place and stand[0] >= value]
        far = max((height for height, _ in others), default=value) > value + (FAR if step else FIRST_FAR)
        if far or any(self._heights.apart(shown, other) < SAME for _, other in others):
            del self._standing[place]
            return True
        return False

    def _narrowed(self, near: Linear) -> Linear:
        """Leave out, from here on, unknowns that move nothing."""
        counts = (np.abs(near.design[:, :, : self._active.size]) > NEGLIGIBLE * self._heights.scale[:, None]).any(
            axis=(0, 1)
        )
        counts[np.searchsorted(self._active, self.own)] = True
        kept = np.concatenate([counts, np.ones(near.design.shape[2] - counts.size, dtype=bool)])
        self._active = self._active[counts]
        return Linear(shown=near.shown, design=near.design[:, :, kept])

    def profile(self, column: int, places: np.ndarray) -> Asking[Profile]:
        """How the likelihood falls along one unknown.

        Parameters
        ----------
        column : int
            Of the unknown.
        places : ndarray, shape (G,)
            Where it is held; places near the best and near the ends of the interval are added.

        Returns
        -------
        Profile
            The generator's result.
        """
        beside = self.peak.at[column] + self._std(column) * BESIDE
        wide = np.unique(np.concatenate([places, beside[(beside > places[0]) & (beside < places[-1])]]))
        starts = np.repeat(self.peak.at[None], wide.size, axis=0)
        starts[:, column] = wide
        found = Profile(
            places=self.peak.at[column : column + 1], value=np.array([self.peak.value]), reached=self.peak.at[None]
        ).joined((yield from self._held(column, starts, self.peak.near, np.zeros(wide.size, dtype=int))))
        if self._beside[column]:
            starts = np.concatenate(self._beside[column])
            aside = yield from self._linear(starts)
            found = found.joined((yield from self._held(column, starts, aside, np.arange(len(starts)))))
        near: Linear | None = None
        within = self.within
        for _ in range(CLOSER):
            around = around_ends(deficit_of(found.value, -np.inf), within)
            if not around:
                break
            if near is None or len(near.shown) != len(around):
                near = yield from self._linear(found.reached[[inside for inside, _ in around]])
            shares = BETWEEN[:, None]
            starts = np.concatenate(
                [found.reached[i] + shares * (found.reached[o] - found.reached[i]) for i, o in around]
            )
            which = np.repeat(np.arange(len(around)), BETWEEN.size)
            found = found.joined((yield from self._held(column, starts, near, which)))
        return found

    def _held(self, column: int, starts: np.ndarray, near: Linear, which: np.ndarray) -> Asking[Profile]:
        """Follow all but one unknown from G starts."""
        reached, value = yield from self._follow(starts, near, which, column)
        top = int(value.argmax())
        if value[top] > self._higher[0]:
            self._higher = (float(value[top]), reached[top])
        return Profile(places=reached[:, column], value=value, reached=reached)

    def _std(self, column: int) -> float:
        """Standard deviation of an unknown by the curvature at the best place."""
        units = self._units(self.peak.near.design.shape[2])
        weights = self._heights.weights(self.peak.near.shown)
        covariance = posterior_covariance(self.peak.near.design * units, weights)[0]
        place = int(np.searchsorted(self._active, column))
        return float(FREE * math.sqrt(covariance[place, place]))

    def _units(self, size: int) -> np.ndarray:
        units = np.ones(size)
        units[np.searchsorted(self._active, self.own)] = FREE
        return units

    def _linear(self, at: np.ndarray) -> Asking[Linear]:
        """Readings near S places, by those unknowns alone that count."""
        (answer,) = yield (Question(samples=at, sloped=True),)
        shared = np.repeat(self._heights.shared, len(at), axis=0)
        return Linear(
            shown=answer.shown, design=np.concatenate([answer.slopes[:, :, self._active], shared], axis=2)
        )

    def _height(self, at: np.ndarray, shown: np.ndarray) -> np.ndarray:
        """Log likelihood of S places, shape (S,)."""
        return self._heights.of(at[:, self._believed], shown)

    def _move(self, at: np.ndarray, near: Linear, shown: np.ndarray, held: int | None = None) -> np.ndarray:
        """Gauss-Newton steps from S places that read ``shown``, by slopes as they stand, shape (S, P).

        The part's own values carry no prior, for readings decide, but their steps are held back: one that hardly
        moves a reading would go far to mend it, and take the whole step. The value in column ``held`` stays.
        """
        active, design = self._active, near.design
        own = np.searchsorted(active, self.own)
        if held is not None:
            design = design.copy()
            design[:, :, np.searchsorted(active, held)] = 0.0
        units = np.ones(design.shape[2])
        units[own] = REACH
        # Where each unknown is looked for from: its middle, or for the part's own values where they stand.
        origin = at[:, active].copy()
        origin[:, own] = 0.0
        target = self._heights.left(shown)
        target += np.einsum("cmq,cq->cm", design[:, :, : active.size], origin)
        scale = np.broadcast_to(self._heights.scale, target.shape)
        trial = fit(target, design * units, scale, self._heights.freedom).unknowns * units
        move = np.zeros_like(at)
        move[:, active] = trial[:, : active.size] - origin
        if held is not None:
            move[:, held] = 0.0
        return np.asarray(move * np.minimum(1.0, REACH / np.maximum(np.abs(move).max(axis=1), 1e-9))[:, None])

    def _follow(
        self, at: np.ndarray, near: Linear, which: np.ndarray, held: int
    ) -> Asking[tuple[np.ndarray, np.ndarray]]:
        """The highest places found from S starts with one unknown held, and their log likelihood."""
        shown = yield from ask(at)
        # Where the steps stand, and the highest place they came by: in a bent valley a step may lead off its floor.
        now, there = at.copy(), shown.copy()
        at, shown = at.copy(), shown.copy()
        value = self._height(at, shown)
        left = np.flatnonzero(np.isfinite(value))
        for _ in range(ALONG):
            if not left.size:
                break
            move = self._move(now[left], near.picked(which[left]), there[left], held)
            candidate = np.concatenate([now[left] + share * move for share in (1.0, SHARES[0])])
            found = yield from ask(candidate)
            height = self._height(candidate, found).reshape(2, -1)
            before, highest = value[left], height.max(axis=0)
            chosen = height.argmax(axis=0) * left.size + np.arange(left.size)
            better = highest > before
            at[left[better]], shown[left[better]] = candidate[chosen[better]], found[chosen[better]]
            value[left[better]] = highest[better]
            whole = np.flatnonzero(height[0] > value[left] - FAR)
            now[left], there[left] = at[left], shown[left]
            now[left[whole]], there[left[whole]] = candidate[whole], found[whole]
            # A place that is far below must climb fast to be worth another step.
            far = 0.1 * (max(self.peak.value, value.max()) - value[left])
            left = left[np.abs(height[0] - before) > np.maximum(SETTLED, far)]
        return at, value


def _around(start: np.ndarray, places: Mapping[int, np.ndarray]) -> np.ndarray:
    """Every combination of places of some unknowns, the others where ``start`` has them, shape (S, P)."""
    grid = np.stack([axis.ravel() for axis in np.meshgrid(*places.values(), indexing="ij")], axis=1)
    result = np.repeat(start[None], len(grid), axis=0)
    result[:, list(places)] = grid
    return result
