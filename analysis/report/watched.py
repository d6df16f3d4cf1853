"""What a watched point did, as a figure: mean and reach of the readings over time, marks, and what was told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from acquisition.records import LEAVES, SETTLED, STANDS, Event, Pass, Stretch

from .figures import Figure
from .material import Material
from .style import BAND, BLUE, INK, PALE, TEMPLATE, VERMILION, shown
from .words import quantity_text

MOST_COLUMNS = 400
"""A watch of hours is drawn in so many columns, each with its lowest and highest: no moment is lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """One watch of a pass.

    Parameters
    ----------
    pass_name, point : str
        Whose.
    begun_utc : str
        ISO 8601 text in UTC.
    stretches : tuple of Stretch
        In order of time.
    events : tuple of (float, Event)
        What was told of it, with the seconds since it began.
    """

    pass_name: str
    point: str
    begun_utc: str
    stretches: tuple[Stretch, ...]
    events: tuple[tuple[float, Event], ...]

    @property
    def reach_v(self) -> tuple[float, float]:
        """Lowest and highest reading."""
        return min(s.lowest_v for s in self.stretches), max(s.highest_v for s in self.stretches)

    def sentence(self) -> str:
        """For how long it was watched, and what it did."""
        minutes = self.stretches[-1].end_s / 60.0
        left = sum(f" {LEAVES} " in event.text for _, event in self.events)
        ends = [event.value for _, event in self.events if f" {SETTLED} " in event.text]
        settled = [value_v for value_v in ends if value_v is not None]
        lowest, highest = (quantity_text(value_v, "dc_v") for value_v in self.reach_v)
        did = f"settled at {quantity_text(settled[0], 'dc_v')}" if settled else f"read {lowest} to {highest}"
        times = {0: "and did not leave where it stood", 1: "and left where it stood once"}
        if not (left or settled or any(f" {STANDS} " in event.text for _, event in self.events)):
            times[0] = "and came to no rest"
        then = times.get(left, f"and left where it stood {left} times")
        return f"{self.point} was watched for {minutes:.3g} min ({self.pass_name}): it {did} {then}."

    def text(self) -> str:
        """``32 min from 2026-11-29 10:02 UTC, 40.9 V to 41.6 V``."""
        minutes = self.stretches[-1].end_s / 60.0
        lowest, highest = (quantity_text(value_v, "dc_v") for value_v in self.reach_v)
        begun = self.begun_utc[:16].replace("T", " ")
        return f"{minutes:.3g} min from {begun} UTC, {lowest} to {highest}"


def watches_of(passes: Sequence[Pass]) -> list[Watch]:
    """Sort what was watched into watches.

    Parameters
    ----------
    passes : sequence of Pass
        In the order they were taken.

    Returns
    -------
    list of Watch
        In order of time.
    """
    found = []
    for one in passes:
        by_watch: dict[tuple[str, str], list[Stretch]] = {}
        for stretch in one.watched:
            by_watch.setdefault((stretch.begun_utc, stretch.point), []).append(stretch)
        for (begun_utc, point), stretches in by_watch.items():
            begun = _moment(begun_utc)
            told = [(e, _moment(e.taken_utc)) for e in one.events if (e.kind, e.subject) == ("watched", point)]
            since = [((at - begun).total_seconds(), e) for e, at in told if begun is not None and at is not None]
            inside = tuple((s, e) for s, e in since if -1.0 <= s <= stretches[-1].end_s + 1.0)
            found.append(
                Watch(
                    pass_name=one.name, point=point, begun_utc=begun_utc, stretches=tuple(stretches), events=inside
                )
            )
    return found


