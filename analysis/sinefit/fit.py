"""Sines fitted to samples: three and four parameters as IEEE Std 1057 describes, harmonics in the same fit.

``y(t) = C + sum over k of Re(Z_k exp(j k w (t - t_c)))`` with the time ``t_c`` at the middle of the record, where
the phase is least uncertain and does not depend on the frequency. A phasor is in volts peak; a lag is negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed

from .solve import BESIDE, beside, iterate, solve

COLOURED = 2.5
"""The noise next to a harmonic counts where it is so many times that of the whole record, in variance: by chance it
is in one record of a hundred (chi-squared of eight degrees of freedom)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SineFit:
    """A periodic wave fitted to a record.

    Parameters
    ----------
    freq_hz, freq_std_hz : float
        Fundamental frequency; its uncertainty is 0 where it was taken as known.
    offset_v, slope_v_per_s : float
        Value and drift at the centre of the record.
    phasors_v : ndarray of complex, shape (H,)
        Fundamental first, volts peak, real part along the cosine, referred to ``center_s``.
    covariance_v2 : ndarray, shape (2 H, 2 H)
        Of real and imaginary parts in the order Re 1, Im 1, Re 2, Im 2 and so on: as of white noise, but of what is
        found next to a harmonic where that is clearly stronger.
    residual_rms_v : float
        What the fit leaves, root mean square over the degrees of freedom.
    noise_v : float
        Standard deviation of one sample that the covariance was built on: the residual, but not less than the
        quantisation allows.
    undithered_v : float
        Further standard uncertainty of the amplitude because too little noise blurs the converter's steps.
    center_s : float
        Time the phases refer to.
    samples, dropped, periods : int, int, float
        Samples used; samples left out (not finite, or at the end of the converter); periods in the record.
    dof : int
        Degrees of freedom of the residual.
    notes : tuple of str
        Conditions that are not met well, in plain words.
    """

    freq_hz: float
    freq_std_hz: float
    offset_v: float
    slope_v_per_s: float
    phasors_v: np.ndarray
    covariance_v2: np.ndarray
    residual_rms_v: float
    noise_v: float
    undithered_v: float
    center_s: float
    samples: int
    dropped: int
    periods: float
    dof: int
    notes: tuple[str, ...] = ()

    @property
    def phasor_v(self) -> complex:
        """Fundamental at the centre of the record, volts peak."""
        return complex(self.phasors_v[0])

    @property
    def amplitude_v(self) -> float:
        """Peak value of the fundamental in volts."""
        return abs(self.phasor_v)

    @property
    def amplitude_std_v(self) -> float:
        """Standard uncertainty of ``amplitude_v`` from noise and quantisation."""
        size = self.amplitude_v
        block = self.covariance_v2[:2, :2]
        along = np.array([self.phasor_v.real, self.phasor_v.imag]) / size if size else np.array([1.0, 0.0])
        return math.hypot(math.sqrt(float(along @ block @ along)), self.undithered_v)

    @property
    def phase_rad(self) -> float:
        """Phase of the fundamental at ``center_s``, radians."""
        return math.atan2(self.phasor_v.imag, self.phasor_v.real)

    @property
    def phase_std_rad(self) -> float:
        """Standard uncertainty of ``phase_rad``; at most that of an unknown angle."""
        size = self.amplitude_v
        unknown = math.pi / math.sqrt(3.0)
        if size == 0.0:
            return unknown
        across = np.array([-self.phasor_v.imag, self.phasor_v.real]) / size
        return min(unknown, math.sqrt(float(across @ self.covariance_v2[:2, :2] @ across)) / size)

    def phasor_at(self, time_s: float) -> complex:
        """Fundamental with its phase referred to another time.

        Parameters
        ----------
        time_s : float
            On the time axis of the record, for example 0 for the trigger.
        """
        turn = 2.0 * math.pi * self.freq_hz * (time_s - self.center_s)
        return self.phasor_v * complex(math.cos(turn), math.sin(turn))

    def wave_v(self, times_s: np.ndarray) -> np.ndarray:
        """The fitted wave.

        Parameters
        ----------
        times_s : ndarray, shape (N,)
            On the time axis of the record.

        Returns
        -------
        ndarray, shape (N,)
            Volts.
        """
        t = np.asarray(times_s, dtype=np.float64) - self.center_s
        orders = np.arange(1, self.phasors_v.size + 1)
        turns: np.ndarray = np.exp(2j * np.pi * self.freq_hz * np.outer(t, orders))
        wave: np.ndarray = self.offset_v + self.slope_v_per_s * t + (turns @ self.phasors_v).real
        return wave


