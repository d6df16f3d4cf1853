"""Every node needs a way for direct current to ground or a rail, and the current of a cathode a way on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set

from .description import GROUND, Part
from .nodes import Nodes

Wired = Mapping[str, str]
"""Nodes of the electrodes of one section, by their names."""


def path_mistakes(
    nodes: Nodes,
    parts: Iterable[Part],
    held: Iterable[str],
    sections: Sequence[Wired],
    sure: Sequence[Wired],
    loose: Set[str],
) -> Iterator[tuple[str, str]]:
    """What is wrong with the ways of direct current, each with the node it is told of.

    Parameters
    ----------
    nodes : Nodes
        Every point of parts, rails and ``joined``.
    parts : iterable of Part
        Of the chassis.
    held : iterable of str
        Points that something holds at their volts, as a rail or the generator does.
    sections : sequence of mapping
        Sections of tubes that have a cathode.
    sure : sequence of mapping
        Those of them of whose cathode it is known what is wired to it.
    loose : set of str
        Nodes that are used once: told already, and why the rest of their island floats.
    """
    paths = Nodes()
    for point in held:
        paths.join(GROUND, nodes.find(point))
    for part in parts:
        ends = [nodes.find(node) for node in part.nodes]
        groups = [ends]
        if part.kind == "transformer":
            groups = [ends[:-2], ends[-2:]]
        elif part.kind == "capacitor":
            groups = []
        for group in groups:
            for end in group[1:]:
                paths.join(group[0], end)
    through = [(wired["cathode"], wired[e]) for wired in sections for e in ("plate", "screen") if e in wired]
    # Through its own tube the current of a cathode only comes: it goes on by a part, or by the tube below.
    onward = {paths.find(GROUND), *(paths.find(taken) for _, taken in through)}
    stuck = {wired["cathode"] for wired in sure}
    stuck = {node for node in stuck - loose if paths.find(node) not in onward}
    for cathode, taken in through:
        paths.join(cathode, taken)
    for node in sorted(stuck):
        if paths.find(node) == paths.find(GROUND):
            yield (
                node,
                f"{node}: nothing carries the current of this cathode on: expected a resistor or a wire to gnd",
            )
    islands: dict[str, list[str]] = {}
    for node in dict.fromkeys(nodes.find(point) for point in nodes.points):
        if paths.find(node) != paths.find(GROUND):
            islands.setdefault(paths.find(node), []).append(node)
    at_tubes = {node for wired in sections for node in wired.values()}
    for island in islands.values():
        if loose.isdisjoint(island):
            verb = "floats" if len(island) == 1 else "float"
            doubler = (
                " Between two capacitors that a winding holds, as in a doubler, it is a rail of its own."
                if len(island) == 1 and island[0] not in at_tubes
                else ""
            )
            yield (
                island[0],
                f"{', '.join(island)} {verb}: expected a path for direct current to gnd or a rail; is a part"
                f" missing, or a wire in joined?{doubler}",
            )