def watch_figure(material: Material, watch: Watch) -> Figure:
    """Volts against minutes.

    Parameters
    ----------
    material : Material
        Of the report; its verdicts give the band of healthy chassis.
    watch : Watch
        From `watches_of`.
    """
    columns = _columns(watch.stretches)
    minutes = [round(end_s / 60.0, 4) for end_s, *_ in columns]
    lows, means, highs = (
        [None if v is None else round(v, 5) for v in row] for row in list(zip(*columns, strict=True))[1:]
    )
    traces: list[Figure] = [
        {"type": "scatter", "mode": "lines", "x": minutes, "y": lows, "line": {"width": 0, "color": PALE},
         "hoverinfo": "skip", "showlegend": False},
        {"type": "scatter", "mode": "lines", "x": minutes, "y": highs, "line": {"width": 0, "color": PALE},
         "fill": "tonexty", "fillcolor": PALE, "hoverinfo": "skip", "name": "lowest to highest"},
        {"type": "scatter", "mode": "lines", "x": minutes, "y": means, "name": "mean",
         "line": {"color": BLUE, "width": 1.6}, "hovertemplate": "%{x:.2f} min: %{y:.4~g} V<extra></extra>"},
    ]  # fmt: skip
    if watch.events:
        places = [round(since_s / 60.0, 4) for since_s, _ in watch.events]
        values = [_value(event, since_s, watch.stretches) for since_s, event in watch.events]
        traces.append(
            {"type": "scatter", "mode": "markers", "x": places, "y": values, "name": "told, or marked by key",
             "text": [shown(event.text) for _, event in watch.events],
             "marker": {"color": VERMILION, "symbol": "diamond-open", "size": 9, "line": {"width": 1.8}},
             "hovertemplate": "%{text}<extra></extra>", "cliponaxis": False}
        )  # fmt: skip
    layout: Figure = {
        "template": TEMPLATE,
        "height": 300,
        "margin": {"l": 10, "r": 14, "t": 44, "b": 40},
        "xaxis": {"title": {"text": "minutes since switch-on"}, "range": [0, max(minutes)]},
        "yaxis": {"title": {"text": "V"}, "range": _range(watch), "exponentformat": "none"},
        "shapes": _band(material, watch),
        "showlegend": True,
    }
    return {"data": traces, "layout": layout, "narrow": {}}


def _columns(stretches: Sequence[Stretch]) -> list[tuple[float, float | None, float | None, float | None]]:
    """Seconds, lowest, mean, highest of each column; a column of nothing where the meter gave no reading."""
    width_s = max(stretches[-1].end_s / MOST_COLUMNS, 1e-9)
    groups: dict[int, list[Stretch]] = {}
    for stretch in stretches:
        groups.setdefault(int(stretch.end_s / width_s), []).append(stretch)
    found: list[tuple[float, float | None, float | None, float | None]] = []
    before_s = 0.0
    for group in groups.values():
        begin_s = group[0].end_s - group[0].span_s
        if found and begin_s - before_s > max(5.0, 2.0 * width_s):
            found.append((0.5 * (begin_s + before_s), None, None, None))
        weight = sum(s.samples for s in group)
        mean_v = sum(s.samples * s.mean_v for s in group) / weight
        found.append((group[-1].end_s, min(s.lowest_v for s in group), mean_v, max(s.highest_v for s in group)))
        before_s = group[-1].end_s
    return found


def _range(watch: Watch) -> list[float]:
    low, high = watch.reach_v
    margin = 0.06 * (high - low) or 0.02 * abs(high) or 0.01
    return [low - margin, high + margin]


def _band(material: Material, watch: Watch) -> list[Figure]:
    """The healthy band at the point, where the pass has a verdict on it."""
    judged = [
        one
        for one in material.judged.get(watch.pass_name, ())
        if (one.reading.point, one.reading.quantity) == (watch.point, "dc_v")
    ]
    if not judged:
        return []
    return [
        {"type": "rect", "xref": "paper", "x0": 0, "x1": 1, "y0": judged[-1].low, "y1": judged[-1].high,
         "layer": "below", "fillcolor": BAND, "line": {"width": 0, "color": INK}}
    ]  # fmt: skip


def _value(event: Event, since_s: float, stretches: Sequence[Stretch]) -> float:
    if event.value is not None:
        return event.value
    return min(stretches, key=lambda stretch: abs(stretch.end_s - since_s)).mean_v


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None
