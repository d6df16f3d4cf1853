"""Readings of two passes brought together, and the uncertainty of their differences with what cancels left out.

Two readings of one instrument on one range share its gain error g (rule E13 of bench practice): between two states
of the same chassis it cancels, but for ``g * (after - before)``. What remains of each reading's own uncertainty,
and the repeatability of touching a point again, do not cancel. So, for changes d of readings x1, x2 with
uncertainties u1, u2:

    w^2 = u^2 - (g x)^2    and    cov(d_i, d_j) = g^2 d_i d_j + [i = j] max(w1^2 + w2^2, (rho max(|x1|, |x2|))^2)

(JCGM 100:2008, 5.2.2 and F.1.2.3). After a range change or on another instrument both errors are there in full,
and the repeatability besides, so that the sum takes the place of the larger. But all readings of one instrument on
one range have the same error: with g_k for each of these, and s_ik = x2 where it took the second reading of i, less
x1 where it took the first,

    cov(d_i, d_j) = sum over k of g_k^2 s_ik s_jk    + on the diagonal what is not shared.

An unknown instrument shares nothing. Gain and phase keep the range of the output only; that of the input goes with
the drive, so another drive is another range, and an unknown one shares nothing either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquisition.records import JUDGED_QUALITIES, RELATIVE_QUANTITIES, Measurand, Pass, Reading

from ..judge import Judged
from ..uncertainty import meter_std

CHANGE_STD = {
    "dc_v": (0.005, 0.002), "pp_v": (0.01, 0.0003), "rms_v": (0.01, 0.0001), "gain": (0.01, 0.0005),
    "phase_deg": (0.0, 1.0), "ripple_pp_v": (0.06, 0.0003), "thd_pct": (0.1, 0.02),
    "cold_ohm": (0.005, 0.2),
}  # fmt: skip
"""Repeatability of a change, k = 1, relative and absolute. Half of the k = 2 starting limits of bench practice B4:
DC 1 %, gain 2 % on one channel, ripple 1 dB (common practice, no source)."""

DC_STD_WITHOUT_MAINS = 0.015
"""The same for DC when the mains of a pass was not written down (B4: 3 % at k = 2)."""

SAME_FREQUENCY = 0.01
"""Two readings are of one frequency, or one drive, when they differ by less than this."""

ANY_LINE = frozenset({"dc_v", "ripple_pp_v"})
"""Quantities that are one thing whatever frequency stands beside them: a cure may leave another line of the hum
strongest, or none."""

SHARED_FROM = 0.1
"""Only readings above this share of the range tell its gain error; digits dominate the others."""


_Key = tuple[str, float, str, float | None]
"""Instrument, range, quantity, and drive where the range of the input goes with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """All readings of one measurand in one pass.

    Parameters
    ----------
    value : float
        Mean, in the unit of the quantity.
    std : float
        Standard uncertainty of the mean.
    scatter_variance, dof : float, int
        Sum of squared deviations of repeats, and their degrees of freedom.
    group : tuple of str, float, optional
        Instrument and range, whose gain error is shared; None when either is unknown or mixed.
    drive_pp_v : float, optional
        Generator amplitude, volts peak to peak; None when it is unknown or mixed.
    """

    value: float
    std: float
    scatter_variance: float
    dof: int
    group: tuple[str, float] | None
    drive_pp_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One measurand read in both passes.

    Parameters
    ----------
    measurand : Measurand
        As the first pass names it.
    later : Measurand, optional
        As the second pass names it, where it names another line.
    before, after : Side
        Its readings in each pass.
    """

    measurand: Measurand
    later: Measurand | None
    before: Side
    after: Side


def pair(before: Pass, after: Pass) -> tuple[list[Pair], list[Measurand], list[Measurand]]:
    """Bring readings of the same measurand together; repeats are averaged.

    Parameters
    ----------
    before, after : Pass
        Two passes of one chassis.

    Returns
    -------
    pairs : list of Pair
        In the order of the first pass.
    only_before, only_after : list of Measurand
        What the other pass lacks.
    """
    first, second = collect(before.readings), collect(after.readings)
    pairs, only_before, used = [], [], set()
    for measurand, readings in first:
        for place, (other, found) in enumerate(second):
            if place not in used and same(measurand, other):
                used.add(place)
                later = other_line(measurand, other)
                pairs.append(Pair(measurand=measurand, later=later, before=side_of(readings), after=side_of(found)))
                break
        else:
            only_before.append(measurand)
    return pairs, only_before, [other for place, (other, _) in enumerate(second) if place not in used]


def collect(readings: Sequence[Reading]) -> list[tuple[Measurand, list[Reading]]]:
    """Readings that are judged, those of one measurand together, in the order of the first of each.

    Parameters
    ----------
    readings : sequence of Reading
        Of one pass.

    Returns
    -------
    list of (Measurand, list of Reading)
        Each named as `common` names it. Of gains at several drives those at the smallest, or the mean of a stage
        that was driven until it clips would be less than its gain.
    """
    found: list[tuple[Measurand, list[Reading]]] = []
    for reading in readings:
        if reading.quality not in JUDGED_QUALITIES:
            continue
        for measurand, kept in found:
            if same(measurand, reading.measurand):
                kept.append(reading)
                break
        else:
            found.append((reading.measurand, [reading]))
    straight = [_at_smallest_drive(kept) for _, kept in found]
    return [(common([reading.measurand for reading in kept]), kept) for kept in straight]


def _at_smallest_drive(readings: list[Reading]) -> list[Reading]:
    """Those that a stage did not bend; of another quantity all, which are of one drive."""
    drives = [reading.drive_pp_v for reading in readings if reading.drive_pp_v is not None]
    if readings[0].quantity not in RELATIVE_QUANTITIES or not drives:
        return readings
    least = min(drives)
    return [r for r in readings if r.drive_pp_v is None or _near(r.drive_pp_v, least)]


def same(one: Measurand, other: Measurand) -> bool:
    """Whether two measurands are one: same point and quantity, nearly one drive and frequency where these count.

    Parameters
    ----------
    one, other : Measurand
        Of two readings.
    """
    # A gain hardly depends on the drive; a voltage is proportional to it.
    drives = one.quantity in RELATIVE_QUANTITIES or _near(one.drive_pp_v, other.drive_pp_v)
    lines = one.quantity in ANY_LINE or _near(one.freq_hz, other.freq_hz)
    return (one.point, one.quantity) == (other.point, other.quantity) and drives and lines


def other_line(one: Measurand, other: Measurand) -> Measurand | None:
    """The second of two names of a measurand, where it has another frequency than the first; None where it has not.

    Parameters
    ----------
    one, other : Measurand
        Of two readings that are of the `same`.
    """
    return None if _near(one.freq_hz, other.freq_hz) else other


def common(measurands: Sequence[Measurand]) -> Measurand:
    """The name of what several readings are of: the first, without its frequency where another names another line.

    Parameters
    ----------
    measurands : sequence of Measurand
        At least one, all of the `same`.
    """
    first = measurands[0]
    return replace(first, freq_hz=None) if any(other_line(first, one) for one in measurands) else first


def judged_of(judged: Sequence[Judged], measurand: Measurand) -> Judged | None:
    """The last verdict on a measurand, None without one.

    Parameters
    ----------
    judged : sequence of Judged
        Of one pass.
    measurand : Measurand
        As any pass names it.
    """
    return next((one for one in reversed(judged) if same(one.reading.measurand, measurand)), None)


def _near(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= SAME_FREQUENCY * max(abs(one), abs(other))


def side_of(readings: Sequence[Reading]) -> Side:
    """Mean of the repeats of one measurand in one pass, with its uncertainty.

    Parameters
    ----------
    readings : sequence of Reading
        At least one, all of the same measurand.
    """
    reference = readings[0].value
    phase = readings[0].quantity == "phase_deg"
    values = np.array([reference + shortest(r.value - reference) if phase else r.value for r in readings])
    mean = float(values.mean())
    squares = float(((values - mean) ** 2).sum())
    dof = len(values) - 1
    own = float(np.mean([meter_std(reading) for reading in readings]))
    # The instrument's uncertainty is common to its repeats and does not average out; their scatter does.
    std = math.hypot(own, math.sqrt(squares / dof / len(values))) if dof else own
    groups = {(reading.instrument, reading.range_v) for reading in readings}
    instrument, range_v = groups.pop()
    known = not groups and instrument and range_v is not None
    group = (instrument, range_v) if known and range_v is not None else None
    drive_pp_v = readings[0].drive_pp_v
    if any(not _near(reading.drive_pp_v, drive_pp_v) for reading in readings):
        drive_pp_v = None
    return Side(value=mean, std=std, scatter_variance=squares, dof=dof, group=group, drive_pp_v=drive_pp_v)


def shortest(degrees: float) -> float:
    """An angle the short way round, in (-180, 180].

    Parameters
    ----------
    degrees : float
        Any angle in degrees.
    """
    return -((-degrees + 180.0) % 360.0 - 180.0)


def differences(
    pairs: Sequence[Pair], corrected: np.ndarray, *, mains_known: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Changes and their covariance.

    Parameters
    ----------
    pairs : sequence of Pair
        M pairs.
    corrected : ndarray, shape (M,)
        After-values, corrected to the mains of the first pass.
    mains_known : bool
        The mains of both passes was written down.

    Returns
    -------
    changes : ndarray, shape (M,)
        After minus before, each in its own unit.
    covariance : ndarray, shape (M, M)
        Of the changes.
    """
    changes = np.array([c - p.before.value for p, c in zip(pairs, corrected, strict=True)])
    for index, one in enumerate(pairs):
        if one.measurand.quantity == "phase_deg":
            changes[index] = shortest(float(changes[index]))
    keys = _keys(pairs)
    errors = _gain_errors(pairs, keys)
    slopes = {key: np.zeros(len(pairs)) for key in errors}
    unshared = np.zeros(len(pairs))
    for index, (one, (first, second)) in enumerate(zip(pairs, keys, strict=True)):
        same_errors = first is not None and first == second
        size = max(abs(one.before.value), abs(one.after.value))
        kept = one.before.std**2 + one.after.std**2
        if same_errors and one.measurand.quantity == "phase_deg":
            kept -= 2.0 * min(one.before.std, one.after.std) ** 2  # skew of the channels, the same both times
        if first in errors:
            kept -= (errors[first] * one.before.value) ** 2
            slopes[first][index] -= one.before.value
        if second in errors:
            kept -= (errors[second] * one.after.value) ** 2
            slopes[second][index] += corrected[index]
        repeat = _repeat_variance(one, size, mains_known)
        if not same_errors:
            kept += repeat
        unshared[index] = max(kept, repeat, _scatter_variance(one), 1e-24)
    covariance = np.diag(unshared)
    for key, slope in slopes.items():
        covariance += errors[key] ** 2 * np.outer(slope, slope)
    return changes, covariance


