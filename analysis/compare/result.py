"""What a comparison says: each change, and both passes together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Measurand

from ..faults import Fault
from ..judge import Judged
from .pairing import CHANGE_STD, DC_STD_WITHOUT_MAINS, shortest
from .part_value import PartValue
from .significance import LEVEL

AGREES = "agrees with the replaced part"
NOT_EXPLAINED = "changed, not explained by it"
UNCHANGED = "no significant change"
UNTRIED = "changed; no replaced part and model to explain it"
NOTHING_IN_BOTH = "nothing was read in both passes"

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
        nearer = direction_of(self.measurand, self.before - before, self.after - now.expected)
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
    faults : tuple of (Fault, float or None)
        What the changes say was wrong with the replaced parts, and the value of the parameter where it is known.
    values : tuple of PartValue
        What the replaced parts measure in circuit before and after, from `replaced_values`.
    causes : tuple of str
        What beside a fault of the replaced parts would explain changes: a control that was turned, another value
        that was fitted.
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
    faults: tuple[tuple[Fault, float | None], ...] = ()
    values: tuple[PartValue, ...] = ()
    causes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    rule: str = RULE

    def measured(
        self,
        values: tuple[PartValue, ...],
        faults: Sequence[Fault] = (),
        tolerances: Mapping[str, tuple[float, float]] | None = None,
    ) -> Comparison:
        """The same with what the replaced parts measure in circuit.

        Parameters
        ----------
        values : tuple of PartValue
            One with both ends stands for the value of its fault too, which was picked from a few on the chassis
            as drawn; without them the fault has no size. A part that measured as drawn before, and does not now,
            had no fault of its value. Changes that are not explained are not near to a fault that the part did not
            have. A new part that is worse than the old is told, and a pass whose readings fit no value.
        faults : sequence of Fault
            Of the chassis: one that was measured is called by what its size is.
        tolerances : mapping of str to (float, float), optional
            How far a part may be from what is drawn, as shares; a new part that no such value explains is told.
        """
        by_key = {one.key: one for one in values}
        found_faults = tuple(
            _sized(fault, picked, by_key, faults)
            for fault, picked in self.faults
            if self.verdict == AGREES
            or picked is None
            or fault.key not in by_key
            or not by_key[fault.key].rules_out(picked)
        )
        worse = [
            f"the new {one.part} is worse than the old one: {one.name} {one.before.text} before, {one.after.text} "
            "after; try another, and look for flux or a wire beside it"
            for one in values
            if one.is_worse
        ]
        unfit = [
            f"{name}: no value of {' and '.join(parts)} gives its readings while all else is sound, and none "
            "is told: something else is wrong there as well; `stagewalk suspects` with --pass looks at all parts"
            for name, parts in (
                (self.before, dict.fromkeys(one.part for one in values if one.before.unfit)),
                (self.after, dict.fromkeys(one.part for one in values if one.after.unfit)),
            )
            if parts
        ]
        assumed = [
            f"{part}: ripple alone does not tell lost capacitance from a high series resistance; it may be either"
            for part in dict.fromkeys(one.part for one in values if one.before.assumed or one.after.assumed)
        ]
        notes = (*self.notes, *assumed, *unfit)
        found = replace(self, values=values, faults=found_faults, causes=(*self.causes, *worse), notes=notes)
        keys = {fault.key for fault, _ in self.faults}
        others = {one.part: one for one in values if one.another_fitted and one.key in keys}
        kept = tuple((fault, value) for fault, value in found_faults if fault.key not in others)
        asked = {name: f"{name} measured {one.before.text} in circuit before, as drawn, and {one.after.text} after"
                 for name, one in others.items()}  # fmt: skip
        for one in values:
            ends = (tolerances or {}).get(one.part)
            if one.drawn is not None and one.tester is None and ends and one.after.is_beyond(one.drawn, ends):
                size = format_value(one.drawn, one.after.unit)
                asked.setdefault(one.part, f"the new {one.part} measures {one.after.text}, and {size} is drawn")
        causes = tuple(
            f"{said}: was another value fitted? If it was meant, `stagewalk note` with --replaced {name}=VALUE "
            "allows for it"
            for name, said in asked.items()
        )
        found = replace(found, causes=(*found.causes, *causes))
        if not others:
            return found
        changes = tuple(
            replace(change, verdict=NOT_EXPLAINED, predicted=None, predicted_std=None)
            if change.verdict == AGREES and not kept
            else change
            for change in self.changes
        )
        return replace(found, faults=kept, changes=changes)

    @property
    def verdict(self) -> str:
        """Verdict of the whole: the gravest of any reading; ``NOTHING_IN_BOTH`` where there is none to look at."""
        if not self.changes:
            return NOTHING_IN_BOTH
        found = {change.verdict for change in self.changes}
        return next((verdict for verdict in (NOT_EXPLAINED, UNTRIED, AGREES) if verdict in found), UNCHANGED)

    @property
    def still_out(self) -> tuple[Change, ...]:
        """What did not change, and lies outside the band of a healthy chassis."""
        return tuple(c for c in self.changes if not c.significant and c.now in {"low", "high"})

    @property
    def remarks(self) -> tuple[str, ...]:
        """All that is to be said beside changes and verdict."""
        return (*self.causes, *self.notes)

    @property
    def significant(self) -> tuple[Change, ...]:
        """Changes that count."""
        return tuple(change for change in self.changes if change.significant)

    @property
    def parts_words(self) -> str:
        """What was replaced, in general: one part or more."""
        return "the replaced parts" if len(self.replaced) > 1 else "the replaced part"

    @property
    def passes_words(self) -> str:
        """Which passes, and what was replaced between them."""
        replaced = f" ({', '.join(self.replaced)} replaced)" if self.replaced else ""
        return f"{self.before} to {self.after}{replaced}"

    @property
    def verdict_words(self) -> str:
        """The verdict as people read it behind `passes_words`."""
        many = len(self.replaced) > 1
        untried = (
            f"no model tells whether {self.parts_words} explain{'' if many else 's'} it"
            if self.replaced
            else "no part is recorded as replaced that could explain it"
        )
        return {
            AGREES: f"agrees with {self.parts_words}",
            NOT_EXPLAINED: f"changed, not explained by {'them' if many else 'it'}",
            UNTRIED: f"changed; {untried}",
        }.get(self.verdict, self.verdict)

    @property
    def fit_words(self) -> str:
        """What the faults found in the replaced parts are to the changes."""
        one = len(self.significant) == 1
        if self.verdict == NOT_EXPLAINED:
            return f"nearest to the {'change' if one else 'changes'}, but no fit"
        return "the change fits" if one else "the changes fit"


def _sized(
    fault: Fault, picked: float | None, measured: Mapping[str, PartValue], faults: Sequence[Fault]
) -> tuple[Fault, float | None]:
    """A fault with its size as it was measured, under the name that goes with that: 1.9 uF of 22 uF is not open,
    and where series resistance was taken as sound the ripple is of lost capacitance."""
    one = measured.get(fault.key)
    if one is None or picked is None:
        return fault, picked
    key, size = fault.key, one.size_of(picked)
    likely = size
    if one.before.assumed and one.part in measured:
        key, size = one.part, measured[one.part].before.value
        likely = size or measured[one.part].before.high or measured[one.part].before.low
    if likely is None:
        return fault, None

    def beyond(other: Fault) -> float:
        return max(math.log(min(other.values) / likely), math.log(likely / max(other.values)), 0.0)

    same = [other for other in faults if (other.key, other.part, other.section) == (key, fault.part, fault.section)]
    return min([fault, *same] if key == fault.key else same or [fault], key=beyond), size


def direction_of(measurand: Measurand, was: float, now: float) -> str:
    """Whether a reading came nearer, ``toward``, or not, ``away``.

    Parameters
    ----------
    measurand : Measurand
        What was read.
    was, now : float
        How far off it was and is.
    """
    if measurand.quantity == "phase_deg":
        was, now = shortest(was), shortest(now)
    return "toward" if abs(now) < abs(was) else "away"