def fit_sine(
    volts: np.ndarray,
    dt_s: float,
    freq_hz: float | None,
    *,
    t0_s: float = 0.0,
    harmonics: int = 1,
    fit_frequency: bool = False,
    drift: bool = False,
    quantum_v: float = 0.0,
    keep: np.ndarray | None = None,
) -> SineFit:
    """Fit offset, phasors and, if asked, frequency and drift to equally spaced samples.

    Parameters
    ----------
    volts : ndarray, shape (N,)
        Samples in volts; those that are not finite are left out.
    dt_s, t0_s : float
        Sample interval and time of the first sample, seconds.
    freq_hz : float or None
        Frequency in hertz, taken as exact, or as the start where ``fit_frequency`` is set; None finds a start in
        the spectrum and fits it.
    harmonics : int
        How many multiples are fitted together, 1 for a plain sine.
    fit_frequency : bool
        Four-parameter fit.
    drift : bool
        Fit a straight drift of the offset as well: for few periods of a wave that wanders.
    quantum_v : float
        One step of the converter in volts.
    keep : ndarray of bool, shape (N,), optional
        Samples to use; the others, such as clipped ones, are left out.

    Returns
    -------
    SineFit

    Raises
    ------
    FitFailed
        Too few samples, less than one period, fewer samples a period than the harmonics need, too many samples
        left out, or a frequency that cannot be found.

    Notes
    -----
    Linear least squares by normal equations on a centred time axis; with unknown frequency the Gauss-Newton steps
    of the four-parameter method of IEEE Std 1057 (P. Haendel, IEEE Trans. Instrum. Meas. 49 (2000) 1189). The
    covariance reaches the Cramer-Rao bound of white noise (D. Rife, R. Boorstyn, IEEE Trans. Inf. Theory 20 (1974)
    591): u(amplitude) / amplitude = u(phase) = sqrt(2 / N) s / amplitude at the centre of the record.

    Examples
    --------
    >>> t_s = np.arange(101) * 1e-5 - 0.5e-3
    >>> fit = fit_sine(1.0 + 0.5 * np.sin(2 * np.pi * 1e3 * t_s), 1e-5, 1e3, t0_s=-0.5e-3)
    >>> round(fit.amplitude_v, 6), round(float(np.degrees(fit.phase_rad)), 6), round(fit.offset_v, 6)
    (0.5, -90.0, 1.0)
    """
    volts = np.asarray(volts, dtype=np.float64)
    if volts.ndim != 1 or not (dt_s > 0 and math.isfinite(dt_s)):
        raise ValueError("samples must be one row with a positive interval")
    if harmonics < 1:
        raise ValueError("at least the fundamental is fitted")
    used = np.isfinite(volts) if keep is None else np.isfinite(volts) & np.asarray(keep, dtype=bool)
    if freq_hz is None:
        freq_hz, fit_frequency = estimate_frequency(np.where(used, volts, np.nan), dt_s), True
    whole = bool(used.all())
    count = volts.size if whole else int(np.count_nonzero(used))
    unknowns = 2 * harmonics + 1 + int(drift) + int(fit_frequency)
    _require_conditions(volts.size, count, unknowns, dt_s, freq_hz, harmonics)

    half = 0.5 * (volts.size - 1)
    times = (np.arange(volts.size) - half) * dt_s
    y = volts if whole else volts[used]
    if not whole:
        times = times[used]
    # The sum of squares of a small sine on 300 V of plate would lose its digits. The mean of equal samples is not
    # always one of them, and what it is off by would be a wave of its own.
    level = float(y.mean()) if np.ptp(y) else float(y[0])
    y = y - level
    length = volts.size * dt_s
    omega = 2.0 * math.pi * freq_hz
    solution, inverse, rest = solve(y, times, omega, harmonics, drift, length, None)
    if fit_frequency:
        solution, inverse, rest, omega = iterate(y, times, omega, harmonics, drift, length, solution)

    dof = count - unknowns
    residual = math.sqrt(float(rest @ rest) / dof)
    noise = max(residual, abs(quantum_v) / math.sqrt(12.0))
    phasors = solution[: 2 * harmonics : 2] - 1j * solution[1 : 2 * harmonics : 2]
    periods = omega * length / (2.0 * math.pi)
    # Hum beside a sine and a glitch in it are not white: what spills over into a harmonic shows next to it.
    excess = np.ones(harmonics)
    if periods >= 1.0 + BESIDE.max() and noise:
        # So does a frequency that is a little off, which at the centre of the record moves no phasor.
        turned = times * (1j * phasors[0] * np.exp(1j * omega * times)).real
        size = float(turned @ turned)
        left = rest - turned * (turned @ rest / size) if size else rest
        share = beside(left, times, omega, harmonics, length) / noise**2
        excess = np.sqrt(np.where(share > COLOURED, share, 1.0))
    covariance = inverse * noise**2
    # The phasor is A - jB: the sign of every imaginary part turns the sign of its covariances.
    flip = np.tile([1.0, -1.0], harmonics) * np.repeat(excess, 2)
    block = covariance[: 2 * harmonics, : 2 * harmonics] * np.outer(flip, flip)
    freq_std = excess[0] * math.sqrt(covariance[-1, -1]) / (2.0 * math.pi) / length if fit_frequency else 0.0
    notes = []
    if fit_frequency and periods < 5.0:
        notes.append(f"frequency fitted over only {periods:.1f} periods")
    if quantum_v and abs(phasors[0]) < 20.0 * abs(quantum_v):
        notes.append(f"signal fills only {abs(phasors[0] / quantum_v):.1f} converter steps of amplitude")
    if count < volts.size:
        notes.append(f"{volts.size - count} of {volts.size} samples left out")
    return SineFit(
        freq_hz=omega / (2.0 * math.pi) if fit_frequency else freq_hz,
        freq_std_hz=float(freq_std),
        offset_v=level + float(solution[2 * harmonics]),
        slope_v_per_s=float(solution[2 * harmonics + 1]) / length if drift else 0.0,
        phasors_v=phasors,
        covariance_v2=block,
        residual_rms_v=residual,
        noise_v=noise,
        undithered_v=_undithered(abs(phasors[0]), residual, abs(quantum_v)),
        center_s=t0_s + half * dt_s,
        samples=count,
        dropped=volts.size - count,
        periods=periods,
        dof=dof,
        notes=tuple(notes),
    )


