"""Does one fault explain the readings, and if not, which two do?

The check is posterior predictive (A. Gelman, X.-L. Meng, H. Stern, Statistica Sinica 6 (1996) 733; from
memory): the misfit
that the best single hypothesis leaves, with the strain on parts and tubes it needs, against what its own noise
would leave.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .data import Data, Refined, Weighed
from .error_scales import own_scale
from .evidence import fit, freedom_of, log_evidence
from .panel import Change, Panel
from .refining import refine
from .variables import difference
from .weighing import DIRECTIONS, log_priors, normalised

PAIR_CHANCE = 0.05
"""Chance of a second, unrelated fault beside a first. Common practice, no source."""

DOUBT_BELOW = 1e-4
"""A misfit less likely than this under the best single fault asks for a second one."""

FIRSTS, TRIED = 6, 24
"""Single faults that get a partner, and pairs that are followed through the model."""


def misfit_chance(refined: Refined, data: Data) -> float:
    """Probability of a misfit as large as this one, were the hypothesis true.

    Parameters
    ----------
    refined : Refined
        Hypothesis at its most probable unknowns.
    data : Data
        Readings.
    """
    from scipy.special import gammaincc

    residual = difference(data.quantities, data.measured, refined.expected) / refined.scale
    freedom = freedom_of(data.quantities)
    # The tails of the Student-t are cut where one reading would outweigh all others, and its variance taken out.
    squares = np.minimum(residual**2, 30.0) * (freedom - 2) / freedom
    total = squares.sum() + (refined.unknowns**2).sum() + (refined.shared**2).sum()
    return float(gammaincc(len(data.readings) / 2, total / 2))


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
    scored: dict[Change, float] = {}
    prior = log_priors(panel, panel.changes)
    for first in leaders.values():
        partner = prior + _with_partner(panel, data, weighed.refined[first])
        part = panel.faults[first.faults[0]].part
        for row in np.argsort(-partner)[: 4 * TRIED]:
            second = panel.changes[row]
            if not second.faults or panel.faults[second.faults[0]].part == part:
                continue
            two = sorted([(first.faults[0], first.values[0]), (second.faults[0], second.values[0])])
            pair = Change(faults=tuple(f for f, _ in two), values=tuple(v for _, v in two))
            scored[pair] = max(scored.get(pair, -np.inf), float(partner[row]) + prior[panel.index[first]])
    best = sorted(scored, key=lambda pair: -scored[pair])[:TRIED]
    starts = {}
    for pair in best:
        for index, value in zip(pair.faults, pair.values, strict=True):
            single = Change(faults=(index,), values=(value,))
            if single in weighed.refined:
                starts[pair] = weighed.refined[single].unknowns[: len(panel.unknowns)]
    refined = refine(panel, data, best, starts=starts)
    reference = next(change for change in leaders.values())
    anchor = weighed.log_weight[panel.index[reference]] - weighed.refined[reference].evidence
    changes, weights = [], []
    for pair, result in refined.items():
        log_prior = sum(
            prior[panel.index[Change(faults=(f,), values=(v,))]]
            for f, v in zip(pair.faults, pair.values, strict=True)
        )
        changes.append(pair)
        weights.append(anchor + result.evidence + log_prior - prior[panel.index[reference]] + np.log(PAIR_CHANCE))
    return normalised(
        replace(
            weighed,
            changes=(*weighed.changes, *changes),
            log_weight=np.concatenate([weighed.log_weight, weights]),
            refined={**weighed.refined, **refined},
        )
    )


def _with_partner(panel: Panel, data: Data, first: Refined) -> np.ndarray:
    """Evidence of the first fault with each single hypothesis as partner, their shifts added, shape (C,)."""
    rows = data.columns
    shift = panel.shifted[:, rows] - panel.centre[rows]
    scale = np.sqrt(own_scale(panel, rows, data.noise, panel.shifted[:, rows]) ** 2 + first.scale**2)
    left, size, _ = np.linalg.svd(first.slopes / first.scale[:, None], full_matrices=False)
    kept = left[:, :DIRECTIONS] * size[:DIRECTIONS] * first.scale[:, None]
    residual = difference(data.quantities, data.measured, first.predicted + shift)
    residual = np.nan_to_num(residual, nan=1e3)
    slopes = np.concatenate(
        [np.broadcast_to(kept, (len(shift), *kept.shape)), panel.severity_slopes[:, rows, None]], axis=2
    )
    freedom = freedom_of(data.quantities)
    found = fit(residual, slopes, scale, freedom, rounds=3)
    left_over = residual - np.einsum("cmq,cq->cm", slopes, found.unknowns)
    evidence = log_evidence(left_over, scale, freedom, slopes, found)
    return np.where(np.isnan(shift).any(axis=1), -np.inf, evidence)
