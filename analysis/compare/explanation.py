"""What the model says the replaced parts should have changed.

The state before is unknown: any fault the part can have, at any severity, or none. Each is tried; the one that fits
all changes together best is taken, over chassis drawn with healthy tolerances that are the same before and after,
so that tolerances largely cancel as they do on the bench. A new part differs from the old one within its own
tolerance, and that alone can explain a small change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from acquisition.records import Measurand

from ..chassis.feeding import by_tubes
from ..faults import Fault
from .pairing import shortest

DRAWS = 60
WORTH_A_FAULT = 9.0
"""A fault must better the fit by this much in chi-squared: one more free value, at three standard deviations."""

AT_ONCE = 16
"""Values of a fault whose distortion is worked out together, the likeliest first."""

ROUNDS = 4
"""How often, at most, the faults of several parts are looked for again in turn."""

MODEL_SHARE, BY_TUBES_SHARE = 0.1, 0.5
"""The model's own error of a predicted change, as a share of it (common practice, no source); and of ripple beyond
the supply, which comes by several ways through tubes and may nearly cancel (common practice, no source; one
lantern-twelve of other tube laws had 0.44 of it at the cathodes of its pair)."""


_States = Sequence[Mapping[str, float]]
"""What is known of the chassis before and after: mains, and parts that were measured."""


class Predicting(Protocol):
    """What a comparison asks of a chassis model; `analysis.chassis.ChassisModel` is one."""

    parameters: Mapping[str, Any]

    def predict(self, values: Any, measurands: Sequence[Measurand]) -> np.ndarray:
        """Predictions of shape (S, M)."""
        ...

    def draw(self, count: int, rng: np.random.Generator, measured: Any = None) -> dict[str, np.ndarray]:
        """Healthy chassis, arrays of shape (S,)."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The best account of the changes by the replaced parts.

    Parameters
    ----------
    faults : tuple of (Fault, float)
        What was wrong with the old parts, and the value of the parameter; empty when tolerance alone explains it.
    predicted, predicted_std : ndarray, shape (M,)
        Changes expected, and their standard uncertainty, in the unit of each quantity; NaN where the model is
        silent.
    covariance : ndarray, shape (M, M)
        Of the changes expected: a control that stands elsewhere moves many of them together.
    """

    faults: tuple[tuple[Fault, float], ...]
    predicted: np.ndarray
    predicted_std: np.ndarray
    covariance: np.ndarray


def explain(
    model: Predicting,
    faults: Sequence[Fault],
    replaced: Sequence[str],
    measurands: Sequence[Measurand],
    changes: np.ndarray,
    covariance: np.ndarray,
    *,
    mains: float = 1.0,
    measured_before: Mapping[str, tuple[float, float]] | None = None,
    measured_after: Mapping[str, tuple[float, float]] | None = None,
    seed: int = 1,
) -> Explanation:
    """Find the fault of the replaced parts that explains the changes best.

    Parameters
    ----------
    model : Predicting
        The chassis.
    faults : sequence of Fault
        Of the whole chassis; those of the replaced parts are tried.
    replaced : sequence of str
        Parts, sockets or sections replaced between the passes.
    measurands : sequence of Measurand
        M measurands.
    changes, covariance : ndarray, shape (M,) and (M, M)
        What was measured.
    mains : float
        Mains of both states as a multiple of nominal.
    measured_before, measured_after : mapping, optional
        Parameters found with power off: key to value and standard uncertainty.
    seed : int
        Of the tolerances drawn.
    """
    tried = [fault for fault in faults if fault.part in replaced or fault.section in replaced]
    own = [key for key, parameter in model.parameters.items() if parameter.part in replaced and parameter.sigma]
    rng = np.random.default_rng(seed)
    after = model.draw(DRAWS, rng, dict(measured_after or {}))
    after["mains"] = np.full(DRAWS, mains)
    before = dict(after)
    old = model.draw(DRAWS, rng, dict(measured_before or {}))
    before.update({key: old[key] for key in own if key in old})
    before.update({key: np.full(DRAWS, value) for key, (value, _) in (measured_before or {}).items()})
    # What was measured of a part stands in both looks: on its own value the new part is no fault.
    states = tuple(
        {**{key: value for key, (value, _) in (known or {}).items()}, "mains": mains}
        for known in (measured_before, measured_after)
    )
    healthy_after = model.predict(after, measurands)
    share = model_shares(model, measurands)

    def outcome(extra: Mapping[str, float]) -> tuple[np.ndarray, np.ndarray]:
        drawn = {**before, **{key: np.full(DRAWS, value) for key, value in extra.items()}}
        moved = moved_between(healthy_after - model.predict(drawn, measurands), measurands)
        middle = np.nanmean(moved, axis=0)
        apart = np.nan_to_num(moved - middle)
        return middle, apart.T @ apart / DRAWS + np.diag(np.nan_to_num(share * middle) ** 2)

    def misfit(expected: np.ndarray, open_to: np.ndarray) -> float:
        return float(misfits(changes, covariance + open_to, expected[None], np.zeros((1, len(changes))))[0])

    chosen: list[tuple[Fault, float]] = []
    with np.errstate(all="ignore"):
        predicted, spread = outcome({})
        fit = misfit(predicted, spread)
        for _ in range(len(replaced)):
            extra = {fault.key: value for fault, value in chosen}
            left = [fault for fault in tried if fault.part not in {known.part for known, _ in chosen}]
            best = _best(model, left, extra, states, measurands, changes, covariance)
            if best is None:
                break
            more = _in_turn([*chosen, best], model, tried, states, measurands, changes, covariance)
            trial, trial_spread = outcome({fault.key: value for fault, value in more})
            better = misfit(trial, trial_spread)
            if not better < fit - WORTH_A_FAULT:
                break
            chosen, predicted, spread, fit = more, trial, trial_spread, better
    std = np.where(np.isfinite(predicted), np.sqrt(np.diag(spread)), np.nan)
    return Explanation(faults=tuple(chosen), predicted=predicted, predicted_std=std, covariance=spread)


def model_shares(model: Any, measurands: Sequence[Measurand]) -> np.ndarray:
    """The model's own error of a predicted change, as a share of it, shape (M,).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        M measurands.
    """
    return np.where(by_tubes(model.chassis, measurands), BY_TUBES_SHARE, MODEL_SHARE)


def _in_turn(
    chosen: list[tuple[Fault, float]],
    model: Predicting,
    faults: Sequence[Fault],
    states: _States,
    measurands: Sequence[Measurand],
    changes: np.ndarray,
    covariance: np.ndarray,
) -> list[tuple[Fault, float]]:
    """The faults of several parts, each looked for again beside the others: the first was the best alone, and took
    over what the others did."""
    found = list(chosen)
    for _ in range(ROUNDS if len(found) > 1 else 0):
        before = list(found)
        for place, (known, _) in enumerate(before):
            extra = {fault.key: value for fault, value in found[:place] + found[place + 1 :]}
            own = [fault for fault in faults if fault.part == known.part]
            found[place] = _best(model, own, extra, states, measurands, changes, covariance) or found[place]
        if found == before:
            break
    return found


def _best(
    model: Predicting,
    faults: Sequence[Fault],
    extra: Mapping[str, float],
    states: _States,
    measurands: Sequence[Measurand],
    changes: np.ndarray,
    covariance: np.ndarray,
) -> tuple[Fault, float] | None:
    """The fault and value that fit best on the chassis as drawn or measured, on a grid four times finer than the
    severity cells."""
    tried: list[tuple[Fault, float]] = []
    for fault in faults:
        grid = np.array(fault.values)
        if len(grid) > 1:
            grid = np.exp(finer(np.log(grid)[:, None])[:, 0])
        tried += [(fault, float(value)) for value in grid]
    if not tried:
        return None
    count = len(tried)
    values = {key: np.full(count, value) for key, value in {**states[0], **extra}.items()}
    for row, (fault, value) in enumerate(tried):
        values.setdefault(fault.key, np.full(count, model.parameters[fault.key].nominal))[row] = value
    share = model_shares(model, measurands)
    base = model.predict({key: np.full(1, value) for key, value in states[1].items()}, measurands)

    def fits(rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        wanted, kept = [measurands[column] for column in columns.tolist()], np.ix_(columns, columns)
        shown = model.predict({key: value[rows] for key, value in values.items()}, wanted)
        moved = moved_between(base[:, columns] - shown, wanted)
        return misfits(changes[columns], covariance[kept], moved, 2.0 * share[columns] * np.abs(moved))

    bent = np.array([m.quantity == "thd_pct" for m in measurands], dtype=bool)
    every = np.arange(len(measurands))
    if not bent.any() or bent.all():
        return tried[int(np.argmin(fits(np.arange(len(tried)), every)))]
    # Distortion is worked out only where it could still make a fit the best: it adds a square, and at least the
    # logarithms of the variances that all other readings leave it.
    variances = 1.0 / np.diag(np.linalg.inv(covariance))[bent]
    least = fits(np.arange(len(tried)), every[~bent]) + np.minimum(np.log(variances), 0.0).sum()
    order = np.argsort(least, kind="stable")
    found = np.full(len(tried), np.inf)
    for first in range(0, len(order), AT_ONCE):
        rows = order[first : first + AT_ONCE]
        rows = rows[least[rows] <= found.min()]
        if not rows.size:
            break
        found[rows] = fits(rows, every)
    return tried[int(np.argmin(found))]


def finer(cells: np.ndarray) -> np.ndarray:
    """Three values between each two, for a grid four times finer than the severity cells of a fault.

    Parameters
    ----------
    cells : ndarray, shape (S, M)
        One row a cell.

    Examples
    --------
    >>> finer(np.array([[0.0], [4.0]])).T
    array([[0., 1., 2., 3., 4.]])
    """
    places = np.arange(0, len(cells) - 0.75, 0.25)
    below = places.astype(int)
    above = np.minimum(below + 1, len(cells) - 1)
    return np.asarray(cells[below] + (places - below)[:, None] * (cells[above] - cells[below]))


def moved_between(differences: np.ndarray, measurands: Sequence[Measurand]) -> np.ndarray:
    """Differences of two predictions, shape (S, M), phases by the short way round.

    Parameters
    ----------
    differences : ndarray, shape (S, M)
        Changed in place.
    measurands : sequence of Measurand
        M measurands.
    """
    for column, measurand in enumerate(measurands):
        if measurand.quantity == "phase_deg":
            differences[:, column] = [shortest(float(d)) for d in differences[:, column]]
    return differences


def to_state(
    values: np.ndarray, here: np.ndarray, there: np.ndarray, measurands: Sequence[Measurand]
) -> np.ndarray:
    """What to add to readings taken in one state of the chassis to have those of another, shape (M,).

    In proportion where the model is near, so that tolerances cancel, else by difference; 0 where it is silent.

    Parameters
    ----------
    values : ndarray, shape (M,)
        As read in the first state.
    here, there : ndarray, shape (M,)
        What the model shows in the first state and in the second.
    measurands : sequence of Measurand
        M measurands.
    """
    added = np.zeros(len(values))
    for i, (value, ours, theirs) in enumerate(zip(values, here, there, strict=True)):
        if not (math.isfinite(ours) and math.isfinite(theirs)):
            continue
        if measurands[i].quantity == "phase_deg":
            added[i] = shortest(theirs - ours)
            continue
        near = ours and theirs and 1 / 3 < value / ours < 3
        added[i] = value * (theirs / ours - 1.0) if near else theirs - ours
    return added


def misfits(changes: np.ndarray, covariance: np.ndarray, predicted: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Misfit of R predictions, each over what it knows, shape (R,).

    Parameters
    ----------
    changes, covariance : ndarray, shape (M,) and (M, M)
        What was measured.
    predicted, spread : ndarray, shape (R, M)
        Changes expected, and their standard uncertainty; NaN where the model is silent.
    """
    known = np.isfinite(predicted) & np.isfinite(spread)
    result = np.full(len(predicted), np.inf)
    for pattern in np.unique(known, axis=0):
        rows = np.flatnonzero((known == pattern).all(axis=1))
        if pattern.any():
            residual = (changes - predicted[rows])[:, pattern]
            total = covariance[np.ix_(pattern, pattern)] + np.einsum(
                "rm,mn->rmn", spread[rows][:, pattern] ** 2, np.eye(pattern.sum())
            )
            # With its determinant: a vague prediction must not win by being vague.
            square = (residual * np.linalg.solve(total, residual[..., None])[..., 0]).sum(axis=1)
            result[rows] = square + np.linalg.slogdet(total)[1]
    return result
