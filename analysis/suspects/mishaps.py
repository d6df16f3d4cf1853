"""Ways in which a hand, a lead or an instrument makes readings mean something else."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, replace
from itertools import combinations, islice

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Reading

from ..chassis import MeterLoad
from ..faults import ArtefactEntry, load_fault_file
from ..inference.data import Data, Refined
from ..inference.panel import Panel
from ..inference.variables import FLOORS, columns_to_variables, difference, from_variable, to_variable
from ..judge import LIVE_V, enough_live
from .because import Healthy
from .words import show

SUSPICIOUS = 4.0
"""Standard deviations from healthy from which a reading is questioned itself."""

NEAR = 2.0
"""Standard deviations within which a reading, put right, must come to what is expected."""

TRIED = 5
"""Ways of one artefact that are tried."""

SIGNALS = ("pp_v", "rms_v", "ripple_pp_v")
"""Quantities that are read with one scope and one probe."""

FEW_SIGNALS = 3
"""Points from which on the unit of all signals is questioned: fewer are off together for any reason."""

ANYTHING = 3.0
"""Width (logarithm) of what a wrong reading may be, 4 times either way. Common practice, no source."""

MISREAD, QUESTIONED = "misread", 3
"""The slip for which nothing speaks but that nothing else explains a reading; so many are questioned so."""

PICKED_UP_V = 0.1
"""What a loose lead shows (standard deviation). Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """One way in which readings may have gone wrong.

    Parameters
    ----------
    entry : ArtefactEntry
        Of ``configs/faults.yaml``.
    rows : tuple of int
        Readings concerned.
    readings : tuple of Reading
        The same put right; none where nobody knows what was really read.
    because : str
        What speaks for it.
    share : float
        Of the chance of such a slip, the part that this one has.
    """

    entry: ArtefactEntry
    rows: tuple[int, ...]
    readings: tuple[Reading, ...]
    because: str
    share: float = 1.0

    def worth(self, data: Data, plain: Refined) -> float:
        """Log probability of readings of which nobody knows what they were of.

        Parameters
        ----------
        data : Data
            Readings.
        plain : Refined
            The hypothesis for which they are left out.
        """
        rows = list(self.rows)
        if self.entry.name == MISREAD:
            return -math.log(ANYTHING)
        if self.entry.name == "nothing read":
            spread = np.hypot(data.noise[rows], PICKED_UP_V / FLOORS["dc_v"])
            left = data.measured[rows] / spread
        else:  # a reading that fits another pin is worth what any fitting reading is worth
            spread, left = plain.scale[rows], np.ones(len(rows))
        return -float(np.log(spread * math.sqrt(2 * math.pi)).sum() + 0.5 * (left**2).sum())


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
        "rms or peak": _units_of_signals,
        "heavy load": _loads,
        "wrong pin": _pins,
        "two exchanged": _exchanged,
        "nothing read": _nothing,
        "channel inverted": _inverted,
        "probes exchanged": _turned_round,
    }
    for entry in load_fault_file().artefacts:
        odd = [i for i in np.argsort(-np.abs(healthy.z)) if abs(healthy.z[i]) > SUSPICIOUS]
        odd = [int(i) for i in odd if data.quantities[i] in entry.quantities]
        if odd and entry.name != MISREAD:
            yield from islice(ways.get(entry.name, _factors)(entry, panel, data, healthy, odd), TRIED)


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


def _factors(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[Mishap]:
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


def _units_of_signals(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """All signals in another unit: whoever writes volts rms does so at every point."""
    for factor in entry.times:
        fitting = _fitting(factor, data, healthy, odd)
        for wanted in _together(entry.quantities, data, fitting):
            rows = tuple(row for row in fitting if data.quantities[row] in wanted)
            whole = tuple(np.flatnonzero(np.isin(data.quantities, wanted)).tolist())
            if len({panel.model.node(data.readings[row].point) for row in whole}) >= FEW_SIGNALS:
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
        readings=tuple(_scaled(data.readings[row], factor) for row in rows),
        because=f"{_turned_back(factor)}, {first.point} comes to {show(first, first.value / factor)}, as expected"
        + (f"; so do {more} more" if more > 0 else ""),
    )


def _turned_back(factor: float) -> str:
    return "with the sign turned" if factor == -1 else f"divided by {factor:g}"


def _all_turned(entry: ArtefactEntry, panel: Panel, data: Data) -> Iterator[Mishap]:
    """All DC with the wrong sign: what is expected cannot be told from such rails, so the median chassis counts."""
    live = _live(panel, data)
    if (
        entry.times == (-1.0,)
        and len(live) > 1
        and all(data.measured[i] * panel.centre[data.columns[i]] < 0 for i in live)
    ):
        rows, first = _dc(data), data.readings[live[0]]
        usual = float(from_variable("dc_v", panel.centre[data.columns[live[0]]]))
        yield Mishap(
            entry=entry,
            rows=tuple(rows),
            readings=tuple(_scaled(data.readings[row], -1.0) for row in rows),
            because=f"every reading of a live point has it, {first.point} {show(first, first.value)} "
            f"for about {show(first, usual)}",
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
        if (np.abs(right - healthy.expected[gains]) < NEAR * healthy.spread[gains]).all():
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
    live, rows = _live(panel, data), _dc(data)
    least = float(to_variable("dc_v", np.array(LIVE_V)))
    there = sum(m.quantity == "dc_v" and abs(panel.centre[i]) > least for i, m in enumerate(panel.measurands))
    if len(live) >= enough_live(there) and all(abs(data.readings[row].value) < FLOORS["dc_v"] for row in rows):
        most = max((data.readings[row] for row in rows), key=lambda reading: abs(reading.value))
        yield Mishap(
            entry=entry,
            rows=tuple(rows),
            readings=(),
            because=f"none of {len(rows)} points reads more than {show(most, abs(most.value))}, "
            f"{len(live)} of them live when healthy",
        )


def _dc(data: Data) -> list[int]:
    return np.flatnonzero(data.quantities == "dc_v").tolist()


def _live(panel: Panel, data: Data) -> list[int]:
    """DC readings of points that are live for sure when healthy, most volts first."""
    least = float(to_variable("dc_v", np.array(LIVE_V)))
    live = [row for row in _dc(data) if abs(panel.centre[data.columns[row]]) > least]
    return sorted(live, key=lambda row: -abs(panel.centre[data.columns[row]]))


def _exchanged(
    entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]
) -> Iterator[Mishap]:
    """Two readings, each of which is what the other should be."""
    dc = _dc(data)
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


def _scaled(reading: Reading, factor: float) -> Reading:
    std = None if reading.std is None else reading.std / abs(factor)
    return replace(reading, value=reading.value / factor, std=std)


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
        put_right = {odd[i]: float(volts[i]) for i in np.flatnonzero(fits & (np.abs(volts) > FLOORS["dc_v"]))}
        rows = tuple(put_right)
        for group in {rows, rows[:1]} - {()}:
            first, instead = data.readings[group[0]], put_right[group[0]]
            yield Mishap(
                entry=entry,
                rows=group,
                readings=tuple(_scaled(data.readings[r], data.readings[r].value / put_right[r]) for r in group),
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
