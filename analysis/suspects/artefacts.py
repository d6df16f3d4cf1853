"""What a person or an instrument does to a reading, in competition with the faults: wrong probe factor, wrong pin.

Each is tried on the chassis with nothing wrong: the reading in question is put right, and the evidence taken again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Reading

from ..chassis import MeterLoad
from ..faults import ArtefactEntry, load_fault_file
from .because import Healthy, show
from .data import Data, Weighed
from .panel import Change, Panel
from .refining import refine
from .variables import FLOORS, columns_to_variables, from_variable, reading_noise, to_variable

SUSPICIOUS = 4.0
"""Standard deviations from healthy from which a reading is questioned itself."""

NEAR = 2.0
"""Standard deviations within which a reading, put right, must come to what is expected."""

TRIED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """A reading that may not mean what it says.

    Parameters
    ----------
    point : str
        Where it was taken; several are joined by commas.
    name : str
        ``probe factor``, ``wrong pin`` or ``heavy load``.
    log_weight : float
        Logarithm of its probability against that of the healthy chassis with all readings as they stand.
    because : str
        Why.
    """

    point: str
    name: str
    log_weight: float
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    entry: ArtefactEntry
    rows: tuple[int, ...]
    readings: tuple[Reading, ...]
    because: str
    share: float = 1.0
    """Of the chance of such a slip, the part that this one has."""


def artefacts(panel: Panel, data: Data, weighed: Weighed, healthy: Healthy) -> list[Artefact]:
    """Artefacts that would make the chassis healthy, with their weight against the plain healthy hypothesis.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    weighed : Weighed
        Posterior.
    healthy : Healthy
        What a healthy chassis would show.
    """
    plain = weighed.refined.get(Change())
    if plain is None or not (np.abs(healthy.z) > SUSPICIOUS).any():
        return []
    found = []
    for trial in list(_trials(panel, data, healthy))[:TRIED]:
        measured, noise = data.measured.copy(), data.noise.copy()
        for row, reading in zip(trial.rows, trial.readings, strict=True):
            measured[row] = float(to_variable(reading.quantity, np.array(reading.value)))
            noise[row] = reading_noise([reading])[0]
        columns = data.columns
        right = replace(data, measured=measured, noise=noise, columns=columns)
        if (
            trial.entry.name == "wrong pin"
        ):  # where the probe really was is another measurand: leave the reading out
            keep = np.setdiff1d(np.arange(len(measured)), trial.rows)
            right = Data(
                readings=tuple(data.readings[i] for i in keep),
                columns=columns[keep],
                quantities=data.quantities[keep],
                measured=measured[keep],
                noise=noise[keep],
            )
            # A value that fits the other pin is worth what any fitting reading is worth.
            bonus = -math.log(float(plain.scale[list(trial.rows)].mean()) * math.sqrt(2 * math.pi)) - 0.5
        else:
            bonus = 0.0
        again = refine(panel, right, [Change()]).get(Change())
        if again is not None:
            gain = again.evidence + bonus - plain.evidence
            found.append(
                Artefact(
                    point=", ".join(data.readings[row].point for row in trial.rows[:3]),
                    name=trial.entry.name,
                    log_weight=math.log(trial.entry.chance * trial.share) + gain,
                    because=trial.because,
                )
            )
    return found


def _trials(panel: Panel, data: Data, healthy: Healthy) -> Iterator[_Trial]:
    for entry in load_fault_file().artefacts:
        odd = [i for i in np.argsort(-np.abs(healthy.z)) if abs(healthy.z[i]) > SUSPICIOUS]
        odd = [int(i) for i in odd if data.quantities[i] in entry.quantities]
        if entry.name == "probe factor":
            yield from _factors(entry, data, healthy, odd)
        elif entry.name == "heavy load":
            yield from _loads(entry, panel, data, healthy, odd)
        else:
            yield from _pins(entry, panel, data, healthy, odd)


def _factors(entry: ArtefactEntry, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[_Trial]:
    for factor in entry.times:
        fitting = []
        for row in odd:
            reading = data.readings[row]
            put_right = reading.value / factor
            if min(abs(reading.value), abs(put_right)) < FLOORS[reading.quantity]:
                continue  # next to nothing is next to nothing whatever it is divided by: no switch is shown by that
            right = float(to_variable(reading.quantity, np.array(put_right)))
            if abs(right - healthy.expected[row]) < NEAR * healthy.spread[row]:
                fitting.append(row)
        # A switch on the probe falsifies every reading taken with it: all of one quantity, or one alone.
        for quantity in entry.quantities:
            rows = tuple(row for row in fitting if data.quantities[row] == quantity)
            for group in {rows, rows[:1]} - {()}:
                first = data.readings[group[0]]
                yield _Trial(
                    entry=entry,
                    rows=group,
                    readings=tuple(_scaled(data.readings[row], factor) for row in group),
                    because=f"{entry.words}: divided by {factor:g}, {len(group)} reading(s) come to what is "
                    "expected, "
                    f"{first.point} to {show(first, first.value / factor)}",
                )


def _scaled(reading: Reading, factor: float) -> Reading:
    std = None if reading.std is None else reading.std / factor
    return replace(reading, value=reading.value / factor, std=std)


def _loads(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[_Trial]:
    """Readings taken with less resistance than the model's meter has, all that came out wrong or one alone."""
    measurands = [panel.measurands[data.columns[row]] for row in odd]
    for ohm in entry.ohms if odd else ():
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
            yield _Trial(
                entry=entry,
                rows=group,
                readings=tuple(_scaled(data.readings[r], data.readings[r].value / put_right[r]) for r in group),
                because=f"{entry.words}: with {format_value(ohm, 'ohm')} a sound chassis reads about "
                f"{show(first, first.value)} at {first.point}, with the meter of the bench {show(first, instead)}",
            )


def _pins(entry: ArtefactEntry, panel: Panel, data: Data, healthy: Healthy, odd: list[int]) -> Iterator[_Trial]:
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
            gap = abs(data.measured[row] - panel.centre[column])
            if gap < max(NEAR * data.noise[row], 0.03):
                value = float(from_variable("dc_v", np.array(panel.centre[column])))
                yield _Trial(
                    entry=entry,
                    rows=(row,),
                    readings=(reading,),
                    because=f"{entry.words}: {show(reading, reading.value)} is what {other} should read "
                    f"({show(reading, value)}); read {reading.point} again",
                    share=1.0 / others,
                )
