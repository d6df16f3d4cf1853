"""What a value on its way still lacks: an exponential and its end, and tails that another model could hide."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np


def fit_exponential(
    t: np.ndarray, z: np.ndarray, longest_s: float
) -> tuple[float, float, float, float, float] | None:
    """Fit ``v + b exp(-t / tau)`` by least squares (variable projection, Gauss-Newton on the rate).

    Parameters
    ----------
    t, z : ndarray, shape (N,)
        Seconds against the last sample, and volts; newest first.
    longest_s : float
        Longest time constant that is accepted.

    Returns
    -------
    tuple of float, or None
        Asymptote, what the last sample lacks of it, residual sum of squares, the variance factor of the asymptote
        and ``1 / tau``; None where no time constant between a third of a sample and ``longest_s`` fits.
    """
    step = -t[-1] / (t.size - 1)
    # Start from the ratio of the change in the older half to that in the newer half.
    half = (t.size - 1) // 2
    newer, older = z[0] - z[half], z[half] - z[2 * half]
    if older == 0.0 or not 0.0 < newer / older < 1.0:
        return None
    rate = -math.log(newer / older) / (t[0] - t[half])
    for _ in range(8):
        decay = np.exp(-rate * t)
        design = np.column_stack((np.ones_like(t), decay, -t * decay))
        norm = np.abs(design).max(axis=0)
        design /= norm
        normal = design.T @ design
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return None
        if not 0.0 < inverse[0, 0] < 1e10:
            return None  # a straight line: no end in sight
        beta = inverse @ (design.T @ z)
        beta /= norm
        if beta[1] == 0.0:
            return None
        change = beta[2] / beta[1]
        change = max(-0.5 * rate, min(rate, change))
        rate += change
        if rate > 6.0 / step:
            return None
        if abs(change) < 1e-6 * rate:
            break
    else:
        return None
    if not 1.0 / longest_s <= rate <= 3.0 / step:
        return None
    residuals = z - (design * norm) @ beta
    return float(beta[0]), float(-beta[1]), float(residuals @ residuals), float(inverse[0, 0] / norm[0] ** 2), rate


def still_to_come(t: np.ndarray, z: np.ndarray, tau_s: float, scatter_v: float) -> float:
    """Give the size of the tail that a line could hide at its last sample, from one fitted beside it.

    The start of a tail looks like a drift. A faster tail bends more and comes out too large, which is no harm. The
    standard deviation of the fitted tail counts too, so a short run does not pass for want of a bend.

    Parameters
    ----------
    t, z : ndarray, shape (N,)
        Seconds against the last sample, and volts; newest first.
    tau_s : float
        Slowest time constant in play.
    scatter_v : float
        Standard deviation of one sample.
    """
    tail_v, std_v = _least_squares((np.ones_like(t), t, np.exp(-t / tau_s)), z, 2)
    return math.hypot(tail_v, scatter_v * std_v)


def slower_tail(
    t: np.ndarray, z: np.ndarray, rate: float, tau_s: float, asymptote_v: float, scatter_v: float
) -> float:
    """Give the doubt about the end of a fitted tail from a slower one below it, fitted as well.

    Two droppers in a row, or a tail so small that noise bent it: the end of the faster one is not the end.

    Parameters
    ----------
    t, z : ndarray, shape (N,)
        Seconds against the last sample, and volts; newest first.
    rate : float
        One over the time constant of the tail that was fitted.
    tau_s : float
        Time constant of the slower one.
    asymptote_v : float
        End of the tail that was fitted.
    scatter_v : float
        Standard deviation of one sample.
    """
    fast = np.exp(-rate * t)
    end_v, std_v = _least_squares((np.ones_like(t), fast, t * fast, np.exp(-t / tau_s)), z, 0)
    return math.hypot(end_v - asymptote_v, scatter_v * std_v)


def _least_squares(columns: Sequence[np.ndarray], z: np.ndarray, wanted: int) -> tuple[float, float]:
    """One coefficient and its standard deviation for a unit scatter."""
    design = np.column_stack(columns)
    norm = np.abs(design).max(axis=0)
    inverse = np.linalg.pinv(design / norm)[wanted] / norm[wanted]
    return float(inverse @ z), float(np.linalg.norm(inverse))
