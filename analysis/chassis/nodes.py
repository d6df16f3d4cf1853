"""Points that are one node, and tubes by the nodes their electrodes are wired to."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

from analysis.tubes import Section, Tube

from .description import GROUND


class Nodes:
    """Points that are one node (union-find); a node is called by its most telling name."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def find(self, point: str) -> str:
        """Name of the node of a point.

        Parameters
        ----------
        point : str
            Any point; new ones are taken in.
        """
        parent = self._parent.setdefault(point, point)
        if parent != point:
            parent = self._parent[point] = self.find(parent)
        return parent

    def join(self, a: str, b: str) -> None:
        """Make two points one node.

        Parameters
        ----------
        a, b : str
            Points.
        """
        first, second = sorted((self.find(a), self.find(b)), key=lambda n: (n != GROUND, "." in n))
        self._parent[second] = first

    @property
    def points(self) -> list[str]:
        """Every point taken in so far."""
        return list(self._parent)


def wired_sections(
    sockets: Mapping[str, Tube], node_names: Mapping[str, str]
) -> list[tuple[str, Tube, Section, dict[str, str]]]:
    """Sections whose plate or grid stands among the parts, with the node of each electrode that is wired.

    A section whose plate is left open, and of which all that is wired lies on the chassis, is one not in use: it
    carries nothing and is left out.

    Parameters
    ----------
    sockets : mapping of str to Tube
        Tubes by socket.
    node_names : mapping of str to str
        Point to node.
    """
    found = []
    for socket, tube in sockets.items():
        for section in tube.sections:
            nodes = {
                electrode: node_names[f"{socket}.{pin}"]
                for electrode, pins in section.electrodes.items()
                for pin in pins
                if f"{socket}.{pin}" in node_names
            }
            tied_off = "plate" not in nodes and set(nodes.values()) == {GROUND}
            if ("plate" in nodes or "grid" in nodes) and not tied_off:
                found.append((socket, tube, section, nodes))
    return found


def heater_node(socket: str, tube: Tube, node_names: Mapping[str, str]) -> str:
    """Node that a heater is wired to: the chassis where it is on no part, or is the cathode itself.

    Parameters
    ----------
    socket : str
        Where it sits.
    tube : Tube
        What sits there.
    node_names : mapping of str to str
        Point to node.
    """
    pins = (f"{socket}.{n}" for n, pin in tube.pins.items() if pin.is_heater and "cathode" not in pin.functions)
    return next((node_names[point] for point in pins if point in node_names), GROUND)


def like(name: str, names: Iterable[str], most: int) -> list[str]:
    """Names that one may have been meant as: the same in other capitals, else the nearest.

    Parameters
    ----------
    name : str
        As written.
    names : iterable of str
        Those there are.
    most : int
        How many at most.
    """
    there = list(names)
    same = [other for other in there if other.lower() == name.lower()]
    return same[:most] or difflib.get_close_matches(name, there, n=most)
