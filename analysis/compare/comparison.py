"""Two passes compared: each change with its uncertainty, its significance and its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from acquisition.records import REPAIRS, Event, Measurand, Pass

from ..faults import Fault
from ..work import values_found
from .controls import turned_between
from .explanation import Explanation, Predicting, explain, to_state
from .pairing import Pair, differences, pair
from .remembered import Remembered
from .result import AGREES, NOT_EXPLAINED, UNCHANGED, UNTRIED, Change, Comparison, direction_of
from .significance import LEVEL, holm, two_sided

MAINS_SHARE = 0.1
"""Standard uncertainty of a correction for mains, as a share of it (common practice, no source)."""


def compare(
    before: Pass,
    after: Pass,
    *,
    model: Any = None,
    faults: Sequence[Fault] = (),
    work_before: Sequence[Event] = (),
    work_after: Sequence[Event] = (),
) -> Comparison:
    """Compare two passes of one chassis.

    Parameters
    ----------
    before, after : Pass
        The passes; what was replaced stands in the events of the second.
    model : ChassisModel, optional
        Gives the correction for mains, the healthy values and the change that the replaced part explains.
    faults : sequence of Fault
        Of the chassis, from `analysis.faults.faults_of`.
    work_before, work_after : sequence of Event
        Done up to the end of each pass, see `analysis.work`.

    Returns
    -------
    Comparison
        In the order of the first pass.
    """
    model = Remembered(model) if model is not None else None
    pairs, only_before, only_after = pair(before, after)
    measurands = [one.measurand for one in pairs]
    notes: list[str] = []
    causes: tuple[str, ...] = ()
    mains_known = before.mains_v is not None and after.mains_v is not None
    if not mains_known:
        notes.append("the mains was not written down for both passes: DC changes below about 3 % cannot be told")
    elif model is None and before.mains_v != after.mains_v:
        notes.append("no model of the chassis: readings are not corrected for the difference in mains")
    replaced = tuple(dict.fromkeys(e.subject for e in after.events if e.kind in REPAIRS and e.subject))
    known_before, known_after = (
        values_found(model.parameters, work) if model is not None else {} for work in (work_before, work_after)
    )
    mains = (before.mains_v or model.chassis.mains_v) / model.chassis.mains_v if model is not None else 1.0
    corrected = np.array([one.after.value for one in pairs])
    healthy = np.full(len(pairs), np.nan)
    correction = np.zeros(len(pairs))
    if model is not None and pairs:
        healthy = _predict(model, known_after, mains, measurands)
        if mains_known and before.mains_v != after.mains_v:
            there = _predict(model, known_after, (after.mains_v or 0.0) / model.chassis.mains_v, measurands)
            correction = to_state(corrected, there, healthy, measurands)
            corrected = corrected + correction
            notes.append(f"mains {before.mains_v:g} V, then {after.mains_v:g} V: changes are given at the first")
    changes, covariance = differences(pairs, corrected, mains_known=mains_known)
    covariance += np.diag((MAINS_SHARE * correction) ** 2)
    stds = np.sqrt(np.diag(covariance))
    alone = [two_sided(c / s) for c, s in zip(changes, stds, strict=True)]
    adjusted = holm(alone)
    counts = np.array([p < LEVEL for p in adjusted], dtype=bool)
    account: Explanation | None = None

    def accounted(left: np.ndarray, of_a_fault: bool = True) -> Explanation | None:
        return explain(
            model, faults if of_a_fault else (), replaced, measurands, left, covariance,
            mains=mains, measured_before=known_before, measured_after=known_after,
        ) if replaced else None  # fmt: skip

    if model is not None and pairs:
        # Many small changes that lean one way may fit a fault; where none counts, none is told of the old part.
        account = accounted(changes, of_a_fault=bool(counts.any()))
    if model is not None and replaced and pairs:
        unknown = [name for name in replaced if not _is_modelled(model, name)]
        if unknown:
            notes.append(f"not in the model, so nothing is expected of it: {', '.join(unknown)}")
    elif not replaced:
        notes.append("no part is recorded as replaced between the passes")
    verdicts = _verdicts(changes, covariance, counts, account)
    if model is not None and not _explained(verdicts):

        def is_explained(shift: np.ndarray, shift_std: np.ndarray) -> bool:
            left, wide = changes - shift, np.hypot(stds, shift_std)
            still = np.array([p < LEVEL for p in holm([two_sided(z) for z in left / wide])], dtype=bool)
            return _explained(_verdicts(left, covariance + np.diag(shift_std**2), still, accounted(left)))

        turned = turned_between(
            model,
            faults,
            replaced,
            measurands,
            corrected,
            changes,
            covariance,
            accounted,
            is_explained,
            mains=mains,
        )
        causes = (turned.words,) if turned else ()
    result = []
    for i, one in enumerate(pairs):
        expected = float(healthy[i]) if math.isfinite(healthy[i]) else None
        predicted = account is not None and math.isfinite(account.predicted[i])
        result.append(
            Change(
                measurand=one.measurand,
                later=one.later,
                before=one.before.value,
                after=one.after.value,
                before_std=one.before.std,
                after_std=one.after.std,
                corrected=float(corrected[i]),
                change=float(changes[i]),
                change_std=float(stds[i]),
                z=float(changes[i] / stds[i]),
                probability=adjusted[i],
                trend=bool(not counts[i] and alone[i] < LEVEL),
                verdict=verdicts[i],
                predicted=float(account.predicted[i]) if account and predicted else None,
                predicted_std=float(account.predicted_std[i]) if account and predicted else None,
                healthy=expected,
                direction=_nearer(one, float(changes[i]), expected) if counts[i] else "",
            )
        )
    return Comparison(
        before=before.name,
        after=after.name,
        mains_before_v=before.mains_v,
        mains_after_v=after.mains_v,
        replaced=replaced,
        changes=tuple(result),
        covariance=covariance,
        only_before=tuple(only_before),
        only_after=tuple(only_after),
        faults=account.faults if account else (),
        causes=causes,
        notes=tuple(notes),
    )


def _is_modelled(model: Predicting, name: str) -> bool:
    return any(name in (p.part, getattr(p, "section", "")) for p in model.parameters.values())


def _predict(
    model: Predicting, known: Mapping[str, tuple[float, float]], mains: float, measurands: Sequence[Measurand]
) -> np.ndarray:
    values = {key: np.full(1, value) for key, (value, _) in known.items()}
    return np.asarray(model.predict({**values, "mains": np.full(1, mains)}, measurands)[0], dtype=float)


def _verdicts(
    changes: np.ndarray, covariance: np.ndarray, counts: np.ndarray, account: Explanation | None
) -> list[str]:
    verdicts = [UNTRIED if counted else UNCHANGED for counted in counts]
    if account is None:
        return verdicts
    places = [int(i) for i in np.flatnonzero(counts)]
    known = np.isfinite(account.predicted)
    # Each against what all others leave open for it: what one control or tolerance moves, it moves together.
    precision = np.linalg.inv((covariance + account.covariance)[np.ix_(known, known)])
    residual = np.zeros(len(changes))
    residual[known] = precision @ (changes - account.predicted)[known] / np.sqrt(np.diag(precision))
    # The same rule decides whether a prediction misses: all significant readings together, one chance in twenty.
    misses = holm([two_sided(residual[i]) for i in places])
    for i, miss in zip(places, misses, strict=True):
        verdicts[i] = NOT_EXPLAINED if miss < LEVEL else AGREES
    return verdicts


def _explained(verdicts: Sequence[str]) -> bool:
    return not {NOT_EXPLAINED, UNTRIED} & set(verdicts)


def _nearer(one: Pair, change: float, healthy: float | None) -> str:
    if healthy is None:
        return ""
    off = one.before.value - healthy
    return direction_of(one.measurand, off, off + change)
