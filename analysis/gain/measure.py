"""Gain and phase of a stage from the captured records of its input and output.

Channels of one single shot share trigger, generator and time axis, which cancel in the ratio; records of different
shots are referred to their triggers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed
from acquisition.records import Capture

from ..sinefit import SineFit, converter_step_v, distortion, fit_capture
from ..uncertainty import InputQuantity, rectangular
from .result import COUPLING_PHASE, COUPLINGS, DELAY, SCALES, Gain, NoisePart, times

KNOWN_FREQUENCY_PERIODS = 20.0
"""Up to so many periods the generator's frequency serves; beyond, the clocks of two instruments drift apart."""

NOTED_DROOP = 0.02
"""AC coupling earns a note from this ratio of its corner to the frequency, where it turns the phase by 1 degree."""

HUM_ORDERS = 4
"""Multiples of the mains that hum is strong at (common practice, no source)."""

NOTED_DISTORTION = 0.01
"""Distortion above which a result is noted as taken outside the linear range (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelAccuracy:
    """What the specification of the scope and its probes allows, as half-widths of rectangular distributions.

    Parameters
    ----------
    vertical : float
        Relative error of the voltage scale of a channel, 0.03 for 3 %.
    probe : float
        Relative error of the division of a probe.
    shared : float
        Correlation, 0 to 1, of the scale errors of two channels; 0 unless it was measured. Records of one channel
        on one range share the whole error, whatever this says.
    skew_s : float
        Delay between two channels with their probes, half-width in seconds.
    ac_corner_hz, ac_tolerance : float
        -3 dB frequency of AC coupling at the scope's input with a 1:1 lead, and the relative error of a channel's
        own: 10 Hz or less is what specifications print, 20 % is common practice, no source.
    trigger_samples : float
        How well the time of the first sample is known against the trigger, as width in sample intervals; matters
        only for records of different shots.
    mains_hz : float, optional
        Where hum may stand beside the signal, which no record tells apart from it when they are too near.
    """

    vertical: float = 0.03
    probe: float = 0.01
    shared: float = 0.0
    skew_s: float = 2e-9
    ac_corner_hz: float = 10.0
    ac_tolerance: float = 0.2
    trigger_samples: float = 1.0
    mains_hz: float | None = None


def gain_of(
    source: Capture,
    output: Capture,
    accuracy: ChannelAccuracy | None = None,
    *,
    freq_hz: float | None = None,
    harmonics: int = 5,
) -> Gain:
    """Complex gain from the records of input and output.

    Parameters
    ----------
    source, output : Capture
        Record at the input and at the output of the stage. Two channels with the same ``shot`` are simultaneous;
        otherwise each must have been triggered by the generator's sync, and the trigger is the common time.
    accuracy : ChannelAccuracy, optional
        Limits of scope and probes.
    freq_hz : float, optional
        Overrides the generator frequency in the records.
    harmonics : int
        Fitted together, so that distortion does not disturb the fundamental.

    Returns
    -------
    Gain

    Raises
    ------
    FitFailed
        As `fit_capture`, or there is no signal at the input.

    Notes
    -----
    First-order propagation through ``H = Z2 / Z1`` (JCGM 102:2011): the phasors' covariances are turned and scaled
    by ``1 / Z1`` and ``H / Z1``. What AC coupling takes from each channel, ``1 / (1 - j fc / f)``, is put back; of
    two channels coupled alike only the difference of their corners is left, and that is in the uncertainty.
    """
    limits = accuracy or ChannelAccuracy()
    together = source.shot == output.shot and source.channel != output.channel
    first, last = _fit_both(source, output, freq_hz, harmonics)
    if first.amplitude_v < 5.0 * first.amplitude_std_v:
        raise FitFailed(
            f"no signal of {first.freq_hz:g} Hz at {source.point}: {first.amplitude_v:.3g} V, uncertain by "
            f"{first.amplitude_std_v:.2g} V",
            hint="check generator lead, output switch and probe",
            reason="no signal at the input",
        )
    # Two records of one shot share the time axis, so any time serves; its centre is where the fit knows most.
    at_s = first.center_s if together else 0.0
    droops = [droop_of(capture, limits, first.freq_hz) for capture in (source, output)]
    seen_v = [first.phasor_at(at_s), last.phasor_at(at_s)]
    gain = (seen_v[1] / droops[1]) / (seen_v[0] / droops[0])
    thd = [distortion(f).thd_ratio if f.phasors_v.size > 1 and f.amplitude_v else 0.0 for f in (first, last)]
    return Gain(
        from_point=source.point,
        to_point=output.point,
        freq_hz=first.freq_hz,
        drive_pp_v=output.drive_pp_v if output.drive_pp_v is not None else source.drive_pp_v,
        gain=gain,
        noise=_noise(source, output, first, last, seen_v, gain, limits, together),
        fixed=(*_fixed(first, last, limits, together), *_couplings(source, output, droops, limits)),
        shared=_shared(source, output, limits),
        in_pp_v=2.0 * first.amplitude_v / abs(droops[0]),
        out_pp_v=2.0 * last.amplitude_v / abs(droops[1]),
        in_extremes_v=peak_to_peak_v(source),
        out_extremes_v=peak_to_peak_v(output),
        thd_in=thd[0],
        thd_out=thd[1],
        in_range=(source.channel, source.full_scale_v),
        out_range=(output.channel, output.full_scale_v),
        method="two channels, one shot" if together else "one channel at a time, sync as trigger",
        notes=(
            *_notes(source, output, first, last, thd[1], limits.mains_hz),
            *_droop_notes(source, output, droops),
            *_hum_notes(first, limits.mains_hz),
        ),
    )


def peak_to_peak_v(capture: Capture) -> float:
    """Maximum minus minimum of a record in volts.

    Parameters
    ----------
    capture : Capture
        Any record; noise makes the result too large, the more the longer the record.
    """
    codes = capture.codes.astype(np.int64)
    return float(codes.max() - codes.min()) * abs(capture.scale_v)


def droop_of(capture: Capture, limits: ChannelAccuracy, freq_hz: float) -> complex:
    """What AC coupling leaves of a signal; the probe's resistance stands in front of the capacitor too.

    Parameters
    ----------
    capture : Capture
        States coupling and probe.
    limits : ChannelAccuracy
        Holds the corner of the coupling.
    freq_hz : float
        In hertz.

    Returns
    -------
    complex
        Ratio of what the converter sees to what is at the tip.
    """
    if capture.coupling != "ac":
        return 1.0 + 0.0j
    return 1.0 / (1.0 - 1j * limits.ac_corner_hz / max(1.0, capture.probe_factor) / freq_hz)


def _fit_both(source: Capture, output: Capture, freq_hz: float | None, harmonics: int) -> tuple[SineFit, SineFit]:
    known = freq_hz or source.freq_hz or output.freq_hz
    length = source.dt_s * source.codes.size
    if known is not None and known * length <= KNOWN_FREQUENCY_PERIODS * 1.001:
        frequency = known
    else:
        # The record with the larger swing in converter steps knows the frequency better; both are fitted with it.
        larger = max((source, output), key=lambda c: peak_to_peak_v(c) / converter_step_v(c))
        frequency = fit_capture(larger, known, harmonics=harmonics, fit_frequency=True).freq_hz
    return (
        fit_capture(source, frequency, harmonics=harmonics),
        fit_capture(output, frequency, harmonics=harmonics),
    )


def _noise(
    source: Capture,
    output: Capture,
    first: SineFit,
    last: SineFit,
    seen_v: Sequence[complex],
    gain: complex,
    limits: ChannelAccuracy,
    together: bool,
) -> tuple[NoisePart, ...]:
    parts = []
    # Of the output, which may be nothing at all, the slope is taken without dividing by it.
    slopes = (gain / seen_v[0], gain / seen_v[1] if seen_v[1] else 1.0 / seen_v[0])
    for label, fit, phasor, slope in zip(("input", "output"), (first, last), seen_v, slopes, strict=True):
        turn = times(slope * (phasor / fit.phasor_v if fit.phasor_v else 1.0))
        block = fit.covariance_v2[:2, :2]
        if not fit.amplitude_v:  # less than a step of the converter may be there: no share of the gain, which is 0
            block = block + fit.undithered_v**2 * np.eye(2)
        parts.append(
            NoisePart(
                name=f"noise and converter, {label}",
                covariance=turn @ block @ turn.T,
                dof=float(max(1, fit.dof)),
            )
        )
    if not together:
        delay_s = math.hypot(source.dt_s, output.dt_s) * limits.trigger_samples / math.sqrt(12.0)
        turn = times(gain)
        across = (2.0 * math.pi * first.freq_hz * delay_s) ** 2
        parts.append(
            NoisePart(
                name="time of the first sample", covariance=turn @ np.diag([0.0, across]) @ turn.T, dof=math.inf
            )
        )
    return tuple(parts)


def _fixed(first: SineFit, last: SineFit, limits: ChannelAccuracy, together: bool) -> tuple[InputQuantity, ...]:
    coarse = [fit.undithered_v / fit.amplitude_v if fit.amplitude_v else 0.0 for fit in (first, last)]
    vertical, probe = rectangular(limits.vertical), rectangular(limits.probe)
    stds = (vertical, vertical, probe, probe, *coarse)
    fixed = [InputQuantity(name=name, value=0.0, std=std) for name, std in zip(SCALES, stds, strict=True)]
    if together:
        fixed.append(InputQuantity(name=DELAY, value=0.0, std=rectangular(limits.skew_s), unit="s"))
    return tuple(fixed)


def _couplings(
    source: Capture, output: Capture, droops: Sequence[complex], limits: ChannelAccuracy
) -> tuple[InputQuantity, ...]:
    """What the tolerance of the corners leaves uncertain: one capacitor for both records does so of nothing."""
    if source.coupling == output.coupling and (source.coupling != "ac" or source.channel == output.channel):
        return ()
    # 1 / (1 - jx) with x = tan(angle): its logarithm moves by -sin^2 and, in phase, by sin cos times that of x.
    angles = [math.atan2(droop.imag, droop.real) for droop in droops]
    std = rectangular(limits.ac_tolerance)
    found = [
        InputQuantity(name=name, value=0.0, std=std * math.sin(angle) ** 2)
        for name, angle in zip(COUPLINGS, angles, strict=True)
        if angle
    ]
    turned = std * math.hypot(*(math.sin(angle) * math.cos(angle) for angle in angles))
    return (*found, InputQuantity(name=COUPLING_PHASE, value=0.0, std=math.degrees(turned), unit="deg"))


def _droop_notes(source: Capture, output: Capture, droops: Sequence[complex]) -> tuple[str, ...]:
    worst = min(droops, key=abs)
    is_alike = source.coupling == output.coupling
    if is_alike and worst.imag < NOTED_DROOP * worst.real:
        return ()
    alike = "both channels are" if is_alike else "one channel is"
    turned_deg = math.degrees(math.atan2(worst.imag, worst.real))
    told = (
        f"{alike} AC coupled: {100 * (1 - abs(worst)):.2g} % and {turned_deg:.2g} deg of a channel put back; the "
        "tolerance of its corner is in the uncertainty"
    )
    below = worst.imag > worst.real
    return (told, "below the corner of the AC coupling: a DC-coupled input tells more") if below else (told,)


def _shared(source: Capture, output: Capture, limits: ChannelAccuracy) -> dict[tuple[str, str], float]:
    same_channel = source.channel == output.channel
    same_range = math.isclose(source.full_scale_v, output.full_scale_v, rel_tol=1e-6)
    shared = {}
    scale = 1.0 if same_channel and same_range else limits.shared
    if scale:
        shared[SCALES[0], SCALES[1]] = scale
    if same_channel and source.probe_factor == output.probe_factor:
        shared[SCALES[2], SCALES[3]] = 1.0
    return shared


def _hum_notes(fit: SineFit, mains_hz: float | None) -> tuple[str, ...]:
    """Hum within a line spacing of the signal adds to it, and leaves nothing in the record that would tell."""
    if not mains_hz:
        return ()
    hum_hz = _hum_at(fit, fit.freq_hz, mains_hz)
    if hum_hz is None:
        return ()
    return (f"hum at {hum_hz:g} Hz is too near to be told from the signal and not in the uncertainty",)


def _hum_at(fit: SineFit, freq_hz: float, mains_hz: float) -> float | None:
    """Line of hum within a line spacing of a frequency, or None."""
    order = round(freq_hz / mains_hz)
    is_near = abs(freq_hz - order * mains_hz) * fit.periods < fit.freq_hz
    return order * mains_hz if is_near and 1 <= order <= HUM_ORDERS else None


def _distortion_note(fit: SineFit, thd: float, point: str, mains_hz: float | None) -> str:
    """What distortion may mean: of a signal of 20 Hz, hum at 100 Hz is the fifth harmonic."""
    orders = range(2, fit.phasors_v.size + 1) if mains_hz else ()
    hum_hz = next((hz for k in orders if (hz := _hum_at(fit, k * fit.freq_hz, mains_hz or 0.0))), None)
    if hum_hz is None:
        return f"distortion {100 * thd:.1f} % at {point}: the drive is outside the linear range"
    return f"distortion {100 * thd:.1f} % at {point}, or hum: {hum_hz:g} Hz cannot be told from a harmonic"


def _notes(
    source: Capture, output: Capture, first: SineFit, last: SineFit, thd_out: float, mains_hz: float | None
) -> tuple[str, ...]:
    notes = [f"{capture.point}: {note}" for capture, fit in ((source, first), (output, last)) for note in fit.notes]
    if source.clipped or output.clipped:
        notes.append("the scope's converter is at its end: choose a larger range")
    if thd_out > NOTED_DISTORTION:
        notes.append(_distortion_note(last, thd_out, output.point, mains_hz))
    if last.amplitude_v < 5.0 * last.amplitude_std_v:
        notes.append(f"{output.point}: hardly any signal, phase means nothing")
    return tuple(notes)
