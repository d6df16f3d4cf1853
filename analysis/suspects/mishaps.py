"""Ways in which a hand, a lead or an instrument makes readings mean something else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import replace
from itertools import combinations, islice

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Reading

from ..chassis import MeterLoad
from ..faults import ArtefactEntry, load_fault_file
from ..inference.data import Data
from ..inference.panel import Panel
from ..inference.variables import FLOORS, columns_to_variables, difference, from_variable, to_variable
from ..judge import LIVE_V, enough_live, stands_still
from .because import Healthy
from .factors import by_factors, units_of_signals
from .mishap import MISREAD, NEAR, SUSPICIOUS, Mishap, dc_rows, divided, live_rows
from .words import show

TRIED = 5
"""Ways of one artefact that are tried."""

QUESTIONED = 3
"""So many readings are questioned for no reason but that nothing explains them."""


def mishaps(panel: Panel, data: Data, healthy: Healthy) -> Iterator[Mishap]:
    """Ways that bring suspicious readings near what is expected.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    healthy : Healthy
        What is expected.
    """
    ways = {
        "rms or peak": units_of_signals,
        "heavy load": _loads,
        "wrong pin": _pins,
        "two exchanged": _exchanged,
        "nothing read": _nothing,
        "meter stands still": _the_same,
        "channel inverted": _inverted,
        "probes exchanged": _turned_round,
    }
    for entry in load_fault_file().artefacts:
        odd = [i for i in np.argsort(-np.abs(healthy.z)) if abs(healthy.z[i]) > SUSPICIOUS]
        # A slip is looked for among the readings of the chassis as it stands now.
        odd = [
            int(i) for i in odd if data.quantities[i] in entry.quantities and not panel.elsewhere[data.columns[i]]
        ]
        if odd and entry.name != MISREAD:
            yield from islice(ways.get(entry.name, by_factors)(entry, panel, data, healthy, odd), TRIED)


def misread(data: Data, expected: np.ndarray, unexplained: Sequence[int]) -> Iterator[Mishap]:
    """One reading that nothing explains, while the others agree with each other.

    Parameters
    ----------
    data : Data
        Readings.
    expected : ndarray, shape (M,)
        What the hypothesis that the others are best explained by has for each.
    unexplained : sequence of int
        Readings that it leaves unexplained, the worst first.
    """
    (entry,) = (entry for entry in load_fault_file().artefacts if entry.name == MISREAD)
    for row in unexplained[:QUESTIONED]:
        reading = data.readings[row]
        rest = float(from_variable(reading.quantity, expected[row]))
        yield Mishap(
            entry=entry,
            rows=(row,),
            readings=(),
            because=f"{show(reading, reading.value)} where {show(reading, rest)} would go with all the others",
            share=1.0 / len(data.readings),
        )


def _inverted(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
    """Phases half a turn off: all that a menu of the scope turned, or one alone."""
    left = np.abs(difference(data.quantities, data.measured + np.pi, healthy.expected)) / healthy.spread
    rows = tuple(row for row in odd if left[row] < NEAR)
    for group in {rows, rows[:1]} - {()}:
        readings = [data.readings[row] for row in group]
        right = tuple(replace(r, value=(r.value + 360.0) % 360.0 - 180.0) for r in readings)
        yield Mishap(
            entry=entry,
            rows=group,
            readings=right,
            because=f"half a turn on, the phase of {readings[0].point} is {show(right[0], right[0].value)}, as "
            "expected" + (f"; so are {len(group) - 1} more" if len(group) > 1 else ""),
        )


def _turned_round(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """Gains of one stage that are what it should have from output to input."""
    for point in dict.fromkeys(data.readings[row].point for row in odd):
        of_stage = [row for row, reading in enumerate(data.readings) if reading.point == point]
        gains = [row for row in of_stage if data.quantities[row] == "gain" and data.readings[row].value > 0.0]
        right = to_variable("gain", np.array([1.0 / data.readings[row].value for row in gains]))
        # A stage that passes nothing has no gain the other way round.
        if gains and (np.abs(right - healthy.expected[gains]) < NEAR * healthy.spread[gains]).all():
            rows = [*gains, *(row for row in of_stage if data.quantities[row] == "phase_deg")]
            first = data.readings[gains[0]]
            yield Mishap(
                entry=entry,
                rows=tuple(rows),
                readings=tuple(_from_the_other_end(data.readings[row]) for row in rows),
                because=f"the gain {point}, {show(first, first.value)}, is {show(first, 1.0 / first.value)} "
                "the other way round, as expected",
            )


def _from_the_other_end(reading: Reading) -> Reading:
    """A gain or phase as it is with input and output exchanged."""
    if reading.quantity == "phase_deg":
        return replace(reading, value=-reading.value)
    std = None if reading.std is None else reading.std / reading.value**2
    return replace(reading, value=1.0 / reading.value, std=std)


def _nothing(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
    """No volts anywhere."""
    live, rows = live_rows(panel, data), dc_rows(data)
    least = float(to_variable("dc_v", np.array(LIVE_V)))
    there = sum(m.quantity == "dc_v" and abs(panel.centre[i]) > least for i, m in enumerate(panel.measurands))
    if len(live) >= enough_live(there) and all(abs(data.readings[row].value) < FLOORS["dc_v"] for row in rows):
        most = max((data.readings[row] for row in rows), key=lambda reading: abs(reading.value))
        yield Mishap(
            entry=entry,
            rows=tuple(rows),
            readings=(),
            because=f"none of {len(rows)} points, live ones among them, reads more than "
            f"{show(most, abs(most.value))}",
        )


def _the_same(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
    """One value everywhere."""
    rows, live = dc_rows(data), [data.readings[row].point for row in live_rows(panel, data)]
    first = data.readings[rows[0]]
    volts = {data.readings[row].point: data.readings[row].value for row in rows}
    if stands_still(panel.model.chassis, volts, live):
        yield Mishap(
            entry=entry,
            rows=tuple(rows),
            readings=(),
            because=f"all {len(rows)} points read about {show(first, first.value)}, {len(live)} of them live when "
            "healthy",
        )


def _exchanged(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """Two readings, each of which is what the other should be."""
    dc = dc_rows(data)
    for one, other in combinations(odd, 2):
        pair, turned = [one, other], [other, one]
        fits = np.abs(data.measured[turned] - healthy.expected[pair]) < NEAR * healthy.spread[pair]
        if fits.all():
            readings = [data.readings[row] for row in pair]
            yield Mishap(
                entry=entry,
                rows=(one, other),
                readings=tuple(
                    replace(here, value=there.value, std=there.std, range_v=there.range_v)
                    for here, there in zip(readings, reversed(readings), strict=True)
                ),
                because=" and ".join(f"{r.point} {show(r, r.value)}" for r in readings)
                + " fit the other way round",
                share=2.0 / (len(dc) * (len(dc) - 1)),
            )


def _loads(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
    """Readings taken with less resistance than the model's meter has, all that came out wrong or one alone."""
    measurands = [panel.measurands[data.columns[row]] for row in odd]
    for ohm in entry.ohms:
        loaded = copy(panel.model)
        loaded.meter = MeterLoad(resistance_ohm=ohm)
        both = [
            columns_to_variables(measurands, model.predict({}, measurands))[0] for model in (loaded, panel.model)
        ]
        right = data.measured[odd] - (both[0] - both[1])
        volts = from_variable("dc_v", right)
        fits = np.abs(right - healthy.expected[odd]) < NEAR * healthy.spread[odd]
        # A load leaves a share of the volts: never none, nor the other sign.
        fits &= data.measured[odd] * right > 0.0
        put_right = {odd[i]: float(volts[i]) for i in np.flatnonzero(fits & (np.abs(volts) > FLOORS["dc_v"]))}
        rows = tuple(put_right)
        for group in {rows, rows[:1]} - {()}:
            first, instead = data.readings[group[0]], put_right[group[0]]
            yield Mishap(
                entry=entry,
                rows=group,
                readings=tuple(divided(data.readings[r], data.readings[r].value / put_right[r]) for r in group),
                because=f"with {format_value(ohm, 'ohm')} a sound chassis reads about "
                f"{show(first, first.value)} at {first.point}, with the meter of the bench {show(first, instead)}",
            )


def _pins(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
    points = panel.model.points
    for row in odd[:4]:
        reading = data.readings[row]
        here = points.get(reading.point)
        if here is None or not here.socket:
            continue
        # A tip that slips may land on any other pin of the socket.
        others = len({p.node for p in points.values() if p.socket == here.socket} - {here.node}) or 1
        for other, column in ((m.point, c) for m, c in panel.columns.items() if m.quantity == "dc_v"):
            there = points.get(other)
            if there is None or there.socket != here.socket or there.node == here.node:
                continue
            # What stands at the other pin may be off itself: where it was read, its reading counts.
            read = np.flatnonzero(data.columns == column)
            at = data.measured[read[0]] if read.size else panel.centre[column]
            if abs(data.measured[row] - at) < max(NEAR * data.noise[row], 0.03):
                value, verb = float(from_variable("dc_v", np.array(at))), "reads" if read.size else "should read"
                yield Mishap(
                    entry=entry,
                    rows=(row,),
                    readings=(),
                    because=f"{show(reading, reading.value)} is what {other} {verb} ({show(reading, value)})",
                    share=1.0 / others,
                )
