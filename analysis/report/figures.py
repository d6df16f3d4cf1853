"""Figures of the report as plain specifications for the plotting library."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any

import numpy as np

from acquisition.records import QUANTITIES, Measurand, Pass, Reading

from ..compare import other_line, same
from ..gain.result import HEARD
from ..judge import Judged
from .material import Material, ends_of, nominal_hz
from .style import BAND, INK, PASS_MARKS, QUIET, TEMPLATE, shown
from .words import band_text, frequency_text, measurand_text, to_its_uncertainty, with_uncertainty

Figure = dict[str, Any]

EDGE = 3.0
"""Readings farther out than this, in half bands, stand at the edge of the figure as an arrow."""

ROW_PX, LINE_PX = 27, 17
"""Height of a row, and of each line of its label where that has several."""

HEALTHY = "a healthy chassis"
"""What the band of a response is called."""

MOST_PHASE_STD_DEG = 45.0
"""A phase that is known less well is drawn nowhere: its 95 % interval spans half a turn."""

LABEL_LETTERS, NARROW_LETTERS = 28, 18
"""Most letters of a line of a label: half the width is for the readings."""

_TICKS_HZ = [step * 10**power for power in range(6) for step in (1, 2, 5)]


def marks_of(passes: Sequence[Pass]) -> Mapping[str, tuple[str, str, str]]:
    """Colour, mark and line of each pass: the first pass open, the last one filled.

    Parameters
    ----------
    passes : sequence of Pass
        In the order they were taken.
    """
    names = [one.name for one in passes]
    order = [names[0], names[-1], *names[1:-1]] if len(names) > 1 else names
    return {name: PASS_MARKS[index % len(PASS_MARKS)] for index, name in enumerate(order)}


def place_in_band(judged: Judged) -> float:
    """Where a reading lies: 0 expected, -1 and 1 the limits of the healthy band.

    Parameters
    ----------
    judged : Judged
        Reading with its band.
    """
    value = judged.reading.value
    if judged.reading.quantity == "phase_deg":
        value = judged.expected + (value - judged.expected + 180.0) % 360.0 - 180.0
    side = judged.high - judged.expected if value >= judged.expected else judged.expected - judged.low
    # A band of no width (a node at 0 V by construction) is as wide as the reading can tell.
    side = max(side, 2.0 * judged.std, 1e-12)
    return (value - judged.expected) / side


def band_figure(material: Material, *, dc: bool, cold: bool = False) -> Figure | None:
    """Readings against what a healthy chassis would show, one row a measurand.

    Parameters
    ----------
    material : Material
        Of the report.
    dc : bool
        DC readings, or all others that no response curve shows.
    cold : bool
        Of these others ohms with the power off, or those that are none.

    Returns
    -------
    dict or None
        None when there is nothing to show.
    """
    rows: dict[Measurand, dict[str, Judged]] = {}
    later: dict[Measurand, Measurand | None] = {}
    for one in material.ends:
        for judged in material.judged.get(one.name, ()):
            measurand = judged.reading.measurand
            is_kind = (measurand.quantity == "dc_v", measurand.quantity == "cold_ohm") == (dc, cold)
            if is_kind and (dc or not material.in_sweep(measurand)):
                row = next((known for known in rows if same(known, measurand)), measurand)
                rows.setdefault(row, {})[one.name] = judged
                later[row] = other_line(row, measurand)
    if not rows:
        return None
    names = {measurand: measurand_text(measurand, later=later[measurand]) for measurand in rows}
    labels = [
        _row_label(m.point, material.functions.get(m.point, ""), LABEL_LETTERS)
        if dc
        else _lines(name, LABEL_LETTERS)
        for m, name in names.items()
    ]
    traces, notes = [], []
    for number, one in enumerate(material.ends):
        colour, symbol, _ = marks_of(material.passes)[one.name]
        places, heights, symbols, texts = [], [], [], []
        for height, found in enumerate(rows.values()):
            if one.name not in found:
                continue
            judged = found[one.name]
            place = place_in_band(judged)
            beyond = abs(place) > EDGE
            places.append(round(math.copysign(EDGE + 0.12, place) if beyond else place, 4))
            heights.append(height)
            symbols.append(("triangle-right" if place > 0 else "triangle-left") if beyond else symbol)
            reading = judged.reading
            texts.append(
                f"{shown(reading.point)}, {shown(one.name)}<br>"
                f"{with_uncertainty(reading.value, reading.std, reading.quantity)}<br>"
                f"healthy: {band_text(judged.low, judged.high, judged.std, reading.quantity)}<br>{judged.words}"
            )
        traces.append(
            {
                "type": "scatter", "mode": "markers", "name": shown(one.name), "x": places, "y": heights,
                "text": texts, "hovertemplate": "%{text}<extra></extra>", "cliponaxis": False,
                # Where both passes read the same the first one is a ring round the last.
                "marker": {"color": colour, "symbol": symbols, "size": 11 if number else 16,
                           "line": {"color": colour, "width": 2}},
            }
        )  # fmt: skip
    for height, found in enumerate(rows.values()):
        values = [_at_a_glance(judged) for judged in found.values()]
        notes.append(_note(" → ".join(values), height))
    rows_count = len(rows)
    layout: Figure = {
        "template": TEMPLATE,
        "height": _row_px(labels) * rows_count + 104,
        "margin": {"l": 10, "r": 170, "t": 44, "b": 46},
        "shapes": [
            {"type": "rect", "x0": -1, "x1": 1, "y0": -0.6, "y1": rows_count - 0.4, "layer": "below",
             "fillcolor": BAND, "line": {"width": 0}},
            {"type": "line", "x0": 0, "x1": 0, "y0": -0.6, "y1": rows_count - 0.4, "layer": "below",
             "line": {"color": QUIET, "width": 1, "dash": "dot"}},
        ],
        "xaxis": {
            "range": [-EDGE - 0.35, EDGE + 0.35], "tickvals": [0], "showgrid": False,
            "ticktext": ["expected"], "tickangle": 0, "tickfont": {"color": QUIET},
        },
        "yaxis": {"range": [rows_count - 0.4, -0.6], "tickvals": list(range(rows_count)), "ticktext": labels},
        "annotations": [*notes, _limit("low limit", -1, "right"), _limit("high limit", 1, "left")],
        "showlegend": True,
    }  # fmt: skip
    short = [_row_label(m.point if dc else name, "", NARROW_LETTERS) for m, name in names.items()]
    narrow = {
        "height": _row_px(short) * rows_count + 104,
        "margin": {"l": 10, "r": 12, "t": 44, "b": 46},
        "annotations": [],
        "xaxis": {**layout["xaxis"], "tickvals": [-1, 1], "ticktext": ["low", "high"]},
        "yaxis": {**layout["yaxis"], "ticktext": short, "tickfont": {"size": 11}},
    }
    return {"data": traces, "layout": layout, "narrow": narrow}


def _at_a_glance(judged: Judged) -> str:
    """Four digits and no microvolts: the rest stands in the table."""
    value, quantity = judged.reading.value, judged.reading.quantity
    least = 2.5e-4 if QUANTITIES[quantity] == "V" else 0.0
    return to_its_uncertainty(value, max(judged.std, 0.005 * abs(value), least), quantity)


def _row_label(point: str, function: str, letters: int) -> str:
    """A point, bold, with its function behind or, where that would be too long, below."""
    lines = wrap(point.replace("_", "_\0 "), letters, break_on_hyphens=False)
    name = f"<b>{_joined(lines)}</b>"
    if not function or function == "node":
        return name
    beside = len(lines[-1]) + 1 + len(function) <= letters
    return f"{name} {shown(function)}" if beside else f"{name}<br>{_lines(function, letters)}"


def _lines(words: str, letters: int) -> str:
    """Words in lines of so many letters; a long name is broken too, after an underline where it has one."""
    return _joined(wrap(words.replace("_", "_\0 "), letters, break_on_hyphens=False))


def _joined(lines: Sequence[str]) -> str:
    return "<br>".join(shown(line.replace("\0 ", "").replace("\0", "")) for line in lines)


def _row_px(labels: Sequence[str]) -> int:
    return max(ROW_PX, 6 + LINE_PX * max(label.count("<br>") + 1 for label in labels))


def _limit(words: str, place: float, anchor: str) -> dict[str, Any]:
    """A limit of the band, named outwards from it: beside each other the three words stood on one another."""
    return {
        "xref": "x", "x": place, "xanchor": anchor, "yref": "paper", "y": 0, "yanchor": "top", "showarrow": False,
        "text": words, "font": {"size": 12, "color": QUIET},
    }  # fmt: skip


def _note(text: str, height: int) -> dict[str, Any]:
    return {
        "xref": "paper", "x": 1, "xanchor": "left", "xshift": 8, "yref": "y", "y": height, "showarrow": False,
        "text": text, "font": {"size": 12, "color": QUIET}, "align": "left",
    }  # fmt: skip


def response_figure(material: Material, stage: str) -> Figure | None:
    """Gain in decibels and phase of one stage against frequency, all passes, with the healthy band.

    Parameters
    ----------
    material : Material
        Of the report.
    stage : str
        ``FROM>TO``.

    Returns
    -------
    dict or None
        None when no gain above its uncertainty was read, nor a phase.
    """
    traces: list[Figure] = []
    marks = marks_of(material.passes)
    has_phase = False
    before: tuple[list[float], list[float]] | None = None
    ends = ends_of([one for one in material.passes if _at_frequencies(one.readings, stage, "gain")])
    for number, one in enumerate(ends):
        gains = _at_frequencies(one.readings, stage, "gain")
        # The decibels of next to no output have no end, and its phase is any: one would turn all that follow it.
        gains = [r for r in gains if r.value > 0 and r.value >= HEARD * (r.std or 0.0)]
        phases = _at_frequencies(one.readings, stage, "phase_deg")
        phases = [r for r in phases if (r.std or 0.0) < MOST_PHASE_STD_DEG]
        is_last = number == len(ends) - 1
        if is_last:
            traces = [*_band_traces(material, one.name, gains, [], "y"), *traces]
        colour, symbol, dash = marks[one.name]
        if gains:
            values = [20 * math.log10(reading.value) for reading in gains]
            errors = [40 / math.log(10) * (reading.std or 0.0) / reading.value for reading in gains]
            traces.append(_curve(one.name, gains, values, errors, "y", (colour, symbol, dash), " dB"))
        if phases:
            has_phase = True
            degrees = np.degrees(np.unwrap(np.radians([reading.value for reading in phases])))
            at_hz = [reading.freq_hz or 0.0 for reading in phases]
            if before is not None:
                # An inverting stage reads 176 degrees or -176: a whole turn apart, they would be drawn apart too.
                degrees += 360.0 * np.round(np.median(np.interp(at_hz, *before) - degrees) / 360.0)
            before = before or (at_hz, degrees.tolist())
            errors = [2 * (reading.std or 0.0) for reading in phases]
            if is_last:
                traces = [*_band_traces(material, one.name, phases, degrees.tolist(), "y2"), *traces]
            curve = _curve(one.name, phases, degrees.tolist(), errors, "y2", (colour, symbol, dash), "°")
            traces.append({**curve, "showlegend": not gains})
    if not traces:
        return None
    freqs = [f for trace in traces for f in trace["x"]]
    low, high = math.log10(min(freqs)), math.log10(max(freqs))
    inside = [f for f in _TICKS_HZ if low - 0.05 <= math.log10(f) <= high + 0.05]
    ticks = inside if high - low < 2 else [f for f in inside if not str(f).startswith("5")]
    if len(ticks) < 2:  # as between 600 and 900 Hz
        ticks = [min(freqs), max(freqs)]
    axis = {
        "type": "log", "range": [low - 0.08, high + 0.08], "tickvals": ticks, "tickangle": 0,
        "ticktext": [frequency_text(f) for f in ticks],
    }  # fmt: skip
    layout: Figure = {
        "template": TEMPLATE,
        "height": 430 if has_phase else 300,
        "margin": {"l": 10, "r": 14, "t": 44, "b": 40},
        "xaxis": {**axis, "anchor": "y2" if has_phase else "y"},
        "yaxis": {"title": {"text": "gain, dB"}, "domain": [0.46, 1] if has_phase else [0, 1]},
        "showlegend": True,
    }
    decades = [f for f in ticks if math.log10(f) % 1 == 0] or ticks
    narrow = {"xaxis": {**layout["xaxis"], "tickvals": decades, "ticktext": [frequency_text(f) for f in decades]}}
    if has_phase:
        layout["yaxis2"] = {"title": {"text": "phase, degrees"}, "domain": [0, 0.38], "anchor": "x"}
    return {"data": traces, "layout": layout, "narrow": narrow}


def _at_frequencies(readings: Sequence[Reading], stage: str, quantity: str) -> list[Reading]:
    """One reading a frequency: the last of the drive that most frequencies have, else of the smallest.

    A stage that was driven until it clips has a dozen readings at 1 kHz, of which one belongs to the curve.
    """
    found = [r for r in readings if (r.point, r.quantity) == (stage, quantity) and r.freq_hz]
    drives = Counter(drive for drive, _ in {(r.drive_pp_v, nominal_hz(r.freq_hz)) for r in found})
    chosen: dict[float, Reading] = {}
    for reading in sorted(found, key=lambda r: (drives[r.drive_pp_v], -(r.drive_pp_v or 0.0))):
        chosen[nominal_hz(reading.freq_hz)] = reading
    return [chosen[freq_hz] for freq_hz in sorted(chosen)]


def _curve(
    name: str, readings: Sequence[Reading], values: Sequence[float], errors: Sequence[float], axis: str,
    mark: tuple[str, str, str], unit: str,
) -> Figure:  # fmt: skip
    colour, symbol, dash = mark
    return {
        "type": "scatter", "mode": "lines+markers", "name": shown(name), "xaxis": "x", "yaxis": axis,
        "x": [reading.freq_hz for reading in readings],
        "y": [round(value, 4) for value in values],
        "error_y": {"type": "data", "array": [round(e, 4) for e in errors], "thickness": 1.2, "width": 3,
                    "color": colour},
        "line": {"color": colour, "width": 2, "dash": dash},
        "marker": {"color": colour, "symbol": symbol, "size": 8, "line": {"color": colour, "width": 1.6}},
        "hovertemplate": f"{shown(name)}<br>%{{x:.4~g}} Hz: %{{y:.2f}}{unit}<extra></extra>",
    }  # fmt: skip


def _band_traces(
    material: Material, name: str, readings: Sequence[Reading], degrees: Sequence[float], axis: str
) -> list[Figure]:
    """The band of healthy chassis behind a curve of gains, or of phases drawn at ``degrees``."""
    edges = []
    for place, reading in enumerate(readings):
        judged = material.verdicts.get((name, reading))
        if judged is None or (not degrees and judged.low <= 0):
            continue
        if degrees:
            # The curve runs on where a reading starts again after half a turn: its band goes with it.
            turns = 360.0 * round((degrees[place] - judged.expected) / 360.0)
            low, high = judged.low + turns, judged.high + turns
        else:
            low, high = 20 * math.log10(judged.low), 20 * math.log10(judged.high)
        edges.append((reading.freq_hz, round(low, 4), round(high, 4)))
    if len(edges) < 2:
        return []
    freqs, lows, highs = (list(column) for column in zip(*edges, strict=True))
    return [
        {
            "type": "scatter", "mode": "lines", "name": HEALTHY, "x": [*freqs, *freqs[::-1]],
            "y": [*lows, *highs[::-1]], "fill": "toself", "fillcolor": BAND, "xaxis": "x", "yaxis": axis,
            "line": {"width": 0, "color": INK}, "hoverinfo": "skip", "showlegend": not degrees,
        }
    ]  # fmt: skip
