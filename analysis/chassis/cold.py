"""Ohms of a healthy chassis with the power off and the tubes cold, point by point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Measurand, Reading

from .bands import Band, bands
from .description import GROUND
from .feeding import rails_of, supply_nodes
from .model import ChassisModel

OPEN_FROM_OHM = 20e6
"""A resistance from here up is nothing that a part on the drawing makes: leakage (common practice, no source)."""


SHORT_SHARE = 0.5
"""A supply that reads less than this share of what a healthy one does is shorted, or on the way to it (common
practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdPoint:
    """One line of the chart.

    Parameters
    ----------
    point : str
        A pin or a named node.
    to_chassis : Band
        Ohms to the chassis.
    rail : str
        The rail that feeds it; empty where none or several do, and at the rail itself.
    to_rail : Band, optional
        Ohms to that.
    """

    point: str
    to_chassis: Band
    rail: str = ""
    to_rail: Band | None = None


def chart_points(model: ChassisModel, *, once: bool = False) -> list[tuple[str, ...]]:
    """Where ohms may be read: each point alone, to the chassis, then to the rail that feeds it where one does.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    once : bool
        One point of each node only.

    Returns
    -------
    list of tuple of str
        ``("V1.1", "V1.1>HT1")`` or ``("V1.3",)``.
    """
    names = model.chassis.node_names
    found: dict[str, tuple[str, ...]] = {}
    for name, point in model.points.items():
        if not point.node or point.node == GROUND:
            continue
        rails = rails_of(model.chassis, name)
        fed = len(rails) == 1 and names[name] != names[min(rails)]
        found.setdefault(point.node if once else name, (name, f"{name}>{min(rails)}") if fed else (name,))
    return list(found.values())


def cold_chart(model: ChassisModel, level: float = 0.95) -> list[ColdPoint]:
    """Ohms at every point of a healthy chassis that is not on the chassis itself.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    level : float
        Share of healthy chassis inside each band.

    Notes
    -----
    All paths in parallel are in these, so that a part may be judged where it stands. What capacitors leak, a meter
    of a few volts sees roughly only; the bands of what hangs on large ones are as wide as that.
    """
    points = chart_points(model)
    wanted = [Measurand(point=one, quantity="cold_ohm") for both in points for one in both]
    found = dict(zip((one.point for one in wanted), bands(model, wanted, level=level), strict=True))
    return [
        ColdPoint(
            point=point,
            to_chassis=found[point],
            rail=to_rail[0].partition(">")[2] if to_rail else "",
            to_rail=found[to_rail[0]] if to_rail else None,
        )
        for point, *to_rail in points
    ]


def shorts_asked(model: ChassisModel, readings: Sequence[Reading]) -> list[str]:
    """Ask for the cause before the power goes on, where a supply reads far too little to the chassis (rule P3 of
    common bench practice).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    """
    names, supplies = model.chassis.node_names, supply_nodes(model.chassis)
    read = {
        one.measurand: one.value
        for one in readings
        if one.quantity == "cold_ohm" and one.quality in JUDGED_QUALITIES and names.get(one.point) in supplies
    }
    limits = bands(model, list(read), level=0.99) if read else []
    return [
        f"{one.point} reads {format_value(ohm, 'ohm')} to the chassis with the power off, a healthy one "
        f"{format_value(band.low, 'ohm', 2)} or more: find that before the power goes on"
        for (one, ohm), band in zip(read.items(), limits, strict=True)
        if ohm < SHORT_SHARE * band.low
    ]
