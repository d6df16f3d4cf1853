"""Output impedance from the signal at two loads."""

from __future__ import annotations

import math

import numpy as np


def output_impedance_ohm(
    ratio: float | np.ndarray, first_ohm: float | np.ndarray, second_ohm: float | np.ndarray
) -> float | np.ndarray:
    """Impedance behind an output, from how much its signal changes with the load.

    Parameters
    ----------
    ratio : float or ndarray
        Signal at the second load over that at the first, the drive the same.
    first_ohm, second_ohm : float or ndarray
        Both loads; ``inf`` for none.

    Returns
    -------
    float or ndarray
        In ohms; ``inf`` where the signal goes with the load or more, as that of a source of current does.

    Notes
    -----
    A source of V volts behind Z gives ``V R / (R + Z)``. Of two loads ``Z = (r - 1) / (1/R1 - r/R2)``; with
    none the second time ``Z = R1 (V0 - V1) / V1`` (F. Langford-Smith, Radiotron Designer's Handbook, 4th edition,
    chapter 7; from memory). Taken as resistive, as it nearly is in the middle of the band.

    Examples
    --------
    >>> [round(float(output_impedance_ohm(r, 8.0, ohm)), 9) for r, ohm in ((4 / 3, 16.0), (2.0, math.inf))]
    [8.0, 8.0]
    """
    # Both ways round alike: the larger load carries the larger signal.
    swapped = np.greater(first_ohm, second_ohm)
    r = np.where(swapped, 1.0 / np.asarray(ratio), ratio)
    least, most = np.minimum(first_ohm, second_ohm), np.maximum(first_ohm, second_ohm)
    under = 1.0 / least - r / most
    return np.where(under > 1e-12, (r - 1.0) / np.where(under > 1e-12, under, 1.0), np.inf)


def ratio_std(ratio: float, std: float, first: tuple[float, float], second: tuple[float, float]) -> float:
    """Standard uncertainty of a ratio with that of both loads in it, for `output_impedance_ohm` of exact loads.

    Parameters
    ----------
    ratio, std : float
        Ratio of the signals with its own.
    first, second : (float, float)
        Both loads in ohms, each with its standard uncertainty.

    Notes
    -----
    Errors of the loads are carried to the ratio by the slopes (JCGM 100:2008, 5.1.2): of
    ``Z (1/R1 - r/R2) = r - 1`` at a given Z, ``dr (1 + Z/R2) = -Z dR1/R1^2 + r Z dR2/R2^2``.
    """
    (first_ohm, first_std), (second_ohm, second_std) = first, second
    impedance = float(output_impedance_ohm(ratio, first_ohm, second_ohm))
    if not math.isfinite(impedance):  # of a source of current r = R2/R1
        return math.hypot(std, *(ratio * s / ohm for ohm, s in (first, second) if math.isfinite(ohm)))
    under = 1.0 + (impedance / second_ohm if math.isfinite(second_ohm) else 0.0)
    by_first = impedance * first_std / first_ohm**2 if math.isfinite(first_ohm) else 0.0
    by_second = ratio * impedance * second_std / second_ohm**2 if math.isfinite(second_ohm) else 0.0
    return math.hypot(std, by_first / under, by_second / under)
