"""The survey plan of a chassis: which point after which, what it should read, and what it can reach at worst.

Order (common practice, no source): heaters, rails and supply nodes from the highest down, bias; then the output
stage (cathodes, screens, plates); then the stages before it, from the output towards the input, cathodes,
screens, plates; the grids, because a meter disturbs them most; other nodes and signal terminals at the end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from acquisition.records import Measurand, SurveyPlan, SurveyStep
from analysis.tubes.base import mirrored, neighbours, spoken_place

from .bands import Band, bands
from .description import Chassis, Part
from .model import ChassisModel
from .points import Point, list_points
from .worst_case import LOW_V, WorstCase

MAY_BE_ZERO_V = 0.3
SLOWEST_S = 2.0
SAMPLES = 200

_NO_TIE = ("internal connection", "shield", "shell")


def survey_plan(
    chassis: Chassis,
    model: ChassisModel | None = None,
    *,
    mains_v: float | None = None,
    supply_v: float | None = None,
) -> SurveyPlan:
    """Plan the survey of a chassis.

    Parameters
    ----------
    chassis : Chassis
        The file; tubes alone are enough.
    model : ChassisModel, optional
        Gives expected volts with the meter's loading, bands and source resistances; without it the volts printed
        on the drawing serve.
    mains_v : float, optional
        Mains measured, volts rms; above nominal it raises the worst case too.
    supply_v : float, optional
        Unloaded high tension in volts, where no rails tell it.

    Returns
    -------
    SurveyPlan
        Every point worth reading, in bench order. Its worst case is that of `WorstCase`: infinite where nothing
        tells the supply, so that no high-voltage point is ever named.
    """
    points = model.points if model is not None else list_points(chassis)
    chosen = {name: point for name, point in points.items() if _worth_reading(point, model)}
    expected = _expected(model, chosen, mains_v) if model is not None else _printed(chassis, chosen)
    worst = WorstCase(chassis, model, mains_v=mains_v, supply_v=supply_v)
    output_nodes = {
        chassis.node_names[end]
        for part in chassis.parts.values()
        if part.kind == "transformer"
        for end in part.nodes[:-2]
    }
    outputs = {p.section for p in points.values() if "plate" in p.function and p.node in output_nodes}
    rank = {socket: place for place, socket in enumerate(reversed(list(chassis.sockets)))}
    steps = []
    for point in chosen.values():
        band = expected.get(point.name)
        source_ohm = _source_ohm(model, point, band) if model is not None and band is not None else 0.0
        steps.append(
            (
                _order(point, band, point.section in outputs, rank),
                SurveyStep(
                    point=point.name,
                    function=_function(point),
                    place=_place(chassis, point),
                    expected_v=None if band is None else band.expected,
                    low_v=None if band is None else band.low,
                    high_v=None if band is None else band.high,
                    worst_v=worst.at(point, 0.0 if band is None else max(abs(band.low), abs(band.high))),
                    source_ohm=source_ohm,
                    settle_s=min(SLOWEST_S, source_ohm * _farads_at(chassis, point.node)),
                    may_be_zero=point.heater
                    or band is None
                    or abs(band.expected) < MAY_BE_ZERO_V
                    or band.low <= 0.0 <= band.high,
                    neighbours=_neighbours(chassis, point, points, expected),
                    heater=point.heater,
                    delicate=point.delicate,
                ),
            )
        )
    steps.sort(key=lambda item: item[0])
    return SurveyPlan(chassis=chassis.title, steps=tuple(step for _, step in steps))


def _worth_reading(point: Point, model: ChassisModel | None) -> bool:
    if point.heater:
        return True
    if any(word in point.function for word in _NO_TIE):
        return False
    # A free pin is worth it where the drawing uses it as a tie point.
    return bool(point.node) or (model is None and point.function != "not connected")


def _expected(model: ChassisModel, points: Mapping[str, Point], mains_v: float | None) -> dict[str, Band]:
    names = [point.name for point in points.values() if point.node]
    found = bands(model, [Measurand(point=name, quantity="dc_v") for name in names], mains_v=mains_v, count=SAMPLES)
    return {name: band for name, band in zip(names, found, strict=True) if math.isfinite(band.expected)}


def _printed(chassis: Chassis, points: Mapping[str, Point]) -> dict[str, Band]:
    """What the drawing prints, where there is no model to tell more."""
    bands_: dict[str, Band] = {}
    for name, printed in chassis.printed.items():
        if name in points:
            low, high = printed.limits_v
            bands_[name] = Band(expected=printed.volts, low=low, high=high, std=0.25 * (high - low))
    return bands_


def _order(
    point: Point, band: Band | None, output: bool, rank: Mapping[str, int]
) -> tuple[int, int, float, int, str]:
    volts = 0.0 if band is None else band.expected
    socket = rank.get(point.socket, 0)
    electrode = next((i for i, name in enumerate(("cathode", "screen", "plate")) if name in point.function), 3)
    if point.heater:
        return (0, socket, 0.0, point.pin, "")
    if point.function == "rail" or (not point.socket and volts > LOW_V):
        return (1 if volts >= 0 else 2, 0, -abs(volts), 0, point.name)
    if not point.socket:
        return (2 if volts < -1.0 else 6, 0, -abs(volts), 0, point.name)
    if "grid" in point.function and electrode == 3:
        return (5, socket, 0.0, point.pin, "")
    if output:
        return (3, electrode, 0.0, socket, point.name)
    return (4, socket, float(electrode), point.pin, "")


def _function(point: Point) -> str:
    if point.heater:
        return f"{point.function}, DC against the chassis"
    return f"{point.function} of {point.section}" if point.section else point.function


def _place(chassis: Chassis, point: Point) -> str:
    if not point.socket:
        return ""
    base = chassis.sockets[point.socket].base
    return f"{base} base, {spoken_place(base, point.pin)}"


def _neighbours(
    chassis: Chassis, point: Point, points: Mapping[str, Point], expected: Mapping[str, Band]
) -> dict[str, float]:
    """Expected volts of the pins that a slip or a count the wrong way round would hit, other nodes only."""
    if not point.socket:
        return {}
    base = chassis.sockets[point.socket].base
    found = {}
    for pin in (*neighbours(base, point.pin), mirrored(base, point.pin)):
        name = f"{point.socket}.{pin}"
        other = points.get(name)
        if other is not None and name in expected and other.node != point.node:
            found[name] = expected[name].expected
    return found


def _source_ohm(model: ChassisModel, point: Point, band: Band) -> float:
    """From what the meter's loading takes away; of a node near 0 V, its resistances to elsewhere in parallel."""
    loaded_v = band.expected
    if abs(loaded_v) > MAY_BE_ZERO_V and math.isfinite(model.meter.resistance_ohm):
        true_v = float(np.ravel(model.operating_point({}).node_v(point.node))[0])
        nominal_v = float(model.predict({}, [Measurand(point=point.name, quantity="dc_v")])[0, 0])
        return max(0.0, model.meter.resistance_ohm * (true_v / nominal_v - 1.0)) if nominal_v else 0.0
    siemens = sum(
        1.0 / part.value
        for part in _parts_at(model.chassis, point.node)
        if part.kind in ("resistor", "potentiometer") and part.value > 0
    )
    return 1.0 / siemens if siemens else 0.0


def _farads_at(chassis: Chassis, node: str) -> float:
    return sum(part.value for part in _parts_at(chassis, node) if part.kind == "capacitor")


def _parts_at(chassis: Chassis, node: str) -> list[Part]:
    """Parts with an end on a node, by whatever name of it that is written."""
    return [
        part for part in chassis.parts.values() if node in {chassis.node_names.get(end, end) for end in part.nodes}
    ]
