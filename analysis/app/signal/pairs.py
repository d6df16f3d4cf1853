"""Idle currents of output pairs from the cathode readings of a pass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquisition.records import Event, Reading, judged_dc
from analysis.balance import PairMatch, match_pair
from analysis.chassis import Chassis
from analysis.compare.pairing import SHARED_FROM
from analysis.idle import cathode_currents
from analysis.uncertainty import Budget, InputQuantity


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
    found, currents_a = [], cathode_currents(chassis, readings, work)
    for part in chassis.parts.values():
        if part.kind != "transformer" or len(part.nodes) < 5:
            continue
        # The ends of the primary, with taps between them or without; two nodes of the secondary follow.
        plates = (part.nodes[0], part.nodes[-3])
        sides = [_current(chassis, cathode_v, currents_a, plate) for plate in plates]
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
    """Whether both are of one range, and high enough in it for its gain error to be most of their uncertainty.

    What was typed in names neither instrument nor range, and may be of two.
    """
    if not one.instrument or one.range_v is None:
        return False
    is_one = (one.instrument, one.range_v) == (two.instrument, two.range_v)
    return is_one and min(one.value, two.value) > SHARED_FROM * one.range_v


def _current(
    chassis: Chassis, cathode_v: Mapping[str, Reading], currents_a: Mapping[str, Budget], plate_node: str
) -> tuple[str, InputQuantity, Reading] | None:
    for socket, tube in chassis.sockets.items():
        functions = {f"{socket}.{number}": pin.function for number, pin in tube.pins.items()}
        plates = [p for p, function in functions.items() if function == "plate"]
        cathodes = [p for p, function in functions.items() if function == "cathode"]
        nodes = chassis.node_names
        if len(plates) != 1 or len(cathodes) != 1 or nodes.get(plates[0]) != nodes.get(plate_node, plate_node):
            continue
        reading, current = cathode_v.get(cathodes[0]), currents_a.get(socket)
        if reading is None or current is None or reading.value <= 0:
            return None
        return socket, InputQuantity(name=current.name, value=current.value, std=current.std, unit="A"), reading
    return None
