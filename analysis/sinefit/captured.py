"""Sines fitted to captured records: what a converter does to samples is allowed for here."""

from __future__ import annotations

import numpy as np

from acquisition.errors import FitFailed
from acquisition.records import Capture

from .fit import SineFit, fit_sine

MOST_CLIPPED = 0.45
"""Share of samples at the converter's end beyond which the rest of the wave is no longer trusted."""


def fit_capture(
    capture: Capture,
    freq_hz: float | None = None,
    *,
    harmonics: int = 5,
    fit_frequency: bool = False,
    drift: bool = False,
) -> SineFit:
    """Fit a captured record, leaving out what the converter clipped.

    Parameters
    ----------
    capture : Capture
        Record of one channel.
    freq_hz : float, optional
        Frequency in hertz; that of the generator as the record states it when left out.
    harmonics : int
        At most this many; fewer where the samples a period do not carry them.
    fit_frequency, drift : bool
        As `fit_sine`.

    Raises
    ------
    FitFailed
        As `fit_sine`, or nearly half of the record is clipped.
    """
    frequency = capture.freq_hz if freq_hz is None else freq_hz
    codes = capture.codes
    keep = np.ones(codes.size, dtype=bool)
    if capture.clipped:
        keep = ~clipped_samples(codes)
        share = 1.0 - float(keep.mean())
        if share > MOST_CLIPPED:
            raise FitFailed(
                f"{capture.point}: {100 * share:.0f} % of the record is at the end of the converter range",
                hint="choose a larger scope range",
                reason="clipped",
            )
    if frequency is not None:
        harmonics = most_harmonics(frequency, capture.dt_s, harmonics)
    return fit_sine(
        capture.volts,
        capture.dt_s,
        frequency,
        t0_s=capture.t0_s,
        harmonics=harmonics,
        fit_frequency=fit_frequency,
        drift=drift,
        quantum_v=converter_step_v(capture),
        keep=keep,
    )


def most_harmonics(freq_hz: float, dt_s: float, wanted: int) -> int:
    """How many harmonics a sample rate can carry, at least the fundamental.

    Parameters
    ----------
    freq_hz, dt_s : float
        Fundamental in hertz, sample interval in seconds.
    wanted : int
        Upper limit.
    """
    # 0.45 and not 0.5 of the sample rate: at the edge sine and cosine of a harmonic become the same column.
    return max(1, min(wanted, int(0.45 / (freq_hz * dt_s) + 1e-9)))


def clipped_samples(codes: np.ndarray) -> np.ndarray:
    """Samples that stand at the end of the converter range.

    Parameters
    ----------
    codes : ndarray of int, shape (N,)
        Record that is known to be clipped.

    Returns
    -------
    ndarray of bool, shape (N,)
        An extreme code counts when it is held for three samples in a row: a wave that just touches it does not.
    """
    out = np.zeros(codes.size, dtype=bool)
    for extreme in (codes.max(), codes.min()):
        at = codes == extreme
        if at.size >= 3 and bool(np.any(at[:-2] & at[1:-1] & at[2:])):
            out |= at
    return out


def converter_step_v(capture: Capture) -> float:
    """True step of the converter in volts, also where few bits are sent left-justified in wide codes.

    Parameters
    ----------
    capture : Capture
        Any record.
    """
    present = np.unique(capture.codes).astype(np.int64)
    step = 1
    if present.size >= 16:  # with fewer codes a common divisor may be chance
        step = int(np.gcd.reduce(np.diff(present)))
    return abs(capture.scale_v) * step
