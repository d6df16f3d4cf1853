"""A chassis driven hard: waveforms, distortion and the onset of clipping, grid current included."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from acquisition.errors import NoOperatingPoint, OutsideModel
from acquisition.records import Measurand
from analysis.circuit.elements import Array, conductance
from analysis.circuit.harmonic_balance import INSTANTS, HarmonicBalance
from analysis.circuit.large_signal import TAIL, distortion_ratio, harmonics_v, solve
from analysis.circuit.network import Circuit
from analysis.circuit.supplied import Supplied

from .compiling import GENERATOR
from .description import Chassis
from .parameters import Values
from .predicting import DEFAULT_FREQ_HZ

SAMPLES_AT_ONCE = 100
"""Samples balanced together, which bounds memory."""

GENTLEST_PP_V, ONSET_RATIO, FINEST_RATIO, ONSET_INSTANTS = 1e-3, 2.0, 1.01, 40
"""For the onset of one chassis: first drive, first and last ratio of two drives, and instants of a period."""


class Drivable(Protocol):
    """What is asked of a `ChassisModel` that is driven."""

    chassis: Chassis
    circuit: Circuit

    def supplied(self, values: Values) -> Supplied:
        """Chassis at rest."""

    def node(self, point: str) -> int:
        """Number of the node of a point."""

    def input_of(self, points: Sequence[str]) -> str:
        """The input that the generator feeds for a reading."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Onset:
    """Where a stage of the nominal chassis begins to clip, or how far the model could be driven without that.

    Parameters
    ----------
    reached : bool
        The limit was met; otherwise the figures are those of the largest drive that was balanced.
    unsolved : str
        Tube for which the next drive found no periodic state, empty where that was not the reason to stop.
    drive_pp_v, in_pp_v, out_pp_v : float
        Generator EMF, and the fundamentals at input and output, volts peak to peak.
    gentle, bent : ndarray, shape (N,)
        One period at the output of the smallest drive and at the onset.
    """

    reached: bool
    unsolved: str
    drive_pp_v: float
    in_pp_v: float
    out_pp_v: float
    gentle: Array
    bent: Array


def onset(
    model: Drivable,
    source: str,
    output: str,
    *,
    thd_ratio: float,
    fall_db: float,
    most_pp_v: float,
    freq_hz: float = 1000.0,
) -> Onset:
    """Raise the drive of the nominal chassis until a stage clips, each state found from the one before.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    source, output : str
        Points of the stage.
    thd_ratio, fall_db : float
        Distortion at the output, or loss of gain, that counts as clipping, whichever comes first.
    most_pp_v : float
        Largest drive.
    freq_hz : float
        Frequency of the drive.

    Raises
    ------
    OutsideModel
        The chassis file has no input to drive.
    NoOperatingPoint
        Not even the first drive has a periodic state.
    """
    supplied = model.supplied({})
    nodes = [model.node(point) for point in (source, output)]
    balance = _balance(model, supplied, model.input_of([source]), freq_hz, ONSET_INSTANTS)
    drive, low, high = min(GENTLEST_PP_V, most_pp_v), 0.0, math.inf
    waves: Array | None = None
    best: Onset | None = None
    while True:
        state = solve(balance, np.full(1, 0.5 * drive), waves)
        if not state.solved[0]:
            tube = model.circuit.tubes[int(state.culprit[0])].key
            if best is None:
                raise NoOperatingPoint(
                    f"{model.chassis.path}: no periodic state for {tube} at a drive of {drive:g} V",
                    hint="check the parts around it",
                    tube=tube,
                    residual_a=float(state.residual_a[0]),
                )
            return best if best.reached else replace(best, unsolved=tube)
        seen = balance.waves_at(state, nodes)
        first, last = (2.0 * float(harmonics_v(seen[node])[0, 1]) for node in nodes)
        wave = seen[nodes[1]][0]
        if best is None:
            gentle, gentle_gain = wave, last / first
        clips = bool(distortion_ratio(wave) >= thd_ratio or 20.0 * np.log10(gentle_gain * first / last) >= fall_db)
        if clips or best is None or not best.reached:
            best = Onset(
                reached=clips, unsolved="", drive_pp_v=drive, in_pp_v=first, out_pp_v=last, gentle=gentle, bent=wave
            )
        if clips:
            high = drive
        else:
            low, waves = drive, state.waves
        if low in (0.0, most_pp_v) or high <= low * FINEST_RATIO:
            return best
        drive = min(drive * ONSET_RATIO, most_pp_v) if high == math.inf else math.sqrt(low * high)


def waveforms(
    model: Drivable, values: Values, points: Sequence[str], drive_pp_v: float, freq_hz: float = 1000.0
) -> Array:
    """One period at each point under a sine drive.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    values : mapping
        Samples of parameter values.
    points : sequence of str
        Where to look, in one channel; no probe is attached.
    drive_pp_v : float
        Generator EMF, volts peak to peak; a cosine.
    freq_hz : float
        Its frequency.

    Returns
    -------
    ndarray, shape (S, P, N)
        Volts to ground; NaN where no periodic state was found.
    """
    return np.asarray(_driven(model, values, points, [drive_pp_v], freq_hz)[0])


