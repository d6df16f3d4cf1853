"""Periodic steady state under a sine of any size, by harmonic balance.

Newton's method finds the waveforms of the tube nodes; its linear systems are solved by GMRES (Y. Saad, M. H.
Schultz, SIAM J. Sci. Stat. Comput. 7, 1986), with the network plus the tubes' average slopes as preconditioner,
over all samples at once. Where tubes cut off and grids conduct for part of the period an average slope says little
and GMRES stalls: such samples, and single ones, go to `overdrive`.
"""

from __future__ import annotations

import numpy as np

from .elements import Array
from .harmonic_balance import HarmonicBalance, Periodic
from .overdrive import approach

TAIL = 2e-4
"""Share of the wave in the upper half of the harmonics above which the few instants do not suffice."""

NEWTON_STEPS, GMRES_STEPS, HALVINGS = 25, 40, 7
GMRES_RATIO, STALLED_RATIO = 1e-4, 0.1
"""Share of the excess that GMRES is to leave, and that above which a sample is handed to `overdrive`."""
STEP_RATIO = 1e-6
"""Largest Newton step of a solved sample, against its largest swing (and a volt)."""
BALANCED_RATIO = 1e-3
"""Largest excess of a solved sample, as volts by the preconditioner, against its largest swing (and a volt)."""


def solve(balance: HarmonicBalance, peak_v: Array, start: Array | None = None) -> Periodic:
    """Find the periodic state of every sample.

    Parameters
    ----------
    balance : HarmonicBalance
        The chassis that is driven.
    peak_v : ndarray, shape (S,)
        Amplitude of the generator's EMF, volt.
    start : ndarray, optional
        Waves of a neighbouring state, shape (S, n, N).
    """
    peak_v = np.broadcast_to(np.asarray(peak_v, dtype=float), (balance.size,))
    near = balance.first_guess(peak_v) if start is None else start
    if balance.size > 1:
        waves, solved = _newton(balance, peak_v, near)
    else:
        waves, solved = np.empty(near.shape), np.zeros(1, dtype=bool)
    for sample in np.flatnonzero(~solved):
        alone = balance.only(np.array([sample]))
        waves[sample], solved[sample] = approach(alone, float(peak_v[sample]), near[sample : sample + 1])
    return balance.state(waves, peak_v, solved)


def _newton(balance: HarmonicBalance, peak_v: Array, near: Array) -> tuple[Array, Array]:
    waves, solved = near.copy(), np.zeros(balance.size, dtype=bool)
    # Samples leave as they are solved or given up; the slowest do not keep the others at work.
    left = np.arange(balance.size)
    sources = balance.sources(peak_v)
    excess, slope = balance.excess(waves, sources)
    for _ in range(NEWTON_STEPS):
        precondition = _preconditioner(balance, slope)
        step, unsolved_share = _gmres(balance, slope, precondition, excess)
        stalled = unsolved_share > STALLED_RATIO
        at = waves[left]
        size = np.abs(step).max(axis=(1, 2))
        swing = np.maximum(np.ptp(at, axis=2).max(axis=1), 1.0)
        volts_off = np.abs(balance.through(precondition, excess)).max(axis=(1, 2))
        length = np.ones(balance.size)
        for halving in range(HALVINGS + 1):
            trial = at - length[:, None, None] * step
            excess, slope = balance.excess(trial, sources)
            ahead = np.abs(balance.through(precondition, excess)).max(axis=(1, 2))
            worse = ~(ahead <= (1.0 - 0.1 * length) * volts_off) & (size > STEP_RATIO * swing)
            worse &= ~solved[left] & ~stalled
            if halving == HALVINGS or not worse.any():
                break
            length = np.where(worse, 0.5 * length, length)
        waves[left] = trial
        solved[left] = (size <= STEP_RATIO * swing * 100.0) & (ahead <= BALANCED_RATIO * swing) & ~stalled
        going = np.flatnonzero(~stalled & (size > STEP_RATIO * swing))
        if not going.size:
            break
        if going.size < left.size:
            left, balance = left[going], balance.only(going)
            sources, excess, slope = sources[going], excess[going], slope[going]
    return waves, solved


def _preconditioner(balance: HarmonicBalance, slope: Array) -> Array:
    return np.linalg.inv(balance.y + slope.mean(axis=-1)[:, None])


def _gmres(balance: HarmonicBalance, slope: Array, precondition: Array, right: Array) -> tuple[Array, Array]:
    """Solve (network + slopes) x = right for every sample; right-preconditioned, no restart.

    Also the share of the right side that is left, shape (S,).
    """
    shape = right.shape
    norm = np.sqrt((right**2).sum(axis=(1, 2)))
    alive = np.where(norm > 0.0, norm, 1.0)
    basis = [right / alive[:, None, None]]
    ahead: list[Array] = []
    hessenberg = np.zeros((balance.size, GMRES_STEPS + 1, GMRES_STEPS))
    y, left = np.zeros((balance.size, 0)), norm
    for m in range(GMRES_STEPS):
        direction = balance.through(precondition, basis[m])
        ahead.append(direction)
        new = balance.through(balance.y, direction) + np.einsum("sijt,sjt->sit", slope, direction, optimize=True)
        for i, old in enumerate(basis):
            hessenberg[:, i, m] = np.einsum("sit,sit->s", new, old)
            new = new - hessenberg[:, i, m, None, None] * old
        length = np.sqrt((new**2).sum(axis=(1, 2)))
        hessenberg[:, m + 1, m] = length
        basis.append(new / np.where(length > 0.0, length, 1.0)[:, None, None])
        target = np.zeros((balance.size, m + 2))
        target[:, 0] = norm
        h = hessenberg[:, : m + 2, : m + 1]
        y = np.einsum("sij,sj->si", np.linalg.pinv(h), target)
        left = np.sqrt(((np.einsum("sij,sj->si", h, y) - target) ** 2).sum(axis=1))
        if (left <= GMRES_RATIO * norm).all():
            break
    step = np.zeros(shape)
    for m in range(y.shape[1]):
        step += y[:, m, None, None] * ahead[m]
    return step, left / alive


def harmonics_v(wave: Array) -> Array:
    """Amplitudes of the harmonics of one period, volt peak.

    Parameters
    ----------
    wave : ndarray, shape (..., N)
        One period.

    Returns
    -------
    ndarray, shape (..., N/2 + 1)
        Mean first, then the harmonics.
    """
    spectrum = np.abs(np.fft.rfft(wave, axis=-1)) / wave.shape[-1]
    spectrum[..., 1:] *= 2.0
    return np.asarray(spectrum)


def distortion_ratio(wave: Array) -> Array:
    """Total harmonic distortion of one period: root of the summed squares of the harmonics over the fundamental.

    Parameters
    ----------
    wave : ndarray, shape (..., N)
        One period.
    """
    amplitudes = harmonics_v(wave)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((amplitudes[..., 2:] ** 2).sum(axis=-1)) / amplitudes[..., 1])
