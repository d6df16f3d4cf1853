"""Which rails feed a point, and rails that were read as less than what they feed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

from acquisition.records import Reading, judged_dc

from .description import GROUND, Chassis

ABOVE_RATIO, ABOVE_V = 1.2, 3.0
"""A point stands above its rail from so much on: mains and a warming chassis move less between two touches of one
pass (common practice, no source)."""


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
