"""Gain and phase against frequency: which frequencies to take, how often, and the -3 dB corners.

A corner is where the magnitude has fallen to ``1 / sqrt(2)`` of that at the reference frequency, 1 kHz where the
sweep holds it (common practice; -3.0103 dB). Scale errors that all points share cancel in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed

from .gain import SCALES, Gain, averaged
from .uncertainty import polar_std

REFERENCE_HZ = 1000.0
DROP_DB = 20.0 * math.log10(math.sqrt(2.0))

_SLOPE = 20.0 / math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """A -3 dB frequency.

    Parameters
    ----------
    side : str
        ``low`` or ``high``.
    freq_hz, std_hz : float
        Frequency with standard uncertainty.
    reference_hz : float
        Where the reference was taken.
    """

    side: str
    freq_hz: float
    std_hz: float
    reference_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Gains of one stage at rising frequencies.

    Parameters
    ----------
    gains : tuple of Gain
        Sorted by frequency, one a frequency.
    """

    gains: tuple[Gain, ...]

    @property
    def freq_hz(self) -> np.ndarray:
        """Frequencies, shape (F,)."""
        return np.array([g.freq_hz for g in self.gains])

    @property
    def gain(self) -> np.ndarray:
        """Complex gain, shape (F,)."""
        return np.array([g.gain for g in self.gains])

    def corner(self, side: str, reference_hz: float = REFERENCE_HZ) -> Corner | None:
        """Find a -3 dB corner.

        Parameters
        ----------
        side : str
            ``low`` or ``high``.
        reference_hz : float
            Where the full gain is taken; the largest gain serves where the sweep does not hold it.

        Returns
        -------
        Corner or None
            None where the sweep does not reach it.

        Notes
        -----
        The magnitude in dB is interpolated over the logarithm of frequency by a cubic through the four nearest
        points; what a parabola through three of them says otherwise is taken as its error. The uncertainty comes
        from the covariance of all magnitudes, shared scale errors included (JCGM 102).
        """
        if side not in {"low", "high"}:
            raise ValueError(f"side {side!r} is neither low nor high")
        x = np.log(self.freq_hz)
        level = _SLOPE * np.log(np.abs(self.gain))
        if x.size < 4:
            raise FitFailed(
                f"{x.size} frequencies are too few for a corner", hint="sweep at least 4", reason="too few points"
            )
        found = _crossing(x, level, side, reference_hz, 4)
        if found is None:
            return None
        covariance = magnitude_covariance(self.gains) * _SLOPE**2
        slopes = np.zeros(x.size)
        for index in range(x.size):
            step = 1e-4
            shifted = level.copy()
            shifted[index] += step
            moved = _crossing(x, shifted, side, reference_hz, 4)
            slopes[index] = 0.0 if moved is None else (moved - found) / step
        rougher = _crossing(x, level, side, reference_hz, 3)
        curve = abs(found - rougher) / math.sqrt(3.0) if rougher is not None else 0.0
        relative = math.hypot(math.sqrt(max(0.0, float(slopes @ covariance @ slopes))), curve)
        place = _reference(x, level, reference_hz, 4)[0]
        freq = math.exp(found)
        return Corner(side=side, freq_hz=freq, std_hz=freq * relative, reference_hz=math.exp(place))


def log_frequencies(low_hz: float, high_hz: float, count: int) -> np.ndarray:
    """Frequencies in equal steps of a ratio, both ends included.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends in hertz.
    count : int
        How many, at least 2.

    Returns
    -------
    ndarray, shape (count,)
        Rounded to four digits, so that a repeated sweep meets the same frequencies.

    Examples
    --------
    >>> log_frequencies(20.0, 20000.0, 4).tolist()
    [20.0, 200.0, 2000.0, 20000.0]
    """
    if not (0 < low_hz < high_hz and count >= 2):
        raise ValueError(
            f"a sweep needs two rising frequencies and at least 2 points, got {low_hz}:{high_hz}:{count}"
        )
    steps = low_hz * (high_hz / low_hz) ** (np.arange(count) / (count - 1))
    return np.array([float(f"{step:.4g}") for step in steps])


def repeats_wanted(gains: Sequence[Gain], wanted_db: float, most: int) -> bool:
    """Whether another record is worth taking at this frequency.

    Parameters
    ----------
    gains : sequence of Gain
        Results so far at one frequency.
    wanted_db : float
        Standard uncertainty of the random part to reach, in dB; the fixed part (scales, probes) is not lowered by
        repeating and does not count.
    most : int
        Never more results than this.
    """
    if len(gains) >= most:
        return False
    if not gains:
        return True
    mean = averaged(gains)
    if mean.magnitude == 0.0:
        return True
    relative = math.sqrt(float(np.trace(mean.noise_covariance)) / 2.0) / mean.magnitude
    return _SLOPE * relative > wanted_db


