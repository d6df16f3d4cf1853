"""Is a divider probe trimmed: what the corners of a square wave say of its gain at high frequencies.

A divider of ``R1 || C1`` over ``R2 || C2`` passes ``G(0) = R2/(R1 + R2)`` at low frequencies and
``G(inf) = C1/(C1 + C2)`` at high ones, with one time constant ``tau = (R1 || R2) (C1 + C2)`` between; trimmed, both
are the same. Of a step it shows ``1 + e exp(-t/tau)``, where ``e = G(inf)/G(0) - 1``, and of a sine
``1 + e jwt/(1 + jwt)`` with ``wt = 2 pi f tau`` (a voltage divider; any text on networks).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acquisition.errors import FitFailed
from acquisition.records import Capture

SQUARE_WITHIN = 0.02
"""Corners within this are square (common practice, no source)."""

BETWEEN_HZ = (300.0, 20_000.0)
"""Calibrators give about 1 kHz (common practice, no source)."""

FEWEST_STEPS = 20.0
"""A wave of fewer steps of the converter, peak to peak, says nothing of its corners."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeCheck:
    """One probe on the calibrator.

    Parameters
    ----------
    channel : int
        Of the scope, from 1.
    freq_hz : float
        Of the square wave.
    size_v : float
        Peak to peak between its settled levels, volts, with the probe's factor as the scope has it.
    corner : float
        ``e``: what the corners overshoot (or lack, below zero), as a share of the size.
    corner_std : float
        Its standard uncertainty, from the scatter of the record.
    tau_s : float
        Time constant of the corner.
    """

    channel: int
    freq_hz: float
    size_v: float
    corner: float
    corner_std: float
    tau_s: float

    @property
    def is_square(self) -> bool:
        """Trimmed well enough."""
        return abs(self.corner) <= SQUARE_WITHIN

    def error_at(self, freq_hz: float) -> complex:
        """Gain of the probe over that at low frequencies.

        Parameters
        ----------
        freq_hz : float
            Of a sine, hertz.
        """
        turn = 2j * math.pi * freq_hz * self.tau_s
        return 1.0 + self.corner * turn / (1.0 + turn)

    def text(self) -> str:
        """``3.02 V p-p at 1 kHz, corners +0.4 %: square``, or what a probe out of trim does and what to do."""
        head = f"{self.size_v:.3g} V p-p at {self.freq_hz / 1e3:.3g} kHz, corners {100 * self.corner:+.1f} %"
        if self.is_square:
            return f"{head}: square"
        freqs = np.geomspace(50.0, 50_000.0, 200)
        turned = max((math.degrees(np.angle(self.error_at(f))) for f in freqs), key=abs)
        which = "over" if self.corner > 0 else "under"
        return (
            f"{head}: {which}compensated, reads {100 * self.corner:+.1f} % at high frequencies and turns the phase "
            f"by up to {turned:+.1f} deg; turn its trimmer until the corners are square, and check again"
        )


def check_probe(record: Capture) -> ProbeCheck:
    """What the record of a square wave says of the probe.

    Parameters
    ----------
    record : Capture
        Of the calibrator, coupled directly, two half periods of it or more.

    Raises
    ------
    FitFailed
        It is no square wave.
    """
    t, v = record.times_s, record.volts
    low_v, high_v = (float(level) for level in np.percentile(v, (10.0, 90.0)))
    middle_v, size_v = 0.5 * (low_v + high_v), high_v - low_v
    if record.clipped or size_v < FEWEST_STEPS * record.scale_v:
        raise _no_square(record)
    edges, signs = _edges(t, v, middle_v, 0.2 * size_v)
    if len(edges) < 3:
        raise _no_square(record)
    half_s = float(np.median(np.diff(edges)))
    freq_hz = 0.5 / half_s
    if not BETWEEN_HZ[0] <= freq_hz <= BETWEEN_HZ[1] or np.ptp(np.diff(edges)) > 0.2 * half_s:
        raise _no_square(record)
    since, folded, side = [], [], []
    for begin_s, end_s, sign in zip(edges, edges[1:], signs, strict=False):
        # Without the edges themselves: the rise takes a few samples, and the converter its time.
        inside = (t > begin_s + 0.01 * half_s) & (t < end_s - 0.01 * half_s)
        since.append(t[inside] - begin_s)
        folded.append(sign * (v[inside] - middle_v))
        side.append(np.full(int(inside.sum()), sign))
    u, y, s = (np.concatenate(rows) for rows in (since, folded, side))
    # y = a + s o + b exp(-u/tau), where o is how far the middle lies beside the mean of both levels.
    best: tuple[float, float, np.ndarray, np.ndarray] | None = None
    for tau_s in np.geomspace(0.01 * half_s, 0.5 * half_s, 40):
        columns = np.stack([np.ones_like(u), s, np.exp(-u / tau_s)], axis=1)
        found, *_ = np.linalg.lstsq(columns, y, rcond=None)
        rest = float(np.sum((y - columns @ found) ** 2))
        if best is None or rest < best[0]:
            best = rest, float(tau_s), found, columns
    assert best is not None  # noqa: S101  the loop is not empty
    rest, tau_s, (level_v, _, corner_v), columns = best
    if level_v <= 0.0 or rest > len(y) * (0.05 * level_v) ** 2:
        raise _no_square(record)  # a sine, or hum, crosses its middle regularly too
    # The half period before had not quite settled either: its rest is in the step.
    share = (1.0 + math.exp(-half_s / tau_s)) / (2.0 * level_v)
    variance = rest / max(1, len(y) - 4) * float(np.linalg.inv(columns.T @ columns)[2, 2])
    return ProbeCheck(
        channel=record.channel, freq_hz=freq_hz, size_v=2.0 * float(level_v), corner=float(corner_v * share),
        corner_std=float(math.sqrt(variance) * share), tau_s=tau_s,
    )  # fmt: skip


def unlike(first: ProbeCheck, second: ProbeCheck) -> str:
    """Say what the sizes of one wave on two channels tell of their factors; empty where they agree.

    Parameters
    ----------
    first, second : ProbeCheck
        Of the same wave.
    """
    larger, smaller = sorted((first, second), key=lambda one: one.size_v, reverse=True)
    ratio = larger.size_v / smaller.size_v
    if ratio < 1.1:
        return ""
    what = f"channel {larger.channel} shows {ratio:.3g} times what channel {smaller.channel} shows of one wave"
    if 8.0 <= ratio <= 12.5:
        return f"{what}: a probe's switch stands at x1, or its channel has another factor than the bench file"
    return f"{what}: are both probes of the bench file's factor, and their switches in place?"


def _edges(t: np.ndarray, v: np.ndarray, middle_v: float, reach_v: float) -> tuple[list[float], list[float]]:
    """Moments at which the wave has gone from one level to the other, and to which side."""
    state = np.zeros(len(v))
    state[v > middle_v + reach_v] = 1.0
    state[v < middle_v - reach_v] = -1.0
    told = np.flatnonzero(state)
    if told.size < 2:
        return [], []
    turns = np.flatnonzero(np.diff(state[told]))
    edges = [float(0.5 * (t[told[k]] + t[told[k + 1]])) for k in turns]
    return edges, [float(state[told[k + 1]]) for k in turns]


def _no_square(record: Capture) -> FitFailed:
    return FitFailed(
        f"channel {record.channel} shows no square wave",
        hint="put the tip of its probe on the calibrator's terminal, its clip on the earth beside it",
    )
