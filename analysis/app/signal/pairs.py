"""Idle currents of output pairs from the cathode readings of a pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquisition.records import Event, Reading, judged_dc
from analysis.balance import PairMatch, match_pair
from analysis.chassis import Chassis, Part
from analysis.chassis.description import GROUND
from analysis.compare.pairing import SHARED_FROM
from analysis.uncertainty import InputQuantity, evaluate, meter_std, rectangular
from analysis.work import USUAL_ERROR, last_values


@dataclass(frozen=True, kw_only=True)
class MatchedPair:
    """Two tubes on one push-pull transformer.

    Parameters
    ----------
    first, second : str
        Their sockets.
    match : PairMatch
        Difference of their idle currents.
    first_a, second_a : InputQuantity
        Cathode currents in ampere, screen current included.
    """

    first: str
    second: str
    match: PairMatch
    first_a: InputQuantity
    second_a: InputQuantity


def match_pairs(chassis: Chassis, readings: Sequence[Reading], work: Sequence[Event] = ()) -> list[MatchedPair]:
    """Matching of every pair whose cathodes have resistors of their own and were read.

    Parameters
    ----------
    chassis : Chassis
        With parts.
    readings : sequence of Reading
        Of one pass; the last good one of a point counts.
    work : sequence of Event
        Done before; resistors measured with power off replace value and tolerance.

    Returns
    -------
    list of MatchedPair
        Readings of one instrument on one range share their gain error, which cancels in the difference; low in the
        range, where digits dominate, nothing does.
    """
    cathode_v = {r.point: r for r in judged_dc(readings)}
    found, measured = [], last_values(work)
    for part in chassis.parts.values():
        if part.kind != "transformer" or len(part.nodes) < 5:
            continue
        # The ends of the primary, with taps between them or without; two nodes of the secondary follow.
        plates = (part.nodes[0], part.nodes[-3])
        sides = [_current(chassis, cathode_v, measured, plate) for plate in plates]
        if sides[0] is None or sides[1] is None:
            continue
        (first, first_a, one), (second, second_a, two) = sides[0], sides[1]
        shared = {}
        if one.std and two.std and _share_a_gain_error(one, two):
            # Only the readings are correlated, not the resistors: the share of the meter in each variance.
            share = (one.std / one.value) / (first_a.std / first_a.value)
            share *= (two.std / two.value) / (second_a.std / second_a.value)
            shared[first_a.name, second_a.name] = min(1.0, share)
        found.append(
            MatchedPair(
                first=first,
                second=second,
                match=match_pair(first_a, second_a, shared),
                first_a=first_a,
                second_a=second_a,
            )
        )
    return found


def _share_a_gain_error(one: Reading, two: Reading) -> bool:
    """Whether both are of one range, and high enough in it for its gain error to be most of their uncertainty."""
    if (one.instrument, one.range_v) != (two.instrument, two.range_v):
        return False
    return one.range_v is None or min(one.value, two.value) > SHARED_FROM * one.range_v


def _current(
    chassis: Chassis, cathode_v: dict[str, Reading], measured: dict[str, Event], plate_node: str
) -> tuple[str, InputQuantity, Reading] | None:
    for socket, tube in chassis.sockets.items():
        functions = {f"{socket}.{number}": pin.function for number, pin in tube.pins.items()}
        plates = [p for p, function in functions.items() if function == "plate"]
        cathodes = [p for p, function in functions.items() if function == "cathode"]
        nodes = chassis.node_names
        if len(plates) != 1 or len(cathodes) != 1 or nodes.get(plates[0]) != nodes.get(plate_node, plate_node):
            continue
        reading = cathode_v.get(cathodes[0])
        resistor = _to_ground(chassis, nodes.get(cathodes[0], ""))
        if reading is None or resistor is None or reading.value <= 0:
            return None
        event = measured.get(resistor.name)
        if event is not None and event.value:
            ohm, ohm_std = event.value, event.std or USUAL_ERROR * event.value
        else:
            ohm, ohm_std = resistor.value, rectangular(resistor.value * max(map(abs, resistor.tolerance)))
        budget = evaluate(
            f"cathode current of {socket}",
            lambda x: x[0] / x[1],
            [
                InputQuantity(name="cathode", value=reading.value, std=meter_std(reading), unit="V"),
                InputQuantity(name=resistor.name, value=ohm, std=ohm_std, unit="ohm"),
            ],
            unit="A",
        )
        return socket, InputQuantity(name=budget.name, value=budget.value, std=budget.std, unit="A"), reading
    return None


def _to_ground(chassis: Chassis, node: str) -> Part | None:
    """The one resistor from a cathode to the chassis that no other cathode shares."""
    nodes = chassis.node_names
    resistors = [
        part
        for part in chassis.parts.values()
        if part.kind == "resistor" and {nodes.get(n, n) for n in part.nodes} == {node, nodes.get(GROUND, GROUND)}
    ]
    cathodes = [
        point
        for socket, tube in chassis.sockets.items()
        for point in (f"{socket}.{n}" for n, pin in tube.pins.items() if pin.function == "cathode")
        if nodes.get(point) == node
    ]
    return resistors[0] if len(resistors) == 1 and len(cathodes) == 1 else None