def _driven(
    model: Drivable, values: Values, points: Sequence[str], drives_pp_v: Sequence[float], freq_hz: float
) -> Array:
    """As `waveforms`, for several drives, shape (D, S, P, N)."""
    nodes, source = [model.node(point) for point in points], model.input_of(points)
    parts = [_balanced(model, part, source, nodes, drives_pp_v, freq_hz) for part in _portions(values)]
    longest = max(part.shape[-1] for part in parts)
    return np.concatenate([_resampled(part, longest) for part in parts], axis=1)


def _resampled(waves: Array, instants: int) -> Array:
    """The same harmonics at more instants, or the first of them at fewer."""
    if waves.shape[-1] == instants:
        return waves
    spectrum = np.fft.rfft(waves, axis=-1)
    return np.asarray(np.fft.irfft(spectrum, instants, axis=-1) * (instants / waves.shape[-1]))


def _portions(values: Values) -> list[dict[str, Array]]:
    arrays = {key: np.atleast_1d(np.asarray(value, dtype=float)) for key, value in values.items()}
    count = max([1, *(array.size for array in arrays.values())])
    return [
        {key: a if a.size == 1 else a[at : at + SAMPLES_AT_ONCE] for key, a in arrays.items()}
        for at in range(0, count, SAMPLES_AT_ONCE)
    ]


def _balance(model: Drivable, supplied: Supplied, source: str, freq_hz: float, instants: int) -> HarmonicBalance:
    node, source_s = model.node(source), conductance(supplied.table[GENERATOR])
    return HarmonicBalance(model.circuit, supplied.table, supplied.rest, node, source_s, freq_hz, instants)


def _balanced(
    model: Drivable,
    values: Values,
    source: str,
    nodes: Sequence[int],
    drives_pp_v: Sequence[float],
    freq_hz: float,
) -> Array:
    """Waves at nodes, shape (D, S, P, N), of few instants or, where harmonics crowd the upper end, of more.

    A larger drive is looked for from the state of a smaller one, with as many instants as that needed.
    """
    supplied = model.supplied(values)
    balances = [_balance(model, supplied, source, freq_hz, INSTANTS[0])]
    size = balances[0].size
    found = np.full((len(drives_pp_v), size, len(nodes), INSTANTS[-1]), np.nan)
    level, waves = np.zeros(size, dtype=int), np.zeros((0, 0, 0))
    for place in np.argsort(drives_pp_v, kind="stable"):
        peak_v, solved = np.full(size, 0.5 * drives_pp_v[place]), np.zeros(size, dtype=bool)
        waves = waves if waves.size else _resampled(balances[0].first_guess(peak_v), INSTANTS[-1])
        for own, instants in enumerate(INSTANTS):
            rows = np.flatnonzero(level == own)
            if not rows.size:
                continue
            if own == len(balances):
                balances.append(_balance(model, supplied, source, freq_hz, instants))
            balance = balances[own]
            state = solve(balance.only(rows), peak_v[rows], _resampled(waves[rows], instants))
            waves[rows], solved[rows] = _resampled(state.waves, INSTANTS[-1]), state.solved
            more = ~state.solved | (balance.tail(state) > TAIL)
            if own + 1 < len(INSTANTS):
                level[rows[more]] = own + 1
            every = replace(state, waves=_resampled(waves, instants), peak_v=peak_v)
            seen = balance.waves_at(every, nodes)
            shown = np.stack([seen[node] for node in nodes], axis=1)
            found[place, rows] = _resampled(shown[rows], INSTANTS[-1])
        found[place, ~solved] = np.nan
    found[:, np.broadcast_to(supplied.rest.culprit >= 0, (size,))] = np.nan
    return found


def distortions(
    model: Drivable, values: Values, points: Sequence[str], drives_pp_v: Sequence[float], freq_hz: float = 1000.0
) -> Array:
    """Total harmonic distortion at points and drives, as a ratio, shape (D, S, P): one state serves all points.

    Parameters
    ----------
    model, values, points, freq_hz
        As in `waveforms`.
    drives_pp_v : sequence of float
        D generator EMFs, volts peak to peak, in any order.
    """
    return distortion_ratio(_driven(model, values, points, drives_pp_v, freq_hz))


def distortion_read(model: Drivable, values: Values, measurands: Sequence[Measurand]) -> Array:
    """Total harmonic distortion as it is read, as a ratio, shape (S, M).

    What the same generator drives is solved once, drive after drive.

    Parameters
    ----------
    model, values
        As in `waveforms`.
    measurands : sequence of Measurand
        Where, at which drive and frequency; 1 kHz where none is given.

    Raises
    ------
    OutsideModel
        One does not say how large the drive was.
    """
    runs: dict[tuple[str, float], list[int]] = {}
    for index, measurand in enumerate(measurands):
        if measurand.drive_pp_v is None:
            raise OutsideModel(f"thd_pct of {measurand.point}: how large was the drive?", hint="give drive_pp_v")
        driven = model.input_of([measurand.point]), measurand.freq_hz or DEFAULT_FREQ_HZ
        runs.setdefault(driven, []).append(index)
    found: list[Array] = [np.zeros(0)] * len(measurands)
    for (_, freq), members in runs.items():
        points = list(dict.fromkeys(measurands[index].point for index in members))
        drives = sorted({measurands[index].drive_pp_v or 0.0 for index in members})
        ratios = distortions(model, values, points, drives, freq)
        for index in members:
            drive, point = measurands[index].drive_pp_v or 0.0, measurands[index].point
            found[index] = ratios[drives.index(drive), :, points.index(point)]
    return np.stack(found, axis=1)