def _keys(pairs: Sequence[Pair]) -> list[tuple[_Key | None, _Key | None]]:
    """Whose gain error the readings of each pair have, before and after; None where nobody knows."""
    drives: list[float] = []

    def key(side: Side, kind: str) -> _Key | None:
        if side.group is None or kind not in RELATIVE_QUANTITIES:
            return None if side.group is None else (*side.group, kind, None)
        if side.drive_pp_v is None:
            return None
        drive_pp_v = next((one for one in drives if _near(one, side.drive_pp_v)), None)
        if drive_pp_v is None:
            drives.append(drive_pp_v := side.drive_pp_v)
        return (*side.group, kind, drive_pp_v)

    return [(key(one.before, one.measurand.quantity), key(one.after, one.measurand.quantity)) for one in pairs]


def _gain_errors(pairs: Sequence[Pair], keys: Sequence[tuple[_Key | None, ...]]) -> dict[_Key | None, float]:
    """Relative gain error of each instrument on each range: no more than the smallest relative uncertainty it
    stated."""
    found: dict[_Key | None, float] = {}
    for one, two in zip(pairs, keys, strict=True):
        if one.measurand.quantity in {"phase_deg", "thd_pct"}:
            continue
        for side, key in zip((one.before, one.after), two, strict=True):
            enough = SHARED_FROM * key[1] if key is not None and one.measurand.quantity != "gain" else 0.0
            if key is not None and abs(side.value) > enough:
                found[key] = min(found.get(key, math.inf), side.std / abs(side.value))
    return found


def _repeat_variance(one: Pair, size: float, mains_known: bool) -> float:
    relative, absolute = CHANGE_STD[one.measurand.quantity]
    if one.measurand.quantity == "dc_v" and not mains_known:
        relative = DC_STD_WITHOUT_MAINS
    return float((relative * size) ** 2 + absolute**2)


def _scatter_variance(one: Pair) -> float:
    """Of a change, as readings that were taken more than once repeat."""
    dof = one.before.dof + one.after.dof
    return 2.0 * (one.before.scatter_variance + one.after.scatter_variance) / dof if dof else 0.0