def estimate_frequency(volts: np.ndarray, dt_s: float) -> float:
    """Start value for a frequency fit: strongest line of the spectrum, refined by a parabola.

    Parameters
    ----------
    volts : ndarray, shape (N,)
        Samples; gaps (NaN) are filled with the mean.
    dt_s : float
        Sample interval in seconds.

    Returns
    -------
    float
        Hertz; within about a tenth of a line spacing for a clean sine.

    Raises
    ------
    FitFailed
        Too few samples, or nothing but a constant.
    """
    volts = np.asarray(volts, dtype=np.float64)
    fine = np.isfinite(volts)
    if np.count_nonzero(fine) < 8:
        raise FitFailed(
            "too few samples to find a frequency", hint="capture more samples", reason="too few samples"
        )
    y = np.where(fine, volts - volts[fine].mean(), 0.0)
    padded = 2 * y.size
    spectrum = np.abs(np.fft.rfft(y * np.hanning(y.size), padded))
    spectrum[:2] = 0.0
    peak = int(np.argmax(spectrum[:-1]))
    if not spectrum[peak] > 1e-12 * max(1.0, float(np.abs(volts[fine]).max())):
        raise FitFailed("the record is constant: no frequency to find", reason="no signal")
    left, mid, right = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
    bend = left - 2.0 * mid + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((peak + min(0.5, max(-0.5, shift))) / (padded * dt_s))


