"""Hum and ripple as lines at the mains frequency and its multiples, and the spectrum of a record.

A line at the mains frequency itself points to heaters, magnetic pick-up or half-wave rectification; lines at twice
the mains frequency and its multiples are the ripple of a full-wave supply (common practice; Radiotron Designer's
Handbook, 4th ed., ch. 31, from memory). The mains frequency is fitted, not assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from acquisition.errors import FitFailed
from acquisition.records import Capture, Reading

from .gain import ChannelAccuracy, droop_of
from .sinefit import SineFit, converter_step_v, fit_capture, most_harmonics, unblurred
from .uncertainty import rectangular

CLEAR = 4.0
"""A line counts when its amplitude is above so many standard uncertainties of the noise."""

MAINS_WINDOW = 0.04
"""Farthest that a fitted mains frequency may lie from the nominal one, as a ratio."""

FLAT_TOP = (1.0, 1.933, 1.286, 0.388, 0.0322)
"""Coefficients of the flat-top window of ISO 18431-2 (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of hum.

    Parameters
    ----------
    order : int
        Multiple of the mains frequency.
    freq_hz : float
        In hertz.
    peak_v, std_v : float
        Amplitude in volts peak, and its standard uncertainty from noise.
    clear : bool
        It stands out of the noise.
    """

    order: int
    freq_hz: float
    peak_v: float
    std_v: float
    clear: bool

    @property
    def rms_v(self) -> float:
        """Effective value in volts."""
        return self.peak_v / math.sqrt(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What hums at a point, the generator being off.

    Parameters
    ----------
    point : str
        Where.
    mains_hz, mains_std_hz : float
        Fitted mains frequency; the uncertainty is 0 where the lines were too weak to fit it and the nominal value
        was taken.
    lines : tuple of Line
        Orders 1 up.
    hum_pp_v, hum_pp_std_v : float
        Peak to peak of all lines together, volts; its standard uncertainty from noise, voltage scale and
        probe, the corner of AC coupling, multiples that are not fitted, and converter steps that noise does not
        blur.
    whole_pp_v : float
        Maximum minus minimum of the samples, noise included.
    noise_v : float
        What is no line, volts rms in the band of the record.
    least_v : float
        Amplitude, volts peak, that a line must have to be told from the noise; where no line is clear and noise
        does not blur the converter's steps, not less than what one step can hide.
    kind : str
        ``mains line``, ``twice mains``, ``both`` or ``none``.
    """

    point: str
    mains_hz: float
    mains_std_hz: float
    lines: tuple[Line, ...]
    hum_pp_v: float
    hum_pp_std_v: float
    whole_pp_v: float
    noise_v: float
    least_v: float
    kind: str

    @property
    def strongest(self) -> Line:
        """Line with the largest amplitude."""
        return max(self.lines, key=lambda line: line.peak_v)

    @property
    def meaning(self) -> str:
        """What the kind points to, in one sentence."""
        return {
            "mains line": "mostly the mains frequency itself: heater to cathode leakage, heater wiring, magnetic "
            "pick-up, a half-wave supply or one missing half of a rectifier are consistent with it",
            "twice mains": "mostly twice the mains frequency and its multiples: ripple of a full-wave supply, "
            "filter capacitors or their grounds are consistent with it",
            "both": "the mains frequency and its double are both strong: look at heaters and at the supply filter",
            "none": "no line stands out of the noise",
        }[self.kind]

    def reading(self, *, taken_utc: str, instrument: str, range_v: float | None = None) -> Reading:
        """The reading kept in the job: ``ripple_pp_v`` with the frequency of the strongest line.

        Parameters
        ----------
        taken_utc, instrument : str
            As in `Reading`.
        range_v : float, optional
            Full scale of the channel.
        """
        return Reading(
            point=self.point,
            quantity="ripple_pp_v",
            value=self.hum_pp_v,
            std=self.hum_pp_std_v,
            freq_hz=self.strongest.freq_hz if self.kind != "none" else None,
            taken_utc=taken_utc,
            instrument=instrument,
            range_v=range_v,
            note=f"lines of {self.mains_hz:.3f} Hz: {self.kind}",
        )


def hum_of(
    capture: Capture, nominal_hz: float, accuracy: ChannelAccuracy | None = None, *, orders: int = 10
) -> Hum:
    """Lines at the mains frequency and its multiples in a record taken with the generator off.

    Parameters
    ----------
    capture : Capture
        At least five periods of the mains; 0.2 s or more resolves a mains frequency a hertz off.
    nominal_hz : float
        50 or 60.
    accuracy : ChannelAccuracy, optional
        Limits of scope and probe.
    orders : int
        Highest multiple.

    Returns
    -------
    Hum

    Raises
    ------
    FitFailed
        The record is too short, or clipped.

    Notes
    -----
    All multiples are fitted together with the frequency, so lines do not leak into each other as in a transform of
    a record that holds no whole number of periods. What AC coupling takes from each of them is put back.
    """
    limits = accuracy or ChannelAccuracy()
    # The true mains may lie above the nominal one, and a slow record then carries fewer of its multiples.
    count = most_harmonics(nominal_hz * (1.0 + MAINS_WINDOW), capture.dt_s, orders)
    if nominal_hz * capture.dt_s * capture.codes.size < 5.0:
        raise FitFailed(
            f"{capture.point}: the record holds less than five periods of {nominal_hz:g} Hz",
            hint="choose a slower time base: 0.2 s or more",
            reason="too few periods",
        )
    fit = _fit_mains(capture, nominal_hz, count)
    later = replace(limits, ac_corner_hz=limits.ac_corner_hz * (1.0 + limits.ac_tolerance))
    droops, off = (
        np.array([droop_of(capture, one, order * fit.freq_hz) for order in range(1, count + 1)])
        for one in (limits, later)
    )
    lines = tuple(_line(fit, index, abs(droop)) for index, droop in enumerate(droops))
    clear = [line for line in lines if line.clear]
    turn = np.linspace(0.0, 1.0, 2000, endpoint=False)
    present = np.array([line.order for line in clear], dtype=int)
    turns = np.exp(2j * np.pi * np.outer(turn, present)) * fit.phasors_v[present - 1]
    waves = (turns / droops[present - 1]).real
    # Noise moves the extremes of a sum of lines by about what it moves the lines; it hides what is smaller.
    least_v = CLEAR * max(line.std_v for line in lines)
    noise = 2.0 * math.sqrt(sum(line.std_v**2 for line in clear)) if clear else rectangular(2.0 * least_v)
    size = float(np.ptp(waves.sum(axis=1)))
    # Lines of a triangle fall with the square of their order: beyond the last that is fitted there may be as much
    # as the upper half of them adds.
    beyond = abs(size - float(np.ptp(waves[:, present <= count // 2].sum(axis=1))))
    corner = abs(size - float(np.ptp((turns / off[present - 1]).real.sum(axis=1))))
    # Without noise, top and bottom of the wave lie anywhere within half a step of their codes: two rectangular
    # errors. They have the size that a wave has on average which stays inside one step and shows no line at all.
    strongest_v = float(np.abs(fit.phasors_v[present - 1]).max(initial=0.0))
    step_v = converter_step_v(capture)
    bare_v = step_v * unblurred(strongest_v, fit.residual_rms_v, step_v)
    codes = capture.codes.astype(np.int64)
    return Hum(
        point=capture.point,
        mains_hz=fit.freq_hz,
        mains_std_hz=fit.freq_std_hz,
        lines=lines,
        hum_pp_v=size,
        hum_pp_std_v=math.hypot(
            noise,
            rectangular(math.hypot(size * limits.vertical, size * limits.probe, corner, beyond)),
            bare_v / math.sqrt(6.0),
        ),
        whole_pp_v=float(codes.max() - codes.min()) * abs(capture.scale_v),
        noise_v=fit.residual_rms_v,
        least_v=least_v if clear else max(least_v, 0.5 * bare_v),
        kind=_kind(lines),
    )


def amplitude_spectrum(capture: Capture) -> tuple[np.ndarray, np.ndarray, float]:
    """Spectrum of a record through a flat-top window, for figures.

    Parameters
    ----------
    capture : Capture
        Any record.

    Returns
    -------
    freq_hz : ndarray, shape (N // 2 + 1,)
        Hertz.
    peak_v : ndarray, shape (N // 2 + 1,)
        Amplitude of a sine of that frequency, volts peak; less than 0.1 dB low between bins.
    floor_v : float
        Median of the amplitudes: the level of the noise in one bin.
    """
    volts = capture.volts - capture.volts.mean()
    phase = 2.0 * np.pi * np.arange(volts.size) / volts.size
    window = sum((-1) ** k * a * np.cos(k * phase) for k, a in enumerate(FLAT_TOP))
    spectrum = 2.0 * np.abs(np.fft.rfft(volts * window)) / np.sum(window)
    return np.fft.rfftfreq(volts.size, capture.dt_s), spectrum, float(np.median(spectrum))


def _fit_mains(capture: Capture, nominal_hz: float, count: int) -> SineFit:
    """Fit with the mains frequency free; with the nominal one where nothing is there to hold it."""
    length = capture.dt_s * capture.codes.size
    # The window is searched first: the highest line that is there turns by n times the error of the frequency, and
    # a Gauss-Newton step from half a line spacing off would find a side lobe of it.
    spacing = 0.35 / (length * count)
    steps = int(MAINS_WINDOW * nominal_hz / spacing)
    volts = capture.volts - capture.volts.mean()
    window = np.hanning(volts.size)
    best, best_power = nominal_hz, -1.0
    padded = np.fft.rfft(volts * window, 8 * volts.size)
    for step in range(-steps, steps + 1):
        trial = nominal_hz + step * spacing
        places = np.arange(1, count + 1) * trial * 8 * volts.size * capture.dt_s
        near = np.rint(places).astype(int)
        power = float(np.sum(np.abs(padded[near[near < padded.size]]) ** 2))
        if power > best_power:
            best, best_power = trial, power
    try:
        fit = fit_capture(capture, best, harmonics=count, fit_frequency=True)
    except FitFailed as error:
        if error.reason not in {"frequency did not converge", "no signal"}:
            raise
        return fit_capture(capture, nominal_hz, harmonics=count)
    off = abs(fit.freq_hz / nominal_hz - 1.0) > MAINS_WINDOW
    weak = not any(_line(fit, index).clear for index in range(count))
    return fit_capture(capture, nominal_hz, harmonics=count) if off or weak else fit


def _line(fit: SineFit, index: int, left: float = 1.0) -> Line:
    """One line; ``left`` is the share of it that the coupling lets through."""
    block = fit.covariance_v2[2 * index : 2 * index + 2, 2 * index : 2 * index + 2]
    size = float(abs(fit.phasors_v[index]))
    std = math.sqrt(float(np.trace(block)) / 2.0)
    return Line(
        order=index + 1,
        freq_hz=(index + 1) * fit.freq_hz,
        peak_v=size / left,
        std_v=std / left,
        clear=size > CLEAR * std,
    )


def _kind(lines: tuple[Line, ...]) -> str:
    # Odd multiples cannot come from a balanced full-wave supply; even ones can come from a half-wave one as well,
    # which is why the odd ones decide when they are strong.
    odd = math.sqrt(sum(line.peak_v**2 for line in lines if line.order % 2 and line.clear))
    even = math.sqrt(sum(line.peak_v**2 for line in lines if line.order % 2 == 0 and line.clear))
    if odd == even == 0.0:
        return "none"
    if odd > 2.0 * even:
        return "mains line"
    return "twice mains" if even > 2.0 * odd else "both"
