"""Two passes compared: each change with its uncertainty, its significance and its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from acquisition.records import REPAIRS, Event, Measurand, Pass

from ..faults import Fault
from ..judge import Judged
from ..work import values_found
from .controls import turned_between
from .explanation import Explanation, Predicting, explain, to_state
from .in_circuit import PartValue
from .pairing import CHANGE_STD, DC_STD_WITHOUT_MAINS, Pair, differences, pair, shortest
from .significance import LEVEL, holm, two_sided

AGREES = "agrees with the replaced part"
NOT_EXPLAINED = "changed, not explained by it"
UNCHANGED = "no significant change"
UNTRIED = "changed; no replaced part and model to explain it"
NOTHING_IN_BOTH = "nothing was read in both passes"

MAINS_SHARE = 0.1
"""Standard uncertainty of a correction for mains, as a share of it (common practice, no source)."""

RULE = (
    "A change counts when its probability by chance, adjusted for the number of readings compared (Holm 1979), is "
    f"below {LEVEL:.0%}: an untouched chassis then shows no change in at least {1 - LEVEL:.0%} of comparisons. "
    "Uncertainties are combined as JCGM 100 says; the gain error that two readings of one instrument on one range "
    "share cancels. A point touched again does not repeat exactly, so that the standard uncertainty of a change is "
    f"never taken smaller than {CHANGE_STD['dc_v'][0]:.1%} of the larger reading on DC "
    f"({DC_STD_WITHOUT_MAINS:.1%} where the mains of a pass was not written down), {CHANGE_STD['pp_v'][0]:.0%} "
    f"of a signal or gain, {CHANGE_STD['phase_deg'][1]:g}° of phase, {CHANGE_STD['ripple_pp_v'][0]:.0%} of ripple "
    f"and {CHANGE_STD['thd_pct'][0]:.0%} of distortion, and a little more near zero; the errors of two instruments "
    "or ranges do not cancel and come on top; intervals are twice that. "
    "A trend is a change that would count if it had been the only one looked at."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One measurand before and after.

    Parameters
    ----------
    measurand : Measurand
        What was read, as the first pass names it.
    before, after : float
        As read, in the unit of the quantity.
    before_std, after_std : float
        Standard uncertainty of each.
    corrected : float
        ``after`` at the mains of the first pass.
    change, change_std : float
        ``corrected - before`` and its standard uncertainty, shared errors left out.
    z : float
        Change over its uncertainty.
    probability : float
        Of such a change by chance, adjusted for the number of comparisons.
    trend : bool
        Not significant among so many, but it would be alone.
    verdict : str
        ``AGREES``, ``NOT_EXPLAINED``, ``UNCHANGED`` or ``UNTRIED``.
    predicted, predicted_std : float, optional
        Change the replaced part should have made.
    healthy : float, optional
        What the model shows for a healthy chassis at the mains of the first pass; see `judged`.
    direction : str
        ``toward``, ``away`` or empty, of the healthy value; for significant changes.
    was, now : str
        Verdict of each reading against the band of a healthy chassis, as `analysis.judge` gives it; empty without
        bands.
    said : str
        The second verdict as people read it.
    later : Measurand, optional
        As the second pass names it, where another line of the hum is strongest there.
    """

    measurand: Measurand
    before: float
    after: float
    before_std: float
    after_std: float
    corrected: float
    change: float
    change_std: float
    z: float
    probability: float
    trend: bool
    verdict: str
    predicted: float | None = None
    predicted_std: float | None = None
    healthy: float | None = None
    direction: str = ""
    was: str = ""
    now: str = ""
    said: str = ""
    later: Measurand | None = None

    @property
    def significant(self) -> bool:
        """Whether the change counts."""
        return self.verdict != UNCHANGED

    def judged(self, was: Judged | None, now: Judged | None) -> Change:
        """The same with the verdict on each reading, and the healthy value that the second one was held against.

        Parameters
        ----------
        was, now : Judged, optional
            Verdicts on both readings, each against a healthy chassis with the rails and mains of its own pass.
        """
        found = replace(
            self,
            was=was.verdict if was else "",
            now=now.verdict if now else "",
            said=now.words if now else "",
        )
        if now is None or not math.isfinite(now.expected):
            return found
        before = was.expected if was is not None and math.isfinite(was.expected) else now.expected
        nearer = _direction(self.measurand, self.before - before, self.after - now.expected)
        return replace(found, healthy=now.expected, direction=nearer if self.significant else "")

    @property
    def moved(self) -> str:
        """Where a change that counts led to, in words: a value that moves inside its band is nobody's concern."""
        if not self.significant:
            return ""
        if not self.now:
            return {"toward": "closer", "away": "further off"}.get(self.direction, "")
        was_out = self.was in {"low", "high"}
        if self.now in {"low", "high"}:
            way = "closer, still" if self.direction == "toward" else "further off," if was_out else "out of band,"
            return f"{way} {self.said or self.now}"
        if not was_out:
            return "still in band"
        return "back in band" if self.now == "agrees" else "back at its edge"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Two passes compared.

    Parameters
    ----------
    before, after : str
        Names of the passes.
    mains_before_v, mains_after_v : float, optional
        Mains of each.
    replaced : tuple of str
        Parts and sockets replaced before the second pass.
    changes : tuple of Change
        One a measurand read in both.
    covariance : ndarray, shape (M, M)
        Of the changes.
    only_before, only_after : tuple of Measurand
        Read in one pass only.
    faults : tuple of (Fault, float)
        What the changes say was wrong with the replaced parts, and the value of the parameter.
    values : tuple of PartValue
        What the replaced parts measure in circuit before and after, from `replaced_values`.
    notes : tuple of str
        What limits the comparison.
    rule : str
        When a change counts, in words.
    """

    before: str
    after: str
    mains_before_v: float | None
    mains_after_v: float | None
    replaced: tuple[str, ...]
    changes: tuple[Change, ...]
    covariance: np.ndarray
    only_before: tuple[Measurand, ...] = ()
    only_after: tuple[Measurand, ...] = ()
    faults: tuple[tuple[Fault, float], ...] = ()
    values: tuple[PartValue, ...] = ()
    notes: tuple[str, ...] = ()
    rule: str = RULE

    def measured(self, values: tuple[PartValue, ...]) -> Comparison:
        """The same with what the replaced parts measure in circuit.

        Parameters
        ----------
        values : tuple of PartValue
            One with both ends stands for the value of its fault too, which was picked from a few on the chassis as
            drawn. A part that measured as drawn before, and does not now, had no fault of its value.
        """
        told = {}
        for one in values:
            if one.before.value is not None:
                key = one.part if one.what == "value" else f"{one.part}.{one.what}"
                told[key] = 1.0 / one.before.value if one.what == "leak" else one.before.value
        faults = tuple((fault, told.get(fault.key, value)) for fault, value in self.faults)
        found = replace(self, values=values, faults=faults)
        keys = {fault.key for fault, _ in faults}
        others = {one.part: one for one in values if one.another_fitted and one.part in keys}
        kept = tuple((fault, value) for fault, value in faults if fault.key not in others)
        if not others:
            return found
        notes = tuple(
            f"{name} measured {one.before.text} in circuit before, as drawn, and {one.after.text} after: was "
            f"another value fitted? If it was meant, `stagewalk note` with --replaced {name}=VALUE allows for it"
            for name, one in others.items()
        )
        changes = tuple(
            replace(change, verdict=NOT_EXPLAINED, predicted=None, predicted_std=None)
            if change.verdict == AGREES and not kept
            else change
            for change in self.changes
        )
        return replace(found, faults=kept, notes=(*self.notes, *notes), changes=changes)

    @property
    def verdict(self) -> str:
        """Verdict of the whole: the gravest of any reading; ``NOTHING_IN_BOTH`` where there is none to look at."""
        if not self.changes:
            return NOTHING_IN_BOTH
        found = {change.verdict for change in self.changes}
        return next((verdict for verdict in (NOT_EXPLAINED, UNTRIED, AGREES) if verdict in found), UNCHANGED)

    @property
    def fit_words(self) -> str:
        """What the faults found in the replaced parts are to the changes."""
        is_part = self.verdict == NOT_EXPLAINED
        return "nearest to the changes, but no fit" if is_part else "the changes fit"


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
    pairs, only_before, only_after = pair(before, after)
    measurands = [one.measurand for one in pairs]
    notes: list[str] = []
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

    def accounted(left: np.ndarray) -> Explanation | None:
        return explain(
            model, faults, replaced, measurands, left, covariance,
            mains=mains, measured_before=known_before, measured_after=known_after,
        ) if replaced else None  # fmt: skip

    if model is not None and pairs:
        account = accounted(changes)
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
        notes += [turned.words] if turned else []
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
    return _direction(one.measurand, off, off + change)


def _direction(measurand: Measurand, was: float, now: float) -> str:
    """By how far a reading is off before and after."""
    if measurand.quantity == "phase_deg":
        was, now = shortest(was), shortest(now)
    return "toward" if abs(now) < abs(was) else "away"
