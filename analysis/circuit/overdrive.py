"""Periodic state of a circuit driven far into cut-off and grid current, one sample at a time.

The equations of `harmonic_balance`, all instants and nodes in one real matrix that is solved exactly. A step is
halved until the next correction, by the same matrix, is shorter (the natural monotonicity test of P. Deuflhard,
"Newton Methods for Nonlinear Problems", 2004, from memory): unlike the currents left over, that test does not weigh
a grid of a megohm against a loudspeaker. A large drive is approached from a small one.
"""

from __future__ import annotations

import numpy as np

from .elements import Array
from .harmonic_balance import HarmonicBalance

NEWTON_STEPS, SHORTEST = 60, 2.0**-9
"""Newton steps at one drive, and the shortest share of one."""

SETTLED_RATIO = 1e-6
"""Largest correction of a solved state, against its largest swing (and a volt)."""

KEPT_RATIO = 0.1
"""A whole step that left no more than this of the correction keeps its matrix for the next step."""

SMALL_V = 1.0
"""Largest small-signal swing, volt peak to peak, of the drive from which a large one is approached."""

DRIVE_RATIO, LEAST_RATIO = 4.0, 1.02
"""First ratio of drives on the way up; its root is taken where a step failed, down to the least."""


def approach(balance: HarmonicBalance, peak_v: float, near: Array) -> tuple[Array, bool]:
    """Find the periodic state of one sample.

    Parameters
    ----------
    balance : HarmonicBalance
        Of one sample.
    peak_v : float
        Amplitude of the generator's EMF, volt.
    near : ndarray, shape (1, n, N)
        Waves to start from: a neighbouring state, or the small-signal response.

    Returns
    -------
    waves : ndarray, shape (n, N)
        Volts of the tube nodes; where no state was found, the last that was tried.
    solved : bool
        Whether it was found.
    """
    waves, solved = _newton(balance, peak_v, near)
    if solved:
        return waves[0], True
    guess = balance.first_guess(np.full(1, peak_v))
    drive = peak_v * min(1.0, SMALL_V / max(float(np.ptp(guess, axis=2).max()), 1e-12))
    waves, solved = _newton(balance, drive, balance.first_guess(np.full(1, drive)))
    ratio = DRIVE_RATIO
    while solved and drive < peak_v and ratio > LEAST_RATIO:
        larger = min(drive * ratio, peak_v)
        further, arrived = _newton(balance, larger, waves)
        if arrived:
            waves, drive = further, larger
        else:
            ratio **= 0.5
    return waves[0], solved and drive == peak_v


def _newton(balance: HarmonicBalance, peak_v: float, waves: Array) -> tuple[Array, bool]:
    from scipy.linalg import lu_factor, lu_solve

    sources = balance.sources(np.full(1, peak_v))
    linear = _network_matrix(balance)
    matrix = None
    excess, slope = balance.excess(waves, sources)
    for _ in range(NEWTON_STEPS):
        if matrix is None:
            matrix = lu_factor(_with_tubes(linear, slope[0]), overwrite_a=True, check_finite=False)
        step = lu_solve(matrix, excess.ravel(), check_finite=False).reshape(waves.shape)
        size, length = np.abs(step).max(), 1.0
        if size <= SETTLED_RATIO * max(np.ptp(waves, axis=2).max(), 1.0):
            return waves - step, True
        while True:
            trial = waves - length * step
            excess, slope = balance.excess(trial, sources)
            ahead = np.abs(lu_solve(matrix, excess.ravel(), check_finite=False)).max()
            if ahead <= (1.0 - 0.25 * length) * size or length <= SHORTEST:
                break
            length *= 0.5
        waves = trial
        if length < 1.0 or ahead > KEPT_RATIO * size:
            matrix = None
    return waves, False


def _network_matrix(balance: HarmonicBalance) -> Array:
    """Currents the network takes by the volts, as responses to one instant, shape (n, N, n, N)."""
    count = balance.instants
    response = np.fft.irfft(np.moveaxis(balance.y[0], 0, -1), count, axis=-1)
    delay = (np.arange(count)[:, None] - np.arange(count)) % count
    return np.ascontiguousarray(response[:, :, delay].transpose(0, 2, 1, 3))


def _with_tubes(linear: Array, slope: Array) -> Array:
    """Square matrix of network and tubes; a tube acts within its instant."""
    nodes, instants = linear.shape[:2]
    whole = linear.copy()
    at = np.arange(instants)
    whole[:, at, :, at] += np.moveaxis(slope, -1, 0)
    return whole.reshape(nodes * instants, nodes * instants)
