"""Waveforms as small drawings: every capture of a job on a page or two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Capture

from .words import frequency_text, quantity_text

WIDTH, HEIGHT = 480, 384
"""Of a drawing, in its own units: whole numbers keep a hundred drawings short."""

COLUMNS = 240

PERIODS, MOST_PERIODS = 8, COLUMNS // 6
"""A drawing of more periods than the second would be a block of colour: then the first few are drawn."""


def envelope(volts: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest sample of each column, so that no spike is lost to thinning.

    Parameters
    ----------
    volts : ndarray, shape (N,)
        Samples.
    columns : int
        Wanted columns; no more than there are samples.

    Returns
    -------
    low, high : ndarray, shape (min(N, columns),)
        In volts.
    """
    count = min(len(volts), columns)
    starts = np.linspace(0, len(volts), count, endpoint=False).astype(int)
    return np.minimum.reduceat(volts, starts), np.maximum.reduceat(volts, starts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thumbnail:
    """One capture in small.

    Parameters
    ----------
    points : str
        Outline for an SVG ``path``.
    zero : int, optional
        Height of the 0 V line, if it is in the picture.
    point, caption, warning, described : str
        Where it was taken; what it shows; what is wrong with it; the whole in words.
    """

    points: str
    zero: int | None
    point: str
    caption: str
    warning: str
    described: str


def settings(capture: Capture) -> str:
    """How the scope was set for a capture, as far as it is known.

    Parameters
    ----------
    capture : Capture
        The capture.
    """
    limit = f", {format_value(capture.bandwidth_hz, 'Hz')} limit" if capture.bandwidth_hz else ""
    return f"{capture.coupling.upper()} coupled, probe ×{capture.probe_factor:g}{limit}"


def thumbnail(capture: Capture, usual: str = "") -> Thumbnail:
    """Draw a capture.

    Parameters
    ----------
    capture : Capture
        With one sample or more.
    usual : str
        Settings that need not be repeated.
    """
    volts = capture.volts
    span = quantity_text(float(volts.max() - volts.min()), "pp_v", 3)
    duration = capture.dt_s * volts.size
    wide = f"{_seconds(duration)} wide"
    if capture.freq_hz and duration * capture.freq_hz > MOST_PERIODS:
        volts = volts[: max(2, round(PERIODS / capture.freq_hz / capture.dt_s))]
        wide = f"the first {_seconds(capture.dt_s * volts.size)} of {_seconds(duration)}"
    low, high = envelope(volts, COLUMNS)
    bottom, top = float(low.min()), float(high.max())
    room = max((top - bottom) * 0.08, 1e-9 + abs(top) * 1e-6)
    scale = HEIGHT / (top - bottom + 2 * room)

    def y(level: np.ndarray | float) -> np.ndarray:
        return np.rint(HEIGHT - (np.asarray(level) - bottom + room) * scale)

    x = np.rint(np.linspace(0, WIDTH, len(low)))
    if np.array_equal(low, high):
        path = _polyline(x, y(low))
    else:
        # Down one edge and back along the other; a line as thin as the trace keeps flat parts visible.
        path = _polyline(np.r_[x, x[::-1]], np.r_[y(high), y(low)[::-1]]) + "Z"
    facts = [f"{span} p-p", wide]
    if capture.freq_hz:
        facts.append(frequency_text(capture.freq_hz))
    if settings(capture) != usual:
        facts.append(settings(capture))
    return Thumbnail(
        points=path,
        zero=int(y(0.0)) if bottom - room <= 0 <= top + room else None,
        point=capture.point,
        caption=", ".join(facts),
        warning="reaches the end of the scope's range" if capture.clipped else "",
        described=f"Waveform at {capture.point}, {', '.join(facts)}",
    )


def _seconds(duration_s: float) -> str:
    return format_value(duration_s, "s").replace("u", "µ")


def _polyline(x: np.ndarray, y: np.ndarray) -> str:
    return "M" + " ".join(map(str, np.column_stack([x, y]).astype(int).ravel().tolist()))
