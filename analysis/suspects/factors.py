"""Readings that are all so many times too large: the switch of a probe, a unit, the sign."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..faults import ArtefactEntry
from ..inference.data import Data
from ..inference.panel import Panel
from ..inference.variables import FLOORS, from_variable, to_variable
from ..judge import NOTHING_V
from .because import Healthy
from .mishap import NEAR, Mishap, dc_rows, divided, live_rows
from .words import show

RIPPLE = "ripple_pp_v"
SIGNALS = ("pp_v", "rms_v", RIPPLE)
"""Quantities that are read with one scope and one probe."""

FEW_SIGNALS = 3
"""Points from which on the unit of all signals is questioned: fewer are off together for any reason."""


def by_factors(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """Readings that are so many times too large: of a probe, a unit, a sign.

    Parameters
    ----------
    entry : ArtefactEntry
        With its factors.
    panel : Panel
        The model.
    data : Data
        Readings.
    healthy : Healthy
        What is expected.
    odd : list of int
        Suspicious readings, the worst first.
    """
    turned = list(_all_turned(entry, panel, data))
    yield from turned
    for factor in entry.times if not turned else ():
        fitting = _fitting(factor, data, healthy, odd)
        # A switch on the probe falsifies all that was read with it: all signals, one quantity, or one reading.
        for wanted in _together(entry.quantities, data, fitting):
            rows = tuple(row for row in fitting if data.quantities[row] in wanted)
            whole = tuple(np.flatnonzero(np.isin(data.quantities, wanted)).tolist()) if len(rows) > 1 else ()
            for group in dict.fromkeys((whole, rows, rows[:1] if len(wanted) == 1 else ())):
                if group:
                    yield _by_factor(entry, data, group, rows, factor)
    if entry.times == (-1.0,) and not turned:
        yield from _some_turned(entry, panel, data)


def units_of_signals(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """All signals in another unit: whoever writes volts rms does so at every point.

    Parameters
    ----------
    entry, panel, data, healthy, odd
        As `by_factors`.
    """
    for factor in entry.times:
        fitting = _fitting(factor, data, healthy, odd)
        for wanted in _together(entry.quantities, data, fitting):
            rows = tuple(row for row in fitting if data.quantities[row] in wanted)
            whole = tuple(np.flatnonzero(np.isin(data.quantities, wanted)).tolist())
            # One signal that fits may be the input, which is known. Larger capacitors than drawn leave ripple any
            # share: of ripple alone all must fit.
            enough = sum(row in whole for row in odd) if wanted == (RIPPLE,) else 1
            few = len({panel.model.node(panel.plain[data.columns[row]].point) for row in whole}) < FEW_SIGNALS
            if not few and len(rows) >= enough:
                yield replace(_by_factor(entry, data, whole, rows, factor), share=1.0 / len(entry.times))


def _together(quantities: Sequence[str], data: Data, fitting: Sequence[int]) -> list[tuple[str, ...]]:
    """Quantities that one slip may have falsified: all signals, where several fit, and each alone."""
    there = {str(data.quantities[row]) for row in fitting}
    signals = tuple(quantity for quantity in SIGNALS if quantity in quantities and quantity in there)
    alone: list[tuple[str, ...]] = [(quantity,) for quantity in quantities if quantity in there]
    return [signals, *alone] if len(signals) > 1 else alone


def _fitting(factor: float, data: Data, healthy: Healthy, odd: Sequence[int]) -> list[int]:
    """Suspicious readings that come to what is expected when they are divided by a factor."""
    fitting = []
    for row in odd:
        reading = data.readings[row]
        put_right = reading.value / factor
        if min(abs(reading.value), abs(put_right)) < FLOORS[reading.quantity]:
            continue  # next to nothing is next to nothing whatever it is divided by: no switch is shown by that
        right = float(to_variable(reading.quantity, np.array(put_right)))
        if abs(right - healthy.expected[row]) < NEAR * healthy.spread[row]:
            fitting.append(row)
    return fitting


def _by_factor(
    entry: ArtefactEntry, data: Data, rows: tuple[int, ...], fitting: tuple[int, ...], factor: float
) -> Mishap:
    first, more = data.readings[fitting[0]], len(set(rows) & set(fitting)) - 1
    return Mishap(
        entry=entry,
        rows=rows,
        readings=tuple(divided(data.readings[row], factor) for row in rows),
        because=f"{_turned_back(factor)}, {first.point} comes to {show(first, first.value / factor)}, as expected"
        + (f"; so do {more} more" if more > 0 else ""),
    )


def _turned_back(factor: float) -> str:
    return "with the sign turned" if factor == -1 else f"divided by {factor:g}"


def _all_turned(entry: ArtefactEntry, panel: Panel, data: Data) -> Iterator[Mishap]:
    """All DC with the wrong sign: what is expected cannot be told from such rails, so the median chassis counts."""
    live = live_rows(panel, data)
    if entry.times == (-1.0,) and len(live) > 1 and _wrong_way(panel, data, live) == live:
        because = f"every reading of a live point has it, {_for_about(panel, data, live[0])}"
        yield _turned(entry, data, dc_rows(data), because)


def _some_turned(entry: ArtefactEntry, panel: Panel, data: Data) -> Iterator[Mishap]:
    """Live points with the wrong sign, all of them and the first: beside a fault a reading does not come to what a
    sound chassis has there by its sign alone."""
    wrong = [
        row for row in _wrong_way(panel, data, live_rows(panel, data)) if not panel.elsewhere[data.columns[row]]
    ]
    for rows in dict.fromkeys((tuple(wrong), tuple(wrong[:1]))):
        if rows:
            yield _turned(entry, data, rows, f"a live point, {_for_about(panel, data, rows[0])}")


def _wrong_way(panel: Panel, data: Data, live: Sequence[int]) -> list[int]:
    """Those of some live points whose volts stand on the other side of the chassis."""
    beyond = float(to_variable("dc_v", np.array(NOTHING_V)))
    side = np.sign(panel.centre[data.columns])
    return [row for row in live if data.measured[row] * side[row] < -beyond]


def _turned(entry: ArtefactEntry, data: Data, rows: Sequence[int], because: str) -> Mishap:
    readings = tuple(divided(data.readings[row], -1.0) for row in rows)
    return Mishap(entry=entry, rows=tuple(rows), readings=readings, because=because)


def _for_about(panel: Panel, data: Data, row: int) -> str:
    reading, usual = data.readings[row], float(from_variable("dc_v", panel.centre[data.columns[row]]))
    return f"{reading.point} {show(reading, reading.value)} for about {show(reading, usual)}"
