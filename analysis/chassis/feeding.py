"""Which rails feed a point, and rails that were read as less than what they feed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

from acquisition.records import Measurand, Reading, judged_dc

from .description import GROUND, Chassis
from .nodes import wired_sections

ABOVE_RATIO, ABOVE_V = 1.2, 3.0
"""A point stands above its rail from so much on: mains and a warming chassis move less between two touches of one
pass (common practice, no source)."""

SMOOTHING_FARAD = 1e-6
"""Capacitors to the chassis from here up smooth a supply (common practice, no source)."""


def rails_of(chassis: Chassis, point: str) -> frozenset[str]:
    """Rails that a point hangs on through parts that pass direct current.

    Parameters
    ----------
    chassis : Chassis
        The file.
    point : str
        Pin or node.

    Examples
    --------
    >>> from analysis.chassis import load_chassis
    >>> amplifier = load_chassis("harbour-twenty")
    >>> [sorted(rails_of(amplifier, point)) for point in ("V3.3", "V3.5", "V1.3")]
    [['HT1'], ['BIASHOT'], []]
    """
    names = chassis.node_names
    beside: dict[str, set[str]] = {}
    for part in chassis.parts.values():
        spans = part.spans if part.kind != "potentiometer" else combinations(part.nodes, 2)
        for a, b in spans if part.kind != "capacitor" else ():
            beside.setdefault(names[a], set()).add(names[b])
            beside.setdefault(names[b], set()).add(names[a])
    at = {names[rail]: rail for rail in chassis.rails}
    reached, found = {GROUND}, set[str]()
    todo = [names.get(point, point)]
    while todo:
        node = todo.pop()
        if node in reached:
            continue
        reached.add(node)
        if node in at:
            found.add(at[node])
        else:
            todo += beside.get(node, ())
    return frozenset(found)


def supply_nodes(chassis: Chassis) -> frozenset[str]:
    """Nodes between the rails and the first plate, cathode or grid: their ripple comes by no tube.

    A plate that stands on a rail or on a smoothing capacitor is part of the supply.

    Parameters
    ----------
    chassis : Chassis
        The file.

    Examples
    --------
    >>> from analysis.chassis import load_chassis
    >>> sorted(supply_nodes(load_chassis("quayside-five")))
    ['HT1', 'HT2', 'HT3']
    """
    names = chassis.node_names
    rails = {names[rail] for rail in chassis.rails}
    stiff = rails | {
        end
        for part in chassis.parts.values()
        if part.kind == "capacitor" and part.value >= SMOOTHING_FARAD
        if GROUND in (across := {names[point] for point in part.nodes})
        for end in across
    }
    tubes = {
        node
        for _, _, _, wired in wired_sections(chassis.sockets, names)
        for electrode, node in wired.items()
        if electrode in ("grid", "cathode") or (electrode == "plate" and node not in stiff)
    }
    found = set[str]()
    todo = [*rails]
    while todo:
        node = todo.pop()
        if node in found or node in tubes or node == GROUND:
            continue
        found.add(node)
        for part in chassis.parts.values():
            if part.kind in ("resistor", "inductor") and node in (ends := [names[end] for end in part.nodes]):
                todo += ends
    return frozenset(found)


def by_tubes(chassis: Chassis, measurands: Sequence[Measurand]) -> list[bool]:
    """Whether each reading is ripple that comes through tubes.

    Parameters
    ----------
    chassis : Chassis
        The file.
    measurands : sequence of Measurand
        What is read.
    """
    if not any(one.quantity == "ripple_pp_v" for one in measurands):
        return [False] * len(measurands)
    names, supply = chassis.node_names, supply_nodes(chassis)
    return [one.quantity == "ripple_pp_v" and names.get(one.point, one.point) not in supply for one in measurands]


def below_what_they_feed(chassis: Chassis, readings: Sequence[Reading]) -> Mapping[str, list[Reading]]:
    """Rails with the DC readings that stand above them: of another moment, or one of the two is wrong.

    Parameters
    ----------
    chassis : Chassis
        The file.
    readings : sequence of Reading
        Of one pass.

    Returns
    -------
    mapping of str to list of Reading
        By rail; one reading a node.
    """
    volts = {r.point: r for r in judged_dc(readings)}
    found: dict[str, dict[str, Reading]] = {}
    for point, reading in volts.items():
        sign = -1.0 if reading.value < 0.0 else 1.0
        feeding = [rail for rail in rails_of(chassis, point) if sign * chassis.rails[rail].volts > 0.0]
        if not feeding or point in feeding or any(rail not in volts for rail in feeding):
            continue
        highest = max(feeding, key=lambda rail: sign * volts[rail].value)
        if sign * reading.value > ABOVE_RATIO * max(sign * volts[highest].value, 0.0) + ABOVE_V:
            found.setdefault(highest, {})[chassis.node_names.get(point, point)] = reading
    return {rail: list(nodes.values()) for rail, nodes in found.items()}
