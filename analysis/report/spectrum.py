"""Spectrum of a captured waveform, for looking at: hum lines, harmonics, and what lies between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from acquisition.records import Capture

from ..spectrum import amplitude_spectrum
from .figures import Figure, marks_of
from .material import Material
from .style import TEMPLATE, shown
from .words import frequency_text

MAIN_LOBE_BINS = 5
"""What the window smears of zero frequency is left out."""

LOWEST_DB = -110.0
COLUMNS = 420
FEWEST_PERIODS = 10


def output_captures(material: Material) -> list[tuple[str, Capture]]:
    """The last long enough capture at a signal output in the last pass, and what is nearest to it in the first.

    Two channels of a stereo chassis, or hum beside a signal, would look like what a repair changed.

    Parameters
    ----------
    material : Material
        Of the report.
    """
    if material.chassis is None or material.chassis.signal is None:
        return []
    outputs = material.chassis.signal.outputs
    long = {one.name: [c for c in one.captures if c.point in outputs and _is_long(c)] for one in material.ends}
    wanted = next((captures[-1] for captures in reversed(long.values()) if captures), None)
    if wanted is None:
        return []
    found = []
    for name, captures in long.items():
        beside = [c for c in captures if c.point == wanted.point]
        alike = [c for c in beside if (c.freq_hz, c.drive_pp_v) == (wanted.freq_hz, wanted.drive_pp_v)]
        found += [(name, one) for one in (alike or beside)[-1:]]
    return found


def _is_long(capture: Capture) -> bool:
    periods = (capture.freq_hz or 0.0) * capture.dt_s * capture.codes.size
    return capture.codes.size >= 1000 and (capture.freq_hz is None or periods >= FEWEST_PERIODS)


def spectrum_figure(material: Material, captures: Sequence[tuple[str, Capture]]) -> Figure | None:
    """Spectra in decibels below the strongest line.

    Parameters
    ----------
    material : Material
        Of the report.
    captures : sequence of (str, Capture)
        Name of the pass and its capture.
    """
    traces: list[dict[str, Any]] = []
    lowest, highest = math.inf, 0.0
    for name, capture in captures:
        colour, _, dash = marks_of(material.passes)[name]
        freq_hz, peak_v, _ = amplitude_spectrum(capture)
        freq_hz, peak_v = freq_hz[MAIN_LOBE_BINS:], peak_v[MAIN_LOBE_BINS:]
        strongest = float(peak_v.max())
        if strongest <= 0:
            continue
        x, y = _thinned(freq_hz, 20 * np.log10(np.maximum(peak_v / strongest, 10 ** (LOWEST_DB / 20))))
        lowest, highest = min(lowest, x[0]), max(highest, x[-1])
        at = f", {frequency_text(capture.freq_hz)}" if capture.freq_hz else ", no signal"
        traces.append(
            {
                "type": "scatter", "mode": "lines", "name": shown(f"{name}{at}"), "x": x, "y": y,
                "line": {"color": colour, "width": 1.5, "dash": dash},
                "hovertemplate": "%{x:.4~g} Hz: %{y:.1f} dB<extra></extra>",
            }
        )  # fmt: skip
    if not traces:
        return None
    decades = [10.0**power for power in range(7) if lowest * 0.99 <= 10.0**power <= highest * 1.01]
    layout: Figure = {
        "template": TEMPLATE,
        "height": 320,
        "margin": {"l": 10, "r": 14, "t": 44, "b": 40},
        "xaxis": {
            "type": "log", "range": [math.log10(lowest), math.log10(highest)], "tickvals": decades,
            "ticktext": [frequency_text(f) for f in decades], "tickangle": 0,
        },
        "yaxis": {"title": {"text": "dB below the strongest line"}, "range": [LOWEST_DB, 5]},
        "showlegend": True,
    }  # fmt: skip
    return {"data": traces, "layout": layout, "narrow": {}}


def _thinned(freq_hz: np.ndarray, level_db: np.ndarray) -> tuple[list[float], list[float]]:
    """The highest line of each column of a logarithmic axis: no line is lost."""
    column = np.floor(np.log(freq_hz / freq_hz[0]) / np.log(freq_hz[-1] / freq_hz[0]) * COLUMNS).astype(int)
    starts = np.flatnonzero(np.r_[True, np.diff(column) > 0])
    ends = np.r_[starts[1:], len(freq_hz)]
    kept = [int(a + np.argmax(level_db[a:b])) for a, b in zip(starts, ends, strict=True)]
    return [round(float(freq_hz[i]), 2) for i in kept], [round(float(level_db[i]), 1) for i in kept]
