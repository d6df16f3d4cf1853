"""Does the ``signal`` of a chassis file make sense: points that exist, and that a signal can be on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Set

from .description import GROUND
from .form import SignalFile
from .nodes import Nodes


def signal_mistakes(
    signal: SignalFile, nodes: Nodes, rails: Set[str], unknown: Callable[[str], str]
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield what is wrong, each with its place below ``signal``.

    Parameters
    ----------
    signal : SignalFile
        The entry, its form already checked.
    nodes : Nodes
        Every point of parts, rails and ``joined``.
    rails : set of str
        Names of the rails.
    unknown : callable
        What is said of a point that no part reaches.
    """
    known = set(nodes.points)
    supplied = {nodes.find(rail) for rail in rails}

    def silent(point: str) -> str:
        if point not in known:
            return unknown(point)
        return f"{point} is gnd: expected a point that carries the signal" if nodes.find(point) == GROUND else ""

    taken: set[str] = set()
    for point in signal.input:
        if text := silent(point):
            yield ("input",), text
            continue
        node = nodes.find(point)
        if node in supplied:
            yield ("input",), f"{point} is on a rail: expected a point that carries the signal"
        elif node in taken:
            yield ("input",), f"{point} is given twice: expected one point a channel"
        taken.add(node)
    for point in signal.output:
        if text := silent(point):
            yield ("output",), text
    if len(signal.input) != len(signal.output):
        yield ("output",), f"expected one for each of {len(signal.input)} inputs, got {len(signal.output)}"
    for name, (source, target) in signal.stages.items():
        texts = [text for point in (source, target) if (text := silent(point))]
        if not texts and nodes.find(source) == nodes.find(target):
            texts = [f"{source} and {target} are one node: expected two that a stage lies between"]
        for text in texts:
            yield ("stages", name), text
