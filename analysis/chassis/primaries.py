"""What the middle one of three points of a primary is, the supply of a push-pull stage or a tap for the screen, and
what a primary shows to the plates."""

from __future__ import annotations

from collections.abc import Callable, Set

from .description import Part
from .nodes import Nodes

LEAST_LOAD_OHM = 100.0
"""No tube's transformer shows its plate less; what does is a number of turns, or the loudspeaker's impedance.
Common practice, no source."""


def load_mistake(part: Part, nodes: Nodes, plates: Set[str]) -> str:
    """What is wrong with the impedance that a transformer shows to a plate; empty where nothing is.

    Parameters
    ----------
    part : Part
        Any.
    nodes : Nodes
        Every point of parts, rails and ``joined``.
    plates : set of str
        Nodes of the plates.
    """
    if part.kind != "transformer" or part.value >= LEAST_LOAD_OHM:
        return ""
    if plates.isdisjoint(map(nodes.find, part.nodes[:-2])):
        return ""
    return (
        f"expected impedances in ohms, the primary's first, such as [5k, 8], got {part.value:g} for the tube's load"
    )


def primary_mistake(part: Part, nodes: Nodes, plates: Set[str], is_excused: Callable[[str], bool]) -> str:
    """What is wrong with the three points of a primary; empty where nothing is.

    Parameters
    ----------
    part : Part
        Any.
    nodes : Nodes
        Every point of parts, rails and ``joined``.
    plates : set of str
        Nodes of the plates.
    is_excused : callable
        Whether a node is on an entry with a mistake, so that its plate may not be known.
    """
    if part.kind != "transformer" or len(part.nodes) != 5:
        return ""
    first, last = nodes.find(part.nodes[0]), nodes.find(part.nodes[2])
    if is_excused(first) or is_excused(last):
        return ""
    at_plates = [point for point, node in ((part.nodes[0], first), (part.nodes[2], last)) if node in plates]
    if "tap" not in part.facts and len(at_plates) == 1:
        return (
            f"{at_plates[0]} is a plate and the other end is none: expected one at each end, push-pull; or, with a"
            " tap for the screen, supply, tap, plate, and how far the tap is from the supply, such as tap: 0.43"
        )
    if "tap" in part.facts and first in plates:
        return "expected supply, tap, plate in this order; push-pull has five points, with a tap each side"
    return ""
