"""Harmonics of a fitted wave against its fundamental, and what of them is noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed

from .fit import SineFit


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonic:
    """One harmonic.

    Parameters
    ----------
    order : int
        1 is the fundamental.
    freq_hz, amplitude_v, amplitude_std_v : float
        Frequency; volts peak with standard uncertainty.
    ratio : float
        Amplitude over that of the fundamental.
    phase_rad : float
        Against the fundamental as ``angle(Z_k) - k angle(Z_1)``, so that it does not depend on the time origin;
        in (-pi, pi].
    """

    order: int
    freq_hz: float
    amplitude_v: float
    amplitude_std_v: float
    ratio: float
    phase_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion:
    """Total harmonic distortion with the floor below which it cannot be told from noise.

    Parameters
    ----------
    harmonics : tuple of Harmonic
        Fundamental first.
    thd_ratio, thd_std : float
        Root of the sum of squares of the harmonics over the fundamental, taken off what noise and converter steps
        make themselves, and its standard uncertainty.
    floor_ratio : float
        What noise, and steps that it does not blur, would show alone on average.
    """

    harmonics: tuple[Harmonic, ...]
    thd_ratio: float
    thd_std: float
    floor_ratio: float


def distortion(fit: SineFit) -> Distortion:
    """Harmonics and total harmonic distortion of a fit.

    Parameters
    ----------
    fit : SineFit
        With at least two harmonics to be of use.

    Raises
    ------
    FitFailed
        There is no fundamental.
    """
    size = fit.amplitude_v
    if size == 0.0:
        raise FitFailed("no fundamental: distortion has no meaning", reason="no signal")
    # The steps make harmonics as large as what they do to the fundamental, even or odd ones as the wave stands
    # between two codes: half of it each.
    steps = 0.5 * fit.undithered_v**2
    table = []
    power = floor = spread = 0.0
    for index, phasor in enumerate(fit.phasors_v):
        block = fit.covariance_v2[2 * index : 2 * index + 2, 2 * index : 2 * index + 2]
        amplitude = float(abs(phasor))
        along = np.array([phasor.real, phasor.imag]) / amplitude if amplitude else np.array([1.0, 0.0])
        variance = float(along @ block @ along) + steps
        angle = np.angle(phasor) - (index + 1) * np.angle(fit.phasor_v)
        table.append(
            Harmonic(
                order=index + 1,
                freq_hz=(index + 1) * fit.freq_hz,
                amplitude_v=amplitude,
                amplitude_std_v=math.sqrt(variance),
                ratio=amplitude / size,
                phase_rad=float(-((-angle + math.pi) % (2.0 * math.pi) - math.pi)),
            )
        )
        if index:
            power += amplitude**2
            floor += float(np.trace(block)) + steps
            spread += 4.0 * amplitude**2 * variance
    thd = math.sqrt(max(0.0, power - floor)) / size
    # Near the floor the square root has no slope: there the floor itself is the uncertainty.
    std = math.sqrt(spread) / (2.0 * thd * size**2) if thd * size > math.sqrt(floor) else math.sqrt(floor) / size
    return Distortion(harmonics=tuple(table), thd_ratio=thd, thd_std=std, floor_ratio=math.sqrt(floor) / size)
