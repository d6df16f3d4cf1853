"""What drifted over the years: the visits of one chassis, a straight line through each reading, its uncertainty.

The slope is the ordinary least-squares one: no visit counts more than another because its meter was better.
Its standard uncertainty is the larger of two: what the stated uncertainties of the readings give, those of one
instrument taken together, and what the scatter about the line gives (JCGM 100:2008, H.3), with Student's t for the
few degrees of freedom. Where the visits scatter more than they state, the uncertainty of a change grows with them,
by the ratio of R. Birge, Phys. Rev. 40 (1932) 207 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from acquisition.records import Measurand, Reading

from .compare.pairing import CHANGE_STD, DC_STD_WITHOUT_MAINS, collect, common, same, shortest, side_of
from .compare.significance import LEVEL, holm, two_sided
from .uncertainty import coverage_factor

DAYS_A_YEAR = 365.25
MIN_VISITS = 3
"""A straight line through two visits has no scatter, and nothing to say about itself."""

MIN_SPAN_DAYS = 30.0
"""Visits of fewer days tell what happened at the bench, not how a chassis ages. Common practice, no source."""

MAINS_SHARE = 0.1
"""Standard uncertainty of a correction for mains, as a share of it (common practice, no source)."""


class Predicting(Protocol):
    """What is asked of a model of the chassis."""

    def predict(self, values: Mapping[str, Any], measurands: Sequence[Measurand]) -> np.ndarray:
        """Readings, shape (S, M)."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One pass of one job.

    Parameters
    ----------
    job, pass_name : str
        Where the readings are kept.
    days : float
        When it was made, in days from any fixed date.
    readings : tuple of Reading
        Of the pass.
    mains_v : float, optional
        Mains during it, volts rms.
    replaced : tuple of str
        Parts and sockets changed since the visit before.
    pulled : tuple of str
        Sockets whose tubes were out.
    """

    job: str
    pass_name: str
    days: float
    readings: tuple[Reading, ...]
    mains_v: float | None = None
    replaced: tuple[str, ...] = ()
    pulled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One reading of one visit, ready to be set beside the others.

    Parameters
    ----------
    visit : Visit
        When it was taken.
    value : float
        As read; the mean where a pass has it more than once.
    corrected, std : float
        The same at the nominal mains, and its standard uncertainty, repeatability of a touch included.
    own_std : float
        What of it is the instrument's own: its readings on one range are off alike.
    group : tuple of str, float, optional
        Instrument and range; None where nobody knows them.
    """

    visit: Visit
    value: float
    corrected: float
    std: float
    own_std: float = 0.0
    group: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One measurand over the visits.

    Parameters
    ----------
    measurand : Measurand
        What was read; without a frequency where the visits name several.
    stands : tuple of Stand
        By date; at least two.
    changes : tuple of float
        Of each of these against the first at nominal mains, a phase the short way round.
    change, change_std : float
        Last minus first at nominal mains, and its standard uncertainty; with a rate, not less than the scatter
        about it tells.
    rate, rate_std : float, optional
        Slope a year and its standard uncertainty; None below three visits, or where they lie within 30 days.
    rate_low, rate_high : float, optional
        95 % interval of the slope.
    probability : float
        Of such a slope (of such a change, where there is no slope) by chance, adjusted for the number of measurands
        looked at (Holm 1979).
    """

    measurand: Measurand
    stands: tuple[Stand, ...]
    changes: tuple[float, ...]
    change: float
    change_std: float
    rate: float | None
    rate_std: float | None
    rate_low: float | None
    rate_high: float | None
    probability: float

    @property
    def drifted(self) -> bool:
        """Whether it counts: in at least 95 % of unchanged chassis nothing at all would."""
        return self.probability < LEVEL

    @property
    def rises(self) -> bool:
        """Whether it goes up: by the slope, which all visits tell, where there is one."""
        return (self.change if self.rate is None else self.rate) > 0


def trends(visits: Sequence[Visit], model: Predicting | None = None, mains_v: float | None = None) -> list[Trend]:
    """Set the visits of one chassis side by side.

    Parameters
    ----------
    visits : sequence of Visit
        Any order.
    model : optional
        Model of the chassis, to bring each reading to the nominal mains.
    mains_v : float, optional
        Nominal mains, volts rms; needed with a model.

    Returns
    -------
    list of Trend
        One a measurand that two visits and more have, in the order of the first visit.
    """
    found: list[tuple[list[Measurand], list[Stand]]] = []
    for visit in sorted(visits, key=lambda visit: visit.days):
        groups = collect(visit.readings)
        factors = _factors(visit, [measurand for measurand, _ in groups], model, mains_v)
        for (measurand, readings), factor in zip(groups, factors, strict=True):
            known = next((one for one in found if same(one[0][0], measurand)), None)
            if known is None:
                found.append(known := ([], []))
            known[0].append(measurand)
            known[1].append(_stand(visit, readings, factor))
    result = [_trend(common(names), stands) for names, stands in found if len(stands) > 1]
    adjusted = holm([trend.probability for trend in result])
    return [replace(trend, probability=p) for trend, p in zip(result, adjusted, strict=True)]


def _factors(
    visit: Visit, measurands: Sequence[Measurand], model: Predicting | None, mains_v: float | None
) -> list[float]:
    """What brings each reading to the nominal mains; 1 where the model does not say."""
    factors = [1.0] * len(measurands)
    if model is None or not visit.mains_v or not mains_v or not measurands:
        return factors
    here, nominal = model.predict({"mains": np.array([visit.mains_v / mains_v, 1.0])}, measurands)
    for index, measurand in enumerate(measurands):
        ratio = float(nominal[index] / here[index]) if here[index] else math.nan
        if measurand.quantity != "phase_deg" and 0.5 < ratio < 2.0:
            factors[index] = ratio
    return factors


def _stand(visit: Visit, readings: Sequence[Reading], factor: float) -> Stand:
    side = side_of(readings)
    quantity = readings[0].quantity
    relative, absolute = CHANGE_STD[quantity]
    if quantity == "dc_v" and not visit.mains_v:
        relative = DC_STD_WITHOUT_MAINS
    # These are of the difference of two touches; one touch has half of its variance.
    repeat = math.hypot(relative * side.value, absolute) / math.sqrt(2.0)
    std = math.hypot(math.hypot(side.std, repeat) * factor, MAINS_SHARE * side.value * (factor - 1.0))
    return Stand(
        visit=visit,
        value=side.value,
        corrected=side.value * factor,
        std=std,
        own_std=side.std * factor,
        group=side.group,
    )


def _stated(stands: Sequence[Stand], away: np.ndarray) -> float:
    """Uncertainty of ``away @ values`` as the readings state theirs.

    Visits with another meter from some year on are off together, which looks like a slope; visits with one meter
    are off alike, but over years a meter moves too. So it is the larger of both: each reading on its own, and those
    of one instrument on one range together.
    """
    alone = float(np.linalg.norm([a * stand.std for a, stand in zip(away, stands, strict=True)]))
    together: dict[object, float] = {}
    for place, (a, stand) in enumerate(zip(away, stands, strict=True)):
        key = stand.group or place
        together[key] = together.get(key, 0.0) + a * stand.own_std
    rest = [a * math.sqrt(max(0.0, s.std**2 - s.own_std**2)) for a, s in zip(away, stands, strict=True)]
    return max(alone, math.hypot(*together.values(), *rest))


def _trend(measurand: Measurand, stands: Sequence[Stand]) -> Trend:
    start = stands[0].corrected
    changes = np.array([stand.corrected - start for stand in stands])
    if measurand.quantity == "phase_deg":
        changes = np.array([shortest(float(change)) for change in changes])
    change, change_std = float(changes[-1]), math.hypot(stands[0].std, stands[-1].std)
    rate = rate_std = low = high = None
    probability = two_sided(change / change_std)
    years = np.array([stand.visit.days for stand in stands]) / DAYS_A_YEAR
    if len(np.unique(years)) >= MIN_VISITS and np.ptp(years) >= MIN_SPAN_DAYS / DAYS_A_YEAR:
        from scipy.special import stdtr

        std = np.array([stand.std for stand in stands])
        away = years - years.mean()
        spread = float(away @ away)
        rate = float(away @ changes) / spread
        dof = len(changes) - 2
        scatter = changes - changes.mean() - rate * away
        stated = _stated(stands, away) / spread
        seen = max(math.sqrt(float(scatter @ scatter) / dof / spread), 1e-12 * stated)
        half = max(coverage_factor(1.0 - LEVEL) * stated, coverage_factor(1.0 - LEVEL, dof) * seen)
        rate_std, low, high = max(stated, seen), rate - half, rate + half
        change_std *= max(1.0, math.sqrt(float(((scatter / std) ** 2).sum()) / dof))
        probability = max(two_sided(rate / stated), 2.0 * float(stdtr(dof, -abs(rate / seen))))
    return Trend(
        measurand=measurand,
        stands=tuple(stands),
        changes=tuple(changes.tolist()),
        change=change,
        change_std=change_std,
        rate=rate,
        rate_std=rate_std,
        rate_low=low,
        rate_high=high,
        probability=probability,
    )
