"""How far a sample scatters about its level, judged from few of them."""

from __future__ import annotations

import math

import numpy as np

_FINE_FACTORS = 2.0 ** np.arange(0.0, 6.01, 0.5)


def scatter_of(rss: float, freedom: int, floor_v: float) -> float:
    """Give the standard deviation of one sample, averaged over noise levels by how well each explains them.

    A few samples that agree by luck must not look sharper than so few can be; with many this is the usual estimate.

    Parameters
    ----------
    rss : float
        Sum of squared residuals, in square volts.
    freedom : int
        Their degrees of freedom.
    floor_v : float
        The meter's own noise in volts.
    """
    if freedom < 1:
        return floor_v
    sigma = floor_v * _FINE_FACTORS
    log_weight = -freedom * np.log(sigma) - 0.5 * rss / sigma**2
    weight = np.exp(log_weight - log_weight.max())
    return math.sqrt(float(weight @ sigma**2) / float(weight.sum()))


def restlessness(older: np.ndarray, residual: np.ndarray, level_v: float, *, may_be_tail: bool = False) -> float:
    """Give the scatter of the samples just before a quiet run, where they belong to the same level.

    A noisy node has quiet moments; without this the detector would choose just those.

    Parameters
    ----------
    older, residual : ndarray, shape (N,)
        Those samples less the level, and less what the model says there, in volts; newest first.
    level_v : float
        The level.
    may_be_tail : bool
        The model knows no tail: samples on one side and ever farther off are one, and no noise.

    Returns
    -------
    float
        Standard deviation in volts; 0 where there are none.
    """
    near = np.abs(older) < 0.01 * abs(level_v)
    count = int(np.argmin(near)) if not near.all() else near.size
    if count < 2:
        return 0.0
    d = residual[:count]
    if may_be_tail and (d.min() >= 0.0 or d.max() <= 0.0) and np.all(np.diff(np.abs(d)) >= 0.0):
        return 0.0
    return math.sqrt(float(d @ d) / count)


def correlation(residuals: np.ndarray) -> float:
    """Give the factor on the variance of a mean by the lag-one autocorrelation.

    Parameters
    ----------
    residuals : ndarray, shape (N,)
        In order of time.

    Returns
    -------
    float
        1 where none can be told from the chance correlation of white noise, whose standard deviation is
        ``1 / sqrt(N)`` (M. S. Bartlett, J. R. Stat. Soc. Suppl. 8 (1946) 27, from memory).
    """
    energy = float(residuals @ residuals)
    if residuals.size < 8 or energy == 0.0:
        return 1.0
    lag_one = float(residuals[1:] @ residuals[:-1]) / energy
    lag_one = min(0.9, max(0.0, lag_one - 1.0 / math.sqrt(residuals.size)))
    return (1.0 + lag_one) / (1.0 - lag_one)