def _require_conditions(size: int, count: int, unknowns: int, dt_s: float, freq_hz: float, harmonics: int) -> None:
    if not (math.isfinite(freq_hz) and freq_hz > 0):
        raise FitFailed(f"frequency {freq_hz} Hz is not positive", reason="no frequency")
    if count < unknowns + 3:
        raise FitFailed(
            f"{count} usable samples for {unknowns} unknowns",
            hint="capture more samples",
            reason="too few samples",
        )
    if count < 0.5 * size:
        raise FitFailed(
            f"only {count} of {size} samples can be used",
            hint="choose a larger scope range",
            reason="too many samples left out",
        )
    periods = freq_hz * dt_s * size
    if periods < 0.999:
        raise FitFailed(
            f"the record holds {periods:.2f} of a period of {freq_hz:g} Hz",
            hint="choose a slower time base: 5 to 20 periods",
            reason="too few periods",
        )
    if harmonics * freq_hz * dt_s >= 0.5:
        raise FitFailed(
            f"{1.0 / (freq_hz * dt_s):.1f} samples a period cannot carry {harmonics} harmonics",
            hint="choose a faster time base: at least 50 samples a period",
            reason="too few samples a period",
        )


def unblurred(amplitude_v: float, residual_v: float, quantum_v: float) -> float:
    """Share of the error by the converter's steps that noise does not average away: 1 none of it, 0 all.

    Parameters
    ----------
    amplitude_v : float
        Peak of the wave that crosses the steps, 0 where none is seen.
    residual_v : float
        What the fit leaves, root mean square.
    quantum_v : float
        One step of the converter; with 0 there is no such error.

    Notes
    -----
    Noise of deviation s multiplies the first term of the sawtooth error of a quantiser of step q by
    exp(-2 (pi s / q)^2) (L. Schuchman, IEEE Trans. Commun. Technol. 12 (1964) 162, from memory). The steps leave
    q^2 / 12 in the residual of a wave across many of them. A record at rest leaves up to q^2 / 4 with next to no
    noise, where it stands between two codes; how that falls to q^2 / 12 with the size of the wave was found by
    simulation (`tests/analysis/test_spectrum.py` shows what it gives).
    """
    if quantum_v == 0.0:
        return 0.0
    steps = amplitude_v / quantum_v
    resting = 1.0 if steps < 0.1 else (0.1 / steps) ** 1.5
    noise = max(0.0, (residual_v / quantum_v) ** 2 - 1.0 / 12.0 - resting / 6.0)
    return math.exp(-2.0 * math.pi**2 * noise)


def _undithered(amplitude_v: float, residual_v: float, quantum_v: float) -> float:
    """Standard uncertainty of the amplitude from converter steps that noise does not blur.

    A sine of amplitude A through a uniform quantiser of step q gains 2 q / pi J1(2 pi A / q) for the
    first term of the sawtooth error (Fourier series of the error, Jacobi-Anger expansion), times what noise leaves
    of it. J1 is replaced by its bound, the sign being unknown: divided by root 2. The error is a function of the
    instantaneous value, so the phase does not suffer.
    """
    if quantum_v == 0.0:
        return 0.0
    steps = amplitude_v / quantum_v
    bound = min(0.5818, math.sqrt(1.0 / (math.pi**2 * steps))) if steps else 0.5818
    size = 2.0 / math.pi * bound / math.sqrt(2.0) * unblurred(amplitude_v, residual_v, quantum_v)
    return quantum_v * size
