"""Does one fault explain the readings, and if not, which two do?

The check is posterior predictive (A. Gelman, X.-L. Meng, H. Stern, Statistica Sinica 6 (1996) 733; from memory):
the misfit that the best single hypothesis leaves, with the strain on parts and tubes it needs, against what its own
noise would leave.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from ..inference.changes import Change
from ..inference.data import Data, Refined, Weighed
from ..inference.error_scales import own_scale
from ..inference.evidence import freedom_of
from ..inference.panel import Panel
from ..inference.refining import refine
from .first_round import directions, evidence_along
from .mishap import SUSPICIOUS
from .weighing import normalised

PAIR_CHANCE = 0.05
"""Chance of a second, unrelated fault beside a first. Common practice, no source."""

DOUBT_BELOW = 1e-4
"""A misfit less likely than this under the best single fault asks for a second one."""

FIRSTS, SCREENED, SECONDS, PREDICTED, TRIED, SEVERITIES = 16, 480, 60, 320, 40, 2
"""Single faults that get a partner, partners of each that are weighed twice, that are left, pairs of all these that
are predicted, pairs that are followed through the model, and at how many severities a pair of faults at most: many
must compete, or the second part looks surer than it is."""


def misfit_chance(refined: Refined, data: Data) -> float:
    """Probability of a misfit as large as this one, were the hypothesis true.

    Parameters
    ----------
    refined : Refined
        Hypothesis at its most probable unknowns.
    data : Data
        Readings.

    Notes
    -----
    The less probable of two: all readings together, and the one that is furthest off, which among many would not be
    noticed otherwise.
    """
    from scipy.special import gammaincc, stdtr

    residual = refined.left(data)
    freedom = freedom_of(data.quantities)
    # The tails of the Student-t are cut where one reading would outweigh all others, and its variance taken out.
    squares = np.minimum(residual**2, 30.0) * (freedom - 2) / freedom
    total = squares.sum() + (refined.unknowns**2).sum() + (refined.shared**2).sum()
    worst = float((2.0 * stdtr(freedom, -np.abs(residual))).min()) * len(residual)
    return min(float(gammaincc(len(data.readings) / 2, total / 2)), worst)


def furthest_off(refined: Refined, data: Data) -> int | None:
    """The reading that a hypothesis leaves furthest from what it expects; None where each is within reach of it.

    Parameters
    ----------
    refined : Refined
        Hypothesis at its most probable unknowns.
    data : Data
        Readings.
    """
    left = np.abs(refined.left(data))
    return int(left.argmax()) if left.size and left.max() > SUSPICIOUS else None


def best_single(weighed: Weighed) -> Refined | None:
    """The leading hypothesis that was followed through the model.

    Parameters
    ----------
    weighed : Weighed
        Posterior.
    """
    for row in np.argsort(-weighed.log_weight)[:10]:
        if (found := weighed.refined.get(weighed.changes[row])) is not None:
            return found
    return None


def try_pairs(panel: Panel, data: Data, weighed: Weighed) -> Weighed:
    """Add pairs of faults to the hypotheses.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    weighed : Weighed
        Posterior of the single hypotheses.
    """
    leaders: dict[int, Change] = {}
    for row in np.argsort(-weighed.log_weight):
        change = weighed.changes[row]
        if len(change.faults) == 1 and change in weighed.refined:
            leaders.setdefault(change.faults[0], change)
        if len(leaders) >= FIRSTS:
            break
    prior = weighed.prior
    faults = np.array([change.faults[0] if change.faults else -1 for change in panel.changes])
    parts = np.array([fault.part for fault in panel.faults])
    ahead: list[tuple[float, Change, Change]] = []
    scores = {}
    for first in leaders.values():
        score = scores[first] = _score_beside(panel, data, first)
        together = panel.shifted[panel.index[first]] + panel.shifted - panel.centre
        apart = (faults >= 0) & (parts[faults] != parts[first.faults[0]])
        # All readings as normal first; what looks well so is weighed again as the errors are.
        rows, partner = np.flatnonzero(apart), np.full(len(panel.changes), -np.inf)
        for rounds, most in ((1, SCREENED), (3, SECONDS)):
            partner[rows] = prior[rows] + score(
                together[np.ix_(rows, data.columns)], panel.severity_slopes[np.ix_(rows, data.columns)], rounds
            )
            rows = rows[np.argsort(-partner[rows])][:most]
        own = prior[panel.index[first]]
        ahead += [(float(partner[row] + own), first, panel.changes[row]) for row in rows]
    ahead.sort(key=lambda one: -one[0])
    scored: dict[Change, float] = {}
    for first, score in scores.items():
        seconds = [second for _, one, second in ahead[:PREDICTED] if one == first]
        if not seconds:
            continue
        # Two shifts seldom add up; what both do together costs one prediction.
        pairs = [_pair(first, second) for second in seconds]
        exact = panel.predict(pairs, np.zeros((len(pairs), len(panel.unknowns) + 2)), data.columns)
        slopes = panel.severity_slopes[[panel.index[second] for second in seconds]][:, data.columns]
        value = score(exact, slopes, 3) + prior[panel.index[first]]
        for pair, second, found in zip(pairs, seconds, value, strict=True):
            scored[pair] = max(scored.get(pair, -np.inf), float(found) + prior[panel.index[second]])
    best: list[Change] = []
    for pair in sorted(scored, key=lambda pair: -scored[pair]):
        if len(best) < TRIED and sum(pair.faults == other.faults for other in best) < SEVERITIES:
            best.append(pair)
    starts = {}
    for pair in best:
        for index, value in zip(pair.faults, pair.values, strict=True):
            single = Change(faults=(index,), values=(value,))
            if single in weighed.refined:
                starts[pair] = weighed.refined[single].unknowns[: len(panel.unknowns)]
    return with_pairs(panel, weighed, refine(panel, data, best, starts=starts))


def with_pairs(panel: Panel, weighed: Weighed, pairs: Mapping[Change, Refined]) -> Weighed:
    """Weigh pairs beside the single hypotheses.

    Parameters
    ----------
    panel : Panel
        The model.
    weighed : Weighed
        Posterior of the single hypotheses.
    pairs : mapping of Change to Refined
        Pairs that were followed through the model, from the same readings.
    """
    prior = weighed.prior
    reference = max(weighed.refined, key=lambda change: weighed.log_weight[panel.index[change]])
    row = panel.index[reference]
    anchor = weighed.log_weight[row] - weighed.refined[reference].evidence - prior[row] + np.log(PAIR_CHANCE)
    weights = [
        anchor
        + found.evidence
        + sum(
            prior[panel.index[Change(faults=(f,), values=(v,))]]
            for f, v in zip(pair.faults, pair.values, strict=True)
        )
        for pair, found in pairs.items()
    ]
    return normalised(
        replace(
            weighed,
            changes=(*weighed.changes, *pairs),
            log_weight=np.concatenate([weighed.log_weight, weights]),
            refined={**weighed.refined, **pairs},
        )
    )


def _pair(first: Change, second: Change) -> Change:
    """Two single hypotheses at once."""
    two = sorted([(first.faults[0], first.values[0]), (second.faults[0], second.values[0])])
    return Change(faults=tuple(f for f, _ in two), values=tuple(v for _, v in two))


def _score_beside(panel: Panel, data: Data, first: Change) -> Callable[[np.ndarray, np.ndarray, int], np.ndarray]:
    """Evidence of a first fault with each of C partners, by the slopes of the first alone, shape (C,).

    Takes predictions and slopes by the severity of the partner, shapes (C, M), and rounds of weighing."""
    rows = data.columns
    own = panel.look([first], np.zeros((1, len(panel.unknowns) + 1)), rows)[1][0]
    kept, _ = directions(panel, data, own, panel.shifted[panel.index[first], rows])

    def score(predicted: np.ndarray, severity: np.ndarray, rounds: int) -> np.ndarray:
        scale = own_scale(panel, rows, data.noise, predicted)
        return evidence_along(data, predicted, scale, kept, severity, rounds)

    return score
