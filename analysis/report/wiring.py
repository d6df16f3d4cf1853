"""What hangs where in a chassis, for its drawing: supply nodes, sections in signal order, parts still to draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from acquisition.quantities import format_value
from analysis.chassis import Chassis, Part

from .symbols import Sheet
from .words import with_signs

LARGE_FARAD = 0.9e-6
GROUND = "gnd"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What stands beside a point.

    Parameters
    ----------
    measured_v, expected_v : float, optional
        Volts; None where there is no such figure.
    verdict : str
        ``agrees``, ``low``, ``high``, ``unclear`` or empty.
    said : str
        The same as people read it.
    """

    measured_v: float | None = None
    expected_v: float | None = None
    verdict: str = ""
    said: str = ""


@dataclass(eq=False)
class Cell:
    """One tube section.

    Parameters
    ----------
    socket, section, tube : str
        ``V1``, ``a``, ``12AX7``.
    electrodes : dict of str to str
        Electrode to point, ``{"plate": "V1.6"}``.
    sheet : Sheet
        Its drawing.
    entry : tuple of (node, x, y), optional
        Where the signal comes in.
    exits : list of (node, x, y)
        Where it leaves.
    """

    socket: str
    section: str
    tube: str
    electrodes: dict[str, str]
    sheet: Sheet = field(default_factory=Sheet)
    entry: tuple[str, float, float] | None = None
    exits: list[tuple[str, float, float]] = field(default_factory=list)


def _volts(value_v: float, digits: int) -> str:
    """Volts beside a point; below half a millivolt nothing is left to say."""
    return "0 V" if abs(value_v) < 5e-4 else with_signs(format_value(value_v, "V", digits)).replace("-", "−")


