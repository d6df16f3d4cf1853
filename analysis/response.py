"""Gain and phase against frequency: which frequencies to take, how often, and the -3 dB corners.

A corner is where the magnitude has fallen to ``1 / sqrt(2)`` of that at the reference frequency, 1 kHz where the
sweep holds it (common practice; -3.0103 dB). Scale errors that all points share cancel in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed

from .gain import COUPLINGS, SCALES, Gain, averaged
from .uncertainty import polar_std

REFERENCE_HZ = 1000.0

RISING = 0.01
"""Where the last two gains of a sweep differ by more, its end is no place of full gain."""

CLOSEST_RATIO = 1.004
"""Ratio of neighbouring frequencies of a sweep: nearer ones, of four digits, would be taken for one another when a
sweep is gone on with."""

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

        Raises
        ------
        FitFailed
            Too few frequencies, one without output, or the largest gain stands at the end of the sweep and rises
            there still.

        Notes
        -----
        ``1 / |H|^2`` is interpolated over ``f^-2`` or ``f^2`` by a cubic through the four nearest points; what the
        parabolas through three of them say otherwise is taken as its standard uncertainty: of a steep or
        peaking response with two or three points a decade the error is about as large. The full gain is a cubic
        over ``ln f``, held against quartics as well. The rest comes from the covariance of all magnitudes, shared
        scale errors included (JCGM 102).
        """
        if side not in {"low", "high"}:
            raise ValueError(f"side {side!r} is neither low nor high")
        if len(self.gains) < 4:
            raise FitFailed(
                f"{len(self.gains)} frequencies are too few for a corner",
                hint="sweep at least 4",
                reason="too few points",
            )
        freq, size = self.freq_hz, np.abs(self.gain)
        if not size.all():
            raise FitFailed(
                f"there is no output at {freq[np.argmin(size)]:g} Hz",
                hint="raise the drive, or end the sweep before that",
                reason="no output",
            )
        reference, full, rougher = _reference(freq, size, reference_hz)
        end, word = (0, "lowest") if side == "high" else (-1, "highest")
        if reference == freq[end] != reference_hz and size[1 if end == 0 else -2] < (1 - RISING) * size[end]:
            raise FitFailed(
                f"the gain still rises at the {word} frequency of the sweep",
                hint=f"a sweep that holds {reference_hz:g} Hz tells what the full gain is",
                reason="no full gain",
            )
        target = math.exp(float(full @ np.log(size))) / math.sqrt(2.0)
        bracket = _bracket(freq, size, side, reference, target)
        if bracket is None:
            return None
        first = _first(freq, math.sqrt(bracket[0] * bracket[1]), 4)
        place, slopes = _root(freq, size, side, bracket, target, first, 4)
        rough = [_root(freq, size, side, bracket, target, start, 3)[0] for start in (first, first + 1)]
        by_level = float(np.sum(slopes))
        slopes = slopes - by_level * full
        spread = float(slopes @ magnitude_covariance(self.gains) @ slopes)
        curve = math.hypot(
            max(abs(math.log(other / place)) for other in rough),
            by_level * max(abs(float((full - other) @ np.log(size))) for other in rougher),
        )
        return Corner(
            side=side,
            freq_hz=place,
            std_hz=place * math.hypot(math.sqrt(max(0.0, spread)), curve),
            reference_hz=reference,
        )


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

    Raises
    ------
    ValueError
        The ends do not rise, or so many lie closer than `CLOSEST_RATIO`.

    Examples
    --------
    >>> log_frequencies(20.0, 20000.0, 4).tolist()
    [20.0, 200.0, 2000.0, 20000.0]
    """
    if not (0 < low_hz < high_hz and count >= 2):
        raise ValueError(
            f"a sweep needs two rising frequencies and at least 2 points, got {low_hz}:{high_hz}:{count}"
        )
    most = 1 + math.floor(math.log(high_hz / low_hz) / math.log(CLOSEST_RATIO) + 1e-9)
    if count > most:
        raise ValueError(
            f"{count} frequencies from {low_hz:g} to {high_hz:g} Hz are too close to be told apart: "
            + (f"expected {most} or fewer" if most > 1 else "expected ends further from each other")
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
    same = np.array([[_correlation(a, b, gains[0]) for b in origins] for a in origins]).reshape(
        len(errors), len(errors)
    )
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
        elif item.name in COUPLINGS:
            origin = ("coupling", channel)  # one capacitor at all frequencies
        else:
            origin = (item.name, id(gain))  # coarse steps: met at another place each time
        yield origin, -item.std if is_input else item.std


def _correlation(first: tuple[object, ...], second: tuple[object, ...], gain: Gain) -> float:
    if first == second:
        return 1.0
    if first[0] == second[0] == "scale" and first[1] != second[1]:
        return gain.shared.get((SCALES[0], SCALES[1]), 0.0)
    return 0.0


def _reference(
    freq: np.ndarray, size: np.ndarray, reference_hz: float
) -> tuple[float, np.ndarray, list[np.ndarray]]:
    """Where the full gain is taken, and the weights of ``ln |H|`` in it: by a cubic, and by the parabolas and
    quartics it is held against. Where the third difference passes zero, parabolas agree with a cubic that is off.
    """
    if not freq[0] <= reference_hz <= freq[-1]:
        reference_hz = float(freq[int(np.argmax(size))])
    x, place, first = np.log(freq), math.log(reference_hz), _first(freq, reference_hz, 4)
    beside = [start for start in (first - 1, first) if 0 <= start <= freq.size - 5]
    rough = [
        *(_weights(x, place, start, 3) for start in (first, first + 1)),
        *(_weights(x, place, start, 5) for start in beside),
    ]
    return reference_hz, _weights(x, place, first, 4), rough


def _bracket(
    freq: np.ndarray, size: np.ndarray, side: str, reference: float, target: float
) -> tuple[float, float] | None:
    """First pair of frequencies, going outward from the reference, that hold the crossing: below it, above it."""
    outward = np.flatnonzero(freq < reference)[::-1] if side == "low" else np.flatnonzero(freq > reference)
    inner = reference
    for index in outward:
        if size[index] <= target:
            return float(freq[index]), inner
        inner = float(freq[index])
    return None


def _root(
    freq: np.ndarray,
    size: np.ndarray,
    side: str,
    bracket: tuple[float, float],
    target: float,
    first: int,
    order: int,
) -> tuple[float, np.ndarray]:
    """Crossing of the interpolated magnitude, and the slope of its ``ln f`` by ``ln |H|`` of each point.

    ``1 / |H|^2`` is interpolated over ``1 / f^2`` below and over ``f^2`` above the reference: a straight line for
    one RC, a parabola for two, so that little is left for the polynomial to get wrong.
    """
    below, above = bracket
    power = -2.0 if side == "low" else 2.0
    u = (freq / below) ** power
    y = size**-2.0

    def value(place: float) -> float:
        return float(_weights(u, (place / bracket[0]) ** power, first, order) @ y)

    for _ in range(40):
        middle = math.sqrt(below * above)
        if value(middle) > target**-2.0:
            below = middle
        else:
            above = middle
    place = math.sqrt(below * above)
    slope = (value(place * 1.00001) - value(place / 1.00001)) / 2e-5
    weights = _weights(u, (place / bracket[0]) ** power, first, order)
    return place, 2.0 * weights * y / slope


def _first(freq: np.ndarray, place: float, order: int) -> int:
    right = int(np.searchsorted(freq, place))
    return int(min(max(0, right - order // 2), freq.size - order))


def _weights(x: np.ndarray, place: float, first: int, order: int) -> np.ndarray:
    """Weights of Lagrange's polynomial through ``order`` points from ``first`` on, at a place."""
    nodes = x[first : first + order].tolist()
    weights = np.zeros(x.size)
    for i, node in enumerate(nodes):
        weight = 1.0
        for k, other in enumerate(nodes):
            if k != i:
                weight *= (place - other) / (node - other)
        weights[first + i] = weight
    return weights
