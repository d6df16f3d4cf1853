"""Every place a probe can go on a chassis, and what it is."""

from __future__ import annotations

from dataclasses import dataclass

from .description import GROUND, Chassis

HIGH_VOLTAGE_FUNCTIONS = frozenset({"plate", "screen"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place a probe can go.

    Parameters
    ----------
    name : str
        ``V1.6`` or a named node.
    node : str
        Node of the model, empty where the point is not modelled.
    function : str
        ``plate grid cathode screen suppressor heater`` and so on for pins, ``rail input output node`` for names.
    socket, section : str
        ``V1`` and the section key ``V1a``; empty for named nodes.
    pin : int
        0 for named nodes.
    heater : bool
        Heater pin; a filament that is the cathode of an amplifying tube is read as the cathode it is.
    danger : bool
        High voltage in normal service.
    delicate : bool
        Grid whose leak returns to a cathode circuit: a meter upsets it (rule E2).
    """

    name: str
    node: str
    function: str
    socket: str = ""
    section: str = ""
    pin: int = 0
    heater: bool = False
    danger: bool = False
    delicate: bool = False


def list_points(chassis: Chassis, delicate_nodes: frozenset[str] = frozenset()) -> dict[str, Point]:
    """List the pins of every socket, then the named nodes.

    Parameters
    ----------
    chassis : Chassis
        The chassis; parts are not needed.
    delicate_nodes : frozenset of str
        Nodes a meter upsets, as the model found them.

    Returns
    -------
    dict of str to Point
        By name.
    """
    points: dict[str, Point] = {}
    for socket, tube in chassis.sockets.items():
        for number, pin in tube.pins.items():
            name = f"{socket}.{number}"
            node = chassis.node_names.get(name, "")
            section = tube.section_at(number)
            points[name] = Point(
                name=name,
                node=node,
                function=pin.function,
                socket=socket,
                section=f"{socket}{section.name}" if section else "",
                pin=number,
                heater=pin.is_heater and (tube.is_rectifier or "cathode" not in pin.functions),
                danger=pin.is_high_voltage,
                delicate=node in delicate_nodes,
            )
    signal = chassis.signal
    for name, node in chassis.node_names.items():
        if name in points or name == GROUND:
            continue
        function = "rail" if name in chassis.rails else "node"
        if signal is not None and name in (*signal.inputs, *signal.outputs):
            function = "input" if name in signal.inputs else "output"
        points[name] = Point(name=name, node=node, function=function, delicate=node in delicate_nodes)
    return points