class Wiring:
    """The chassis as nodes, and which of its parts are still to be drawn."""

    def __init__(self, chassis: Chassis, shown: Mapping[str, Shown]) -> None:
        self.chassis = chassis
        self.shown = shown
        self.left_over: dict[str, Part] = dict(chassis.parts)
        self.at: dict[str, list[Part]] = {}
        for part in chassis.parts.values():
            for point in part.nodes:
                self.at.setdefault(self.node(point), []).append(part)
        self.supplies = self._supply_nodes()
        self.labelled: set[str] = set()
        self.cells = self._cells()
        self.pins = {self.node(p): p for cell in self.cells for p in cell.electrodes.values()}
        self.pins.pop(GROUND, None)  # a cathode straight on the chassis gives it no other name
        ends = (*chassis.signal.inputs, *chassis.signal.outputs) if chassis.signal else ()
        self.shared = {self.node(point) for point in ends}
        self.shared |= {self.enters(cell) for cell in self.cells}
        self.reserved = {part.name for cell in self.cells for part, _ in self.stoppers(cell)}

    def node(self, point: str) -> str:
        """Node of a point; points that are joined share one."""
        return self.chassis.node_names.get(point, point)

    def name(self, node: str) -> str:
        """What a node is called on the sheet: its rail, its pin, or its own name."""
        if node in self.supplies:
            names = [p for p, n in self.chassis.node_names.items() if n == node and "." not in p]
            return names[0] if names else node
        return self.pins.get(node, node)

    def other_end(self, part: Part, node: str) -> str:
        """The far node of a part with two ends."""
        ends = [self.node(point) for point in part.nodes]
        return ends[1] if ends[0] == node else ends[0]

    def open_parts(self, node: str) -> list[tuple[Part, str]]:
        """Parts with two ends still to be drawn at a node, with their far node; stoppers wait for their grid.

        On the chassis there are none: what stands on it is drawn from its other end.
        """
        if node == GROUND:
            return []
        return [
            (part, self.other_end(part, node))
            for part in self.at.get(node, [])
            if part.name in self.left_over and part.name not in self.reserved and len(part.nodes) == 2
        ]

    def is_private(self, node: str) -> bool:
        """Whether a node belongs to the cell that reaches it, so that what hangs on it is drawn there."""
        return node != GROUND and not (node in self.supplies or node in self.pins or node in self.shared)

    def stoppers(self, cell: Cell) -> list[tuple[Part, str]]:
        """The resistors between a cell's grid and where its signal comes in, each with the node behind it."""
        node = self.node(cell.electrodes.get("grid", ""))
        chain: list[tuple[Part, str]] = []
        seen = {node}
        while True:
            onward = [
                (part, self.other_end(part, node))
                for part in self.at.get(node, [])
                if part.kind == "resistor" and len(part.nodes) == 2
            ]
            # A node behind a stopper is one that a coupling capacitor feeds.
            step = [
                (part, n)
                for part, n in onward
                if n not in seen | self.supplies | {GROUND}
                and "." not in n
                and any(p.kind == "capacitor" and GROUND not in map(self.node, p.nodes) for p in self.at.get(n, []))
                and not self._reaches_cathode(n, cell)
            ]
            if len(step) != 1:
                return chain
            chain.append(step[0])
            node = step[0][1]
            seen.add(node)

    def enters(self, cell: Cell) -> str:
        """The node where a cell's signal comes in: its grid, or the node behind the last stopper."""
        chain = self.stoppers(cell)
        return chain[-1][1] if chain else self.node(cell.electrodes.get("grid", ""))

    def _reaches_cathode(self, node: str, cell: Cell) -> bool:
        """A grid leak returned to the bias resistor's foot is no stopper."""
        cathode = self.node(cell.electrodes.get("cathode", ""))
        return any(
            part.kind == "resistor" and cathode in map(self.node, part.nodes) for part in self.at.get(node, [])
        )

    def feeds(self, part: Part, other: str) -> bool:
        """Whether a part at a grid brings the signal: a coupling capacitor, or what leads to the input."""
        signal = self.chassis.signal
        return (part.kind == "capacitor" and other != GROUND) or (
            signal is not None and other in map(self.node, signal.inputs)
        )

    def symbol(
        self,
        sheet: Sheet,
        part: Part,
        start: tuple[float, float],
        end: tuple[float, float],
        label_below: bool = False,
    ) -> None:
        """Draw a part once."""
        self.left_over.pop(part.name, None)
        large = part.kind == "capacitor" and part.value >= LARGE_FARAD
        # Of ohms and farads the prefix tells enough beside the symbol; henries mostly have none.
        value = format_value(part.value, "H" if part.kind == "inductor" else "").replace("u", "µ")
        sheet.part(part.kind, start, end, (part.name, value), large, label_below)

    def node_text(
        self, sheet: Sheet, node: str, x: float, y: float, function: str = "", anchor: str = "start"
    ) -> None:
        """Write a node's name, what it read and what was expected, once on the whole sheet."""
        point = self.name(node)
        if point in self.labelled or node == GROUND:
            return
        self.labelled.add(point)
        names = [p for p, n in self.chassis.node_names.items() if n == node]
        found = next((self.shown[p] for p in (point, node, *names) if p in self.shown), Shown())
        measured = _volts(found.measured_v, 4) if found.measured_v is not None else ""
        expected = f"{_volts(found.expected_v, 3)} expected" if found.expected_v is not None else ""
        sheet.node(x, y, point, function, (measured, expected), found.verdict, found.said, anchor)

    def _supply_nodes(self) -> set[str]:
        """Rails, and what hangs on them through a resistor or choke with a large capacitor to the chassis."""
        found = {self.node(name) for name in self.chassis.rails}
        growing = list(found)
        while growing:
            here = growing.pop()
            for part in self.at.get(here, []):
                if part.kind not in ("resistor", "inductor") or len(part.nodes) != 2:
                    continue
                other = self.other_end(part, here)
                reservoir = any(
                    p.kind == "capacitor" and p.value >= LARGE_FARAD and GROUND in map(self.node, p.nodes)
                    for p in self.at.get(other, [])
                )
                if other not in found and other != GROUND and reservoir:
                    found.add(other)
                    growing.append(other)
        return found

    def _cells(self) -> list[Cell]:
        used = {point for part in self.chassis.parts.values() for point in part.nodes}
        used |= {point for group in self.chassis.joined for point in group}
        cells = []
        for socket, tube in self.chassis.sockets.items():
            for section in tube.sections:
                electrodes = {}
                for name, pins in section.electrodes.items():
                    points = [f"{socket}.{pin}" for pin in pins]
                    electrodes[name] = next((p for p in points if p in used), points[0] if points else "")
                if any(electrodes.get(name) in used for name in ("plate", "grid", "cathode")):
                    cells.append(Cell(socket, section.name, tube.name, electrodes))
        order = [point for stage in self.chassis.stages.values() for point in (stage.source, stage.target)]
        rank = {point: index for index, point in reversed(list(enumerate(order)))}
        return sorted(cells, key=lambda c: min((rank.get(p, 999) for p in c.electrodes.values()), default=999))