def sweep(
    take: Callable[[float], Gain],
    frequencies_hz: Sequence[float],
    *,
    wanted_db: float = 0.02,
    most: int = 16,
) -> Iterator[Gain]:
    """Take a response point by point.

    Parameters
    ----------
    take : callable
        Measures once at a frequency in hertz.
    frequencies_hz : sequence of float
        In the order they are taken.
    wanted_db : float
        As `repeats_wanted`.
    most : int
        Most records a frequency.

    Yields
    ------
    Gain
        The mean at each frequency, as soon as it is there.
    """
    for freq_hz in frequencies_hz:
        results: list[Gain] = []
        while repeats_wanted(results, wanted_db, most):
            results.append(take(float(freq_hz)))
        yield averaged(results)


def magnitude_covariance(gains: Sequence[Gain]) -> np.ndarray:
    """Relative covariance of the magnitudes of several gains.

    Parameters
    ----------
    gains : sequence of Gain
        F results. Errors of one origin are the same error: the scale of one channel on one range, the division of
        the probe on one channel.

    Returns
    -------
    ndarray, shape (F, F)
        Of ``ln |H|``.
    """
    errors = [(index, *error) for index, gain in enumerate(gains) for error in _errors(gain)]
    spread = np.zeros((len(gains), len(errors)))
    for column, (index, _, signed_std) in enumerate(errors):
        spread[index, column] = signed_std
    origins = [origin for _, origin, _ in errors]
    same = np.array([[_correlation(a, b, gains[0]) for b in origins] for a in origins]).reshape(len(errors), -1)
    total: np.ndarray = spread @ same @ spread.T
    for index, gain in enumerate(gains):
        std = polar_std(gain.gain, gain.noise_covariance)[0]
        total[index, index] += (std / gain.magnitude) ** 2 if gain.magnitude else math.inf
    return total


def _errors(gain: Gain) -> Iterator[tuple[tuple[object, ...], float]]:
    """Origin and signed size of each relative error of a magnitude."""
    for item in gain.fixed:
        if item.unit or not item.std:
            continue
        is_input = "input" in item.name
        channel, full_scale_v = gain.in_range if is_input else gain.out_range
        origin: tuple[object, ...]
        if item.name.startswith("voltage scale"):
            origin = ("scale", channel, full_scale_v)
        elif item.name.startswith("probe"):
            origin = ("probe", channel)
        else:
            origin = (item.name, id(gain))  # coarse steps: met at another place each time
        yield origin, -item.std if is_input else item.std


def _correlation(first: tuple[object, ...], second: tuple[object, ...], gain: Gain) -> float:
    if first == second:
        return 1.0
    if first[0] == second[0] == "scale" and first[1] != second[1]:
        return gain.shared.get((SCALES[0], SCALES[1]), 0.0)
    return 0.0


def _reference(x: np.ndarray, level: np.ndarray, reference_hz: float, order: int) -> tuple[float, float]:
    place = math.log(reference_hz)
    if x[0] <= place <= x[-1]:
        return place, _interpolated(x, level, place, order)
    top = int(np.argmax(level))
    return float(x[top]), float(level[top])


def _crossing(x: np.ndarray, level: np.ndarray, side: str, reference_hz: float, order: int) -> float | None:
    place, full = _reference(x, level, reference_hz, 4)
    target = full - DROP_DB
    outward = np.flatnonzero(x < place)[::-1] if side == "low" else np.flatnonzero(x > place)
    inner = place
    for index in outward:
        if level[index] <= target:
            return _root(x, level, float(x[index]), inner, target, order)
        inner = float(x[index])
    return None


def _root(x: np.ndarray, level: np.ndarray, below: float, above: float, target: float, order: int) -> float:
    # Bisection: the interpolating curve is evaluated a few dozen times, and cannot leave the bracket.
    for _ in range(60):
        middle = 0.5 * (below + above)
        if _interpolated(x, level, middle, order) < target:
            below = middle
        else:
            above = middle
    return 0.5 * (below + above)


def _interpolated(x: np.ndarray, level: np.ndarray, place: float, order: int) -> float:
    """Lagrange's polynomial through the points around a place."""
    right = int(np.searchsorted(x, place))
    first = min(max(0, right - order // 2), x.size - order)
    nodes, values = x[first : first + order], level[first : first + order]
    total = 0.0
    for i in range(order):
        others = np.delete(nodes, i)
        total += float(values[i] * np.prod((place - others) / (nodes[i] - others)))
    return total
