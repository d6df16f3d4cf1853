"""What a stage does at one drive: gain, harmonics, and which end of the wave is flattened."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed
from acquisition.records import Capture

from ..gain import ChannelAccuracy, Gain, gain_of
from ..sinefit import SineFit, distortion, fit_capture

HARMONICS = 9

KEPT_AS = "headroom"
"""First word of the note of captures taken while the drive was raised; the rest names the run."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """What was seen at one drive.

    Parameters
    ----------
    drive_pp_v : float
        Generator setting, volts peak to peak.
    gain : Gain
        With input and output amplitudes.
    thd_in, thd_out, thd_std, thd_floor : float
        Distortion ratios; the last two of the output: standard uncertainty, and what noise alone would show.
    harmonics : tuple of float
        Amplitudes at the output in volts peak, fundamental first.
    dwell : float
        How much longer the output stays near its upper than near its lower end, -1 to 1: above 0 the upper side
        is flattened, below 0 the lower.
    in_dwell : float
        The same of the input.
    """

    drive_pp_v: float
    gain: Gain
    thd_in: float
    thd_out: float
    thd_std: float
    thd_floor: float
    harmonics: tuple[float, ...]
    dwell: float
    in_dwell: float


def step_of(source: Capture, output: Capture, drive_pp_v: float, accuracy: ChannelAccuracy | None = None) -> Step:
    """Gain, harmonics and shape of one pair of records.

    Parameters
    ----------
    source, output : Capture
        Of one single shot.
    drive_pp_v : float
        Generator setting.
    accuracy : ChannelAccuracy, optional
        As `gain_of`.

    Raises
    ------
    FitFailed
        As `gain_of`, or there is no output.
    """
    gain = gain_of(source, output, accuracy, harmonics=HARMONICS)
    if not gain.gain:
        raise FitFailed(
            f"no signal of {gain.freq_hz:g} Hz at {output.point}: nothing there that could clip",
            hint="is the probe on the point? the stage may be dead: look at its gain and volts first",
            reason="no output",
        )
    fits = [fit_capture(capture, gain.freq_hz, harmonics=HARMONICS) for capture in (source, output)]
    tables = [distortion(fit) for fit in fits]
    return Step(
        drive_pp_v=drive_pp_v,
        gain=gain,
        thd_in=tables[0].thd_ratio,
        thd_out=tables[1].thd_ratio,
        thd_std=tables[1].thd_std,
        thd_floor=tables[1].floor_ratio,
        harmonics=tuple(h.amplitude_v for h in tables[1].harmonics),
        dwell=_dwell(fits[1]),
        in_dwell=_dwell(fits[0]),
    )


def steps_kept(
    captures: Sequence[Capture], source: str, output: str, accuracy: ChannelAccuracy | None = None
) -> list[list[Step]]:
    """Steps computed again from the captures that a job keeps.

    Parameters
    ----------
    captures : sequence of Capture
        As the pass holds them.
    source, output : str
        Input and output point.
    accuracy : ChannelAccuracy, optional
        As `gain_of`.

    Returns
    -------
    list of list of Step
        One list a run; left out are records that told nothing when they were taken either.
    """
    runs: dict[str, dict[int, dict[str, Capture]]] = {}
    for capture in captures:
        way, _, run = capture.note.partition(" ")
        if way == KEPT_AS and capture.point in {source, output}:
            runs.setdefault(run, {}).setdefault(capture.shot, {})[capture.point] = capture
    kept: list[list[Step]] = []
    for shots in runs.values():
        kept.append([])
        for shot in shots.values():
            if source in shot and output in shot:
                with suppress(FitFailed):
                    kept[-1].append(step_of(shot[source], shot[output], shot[output].drive_pp_v or 0.0, accuracy))
    return kept


def _dwell(fit: SineFit) -> float:
    turn = np.linspace(0.0, 1.0, 2048, endpoint=False)
    orders = np.arange(1, fit.phasors_v.size + 1)
    return dwell_of((np.exp(2j * np.pi * np.outer(turn, orders)) @ fit.phasors_v).real)


def dwell_of(wave: np.ndarray) -> float:
    """Time near the upper end against time near the lower end of one period, -1 to 1.

    Parameters
    ----------
    wave : ndarray, shape (N,)
        One period in volts.

    Notes
    -----
    Independent of level, offset and coupling, which an excursion measured from the mean is not: a capacitor shifts
    the mean of a one-sided wave.
    """
    top, bottom = float(wave.max()), float(wave.min())
    if top <= bottom:
        return 0.0
    near = 0.15 * (top - bottom)
    above, below = float(np.mean(wave > top - near)), float(np.mean(wave < bottom + near))
    return (above - below) / (above + below)


def side_of(dwell: float) -> str:
    """Which side of the output flattens first: ``upper``, ``lower`` or ``both``.

    Parameters
    ----------
    dwell : float
        `dwell_of` at the onset minus that of a small signal.
    """
    if abs(dwell) < 0.05:
        return "both"
    return "upper" if dwell > 0 else "lower"


def side_text(side: str) -> str:
    """A side in words: ``upper side``, ``both sides``.

    Parameters
    ----------
    side : str
        As `side_of`, or ``unclear``.
    """
    return "both sides" if side == "both" else f"{side} side"
