"""Do the parts of a chassis file make sense together: points, nodes, tubes, and a way for current to every node."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping

from acquisition.configs import Document
from acquisition.errors import ConfigError, Problem
from analysis.tubes import Tube, load_tube
from analysis.tubes.article import with_article

from .description import GROUND, Chassis, Part, Printed, Rail, Signal, Stage, pin_mistake
from .form import ChassisFile
from .nodes import Nodes, like, wired_sections
from .parts import PartMistake, parse_part
from .paths import path_mistakes
from .primaries import load_mistake, primary_mistake
from .signal_path import signal_mistakes

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_+\-]*")
_POINT = re.compile(r"[A-Za-z_][A-Za-z0-9_+\-]*(?:\.[A-Za-z0-9]+)?")
_PIN = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)\.([A-Za-z0-9]+)")
_DASHED = re.compile(r"([A-Za-z]+[0-9]+)[-_]([0-9]+)")
MODELLED = {"triode": ("plate", "grid", "cathode"), "pentode": ("plate", "grid", "cathode", "screen")}
"""Electrodes a section must have wired, by its kind."""


class Wiring:
    """The checks; ``problems`` holds what they found.

    Parameters
    ----------
    document : Document
        Gives lines.
    file : ChassisFile
        The file, its form already checked.
    """

    def __init__(self, document: Document, file: ChassisFile) -> None:
        self.document, self.file = document, file
        self.problems: list[Problem] = []
        self.nodes = Nodes()
        self.sockets: dict[str, Tube] = {}
        self.parts: dict[str, Part] = {}
        self._joined: list[list[str]] = []
        self._uses: Counter[str] = Counter()
        self._place: dict[str, tuple[str | int, ...]] = {}
        # Points of entries that hold a mistake: what else they do is not known, so nothing is said of them.
        self._excused: set[str] = set()
        self._loose: set[str] = set()
        self._set_aside()
        self._read_tubes()
        self._read_parts()
        self._read_joined()
        self._join_inside_tubes()
        self._read_signal()
        self._check_names()
        if self.parts:
            self._check_sections()
            plates = {w["plate"] for *_, w in wired_sections(self.sockets, self._node_names()) if "plate" in w}
            for part in self.parts.values():
                if text := primary_mistake(part, self.nodes, plates, self._is_excused):
                    self._report(("parts", part.name, "primary"), text)
                if text := load_mistake(part, self.nodes, plates):
                    self._report(("parts", part.name, "transformer"), text)
            self._check_loose_ends()
            self._check_paths()

    def _report(self, place: tuple[str | int, ...], text: str) -> None:
        self.problems.append(self.document.problem(place, text))

    def _set_aside(self) -> None:
        """Excuse what the loader left out of ``file`` for a mistake of form."""
        tree = self.document.tree if isinstance(self.document.tree, dict) else {}
        for group in ("rails", "parts", "joined", "signal", "printed"):
            given, kept = tree.get(group, {}), getattr(self.file, group) or {}
            if isinstance(given, dict) and isinstance(kept, dict):
                self._excuse([[name, entry] for name, entry in given.items() if name not in kept])
            elif not kept:
                self._excuse(given)

    def _excuse(self, entry: object) -> None:
        for point in _POINT.findall(str(entry)):
            meant = point.upper() if _PIN.fullmatch(point) else point
            self._excused |= {point, meant}
            self.nodes.find(meant)

    def _is_excused(self, node: str) -> bool:
        return any(self.nodes.find(point) == node for point in self._excused)

    def _read_tubes(self) -> None:
        for socket, kind in self.file.tubes.items():
            if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", socket):
                self._report(("tubes", socket), "a socket is called by a letter and digits such as V1")
            try:
                self.sockets[socket] = load_tube(kind)
            except ConfigError as error:
                reasons = "; ".join(problem.text for problem in error.problems)
                hint = f", {error.hint}" if error.hint else ""
                self._report(("tubes", socket), f"{kind}: {reasons}{hint}")

    def _read_parts(self) -> None:
        for name, entry in self.file.parts.items():
            place: tuple[str | int, ...] = ("parts", name)
            if not _NAME.fullmatch(name):
                # With a dot it could be a value of another part: C1.leak is the leak of C1.
                self._report(place, "a part is called by letters, digits, _, + and - such as R1 or C2a")
                self._excuse(entry)
                continue
            try:
                part = parse_part(name, entry, self.document.line_of(place))
            except PartMistake as error:
                self._report((*place, error.key) if error.key else place, str(error))
                self._excuse(entry)
                continue
            self.parts[name] = part
            good = [self._take(node, place) for node in part.nodes]
            if not all(good):
                self._excuse(part.nodes)
            for a, b in part.spans if all(good) else ():
                if self.nodes.find(a) == self.nodes.find(b):
                    self._report(place, f"both ends on {a}")
        for name in self.file.rails:
            self._take(name, ("rails", name))

    def _take(self, point: str, place: tuple[str | int, ...]) -> bool:
        """Take in a point named by a part, or say why not."""
        if point == GROUND:
            self.nodes.find(point)
            return True
        if point.lower() in {"0", "gnd", "ground", "chassis", "earth"}:
            self._report(place, f"{point}: the chassis is written gnd")
            return False
        pin = _PIN.fullmatch(point)
        if pin:
            if not self._check_pin(point, pin[1], pin[2], place):
                return False
        elif not _NAME.fullmatch(point):
            self._report(place, f"{point!r} is neither a pin such as V1.6 nor a name such as HT2")
            return False
        self.nodes.find(point)
        self._uses[point] += 1
        self._place.setdefault(point, place)
        return True

    def _check_pin(self, point: str, socket: str, number: str, place: tuple[str | int, ...]) -> bool:
        if text := pin_mistake(point, {name: self.sockets.get(name) for name in self.file.tubes}):
            self._report(place, text)
            return False
        tube = self.sockets.get(socket)
        if tube is None:
            return False  # its type is unknown, and that is said already
        if tube.pins[int(number)].code == "IC":
            of = with_article(tube.name)
            self._report(place, f"{point}: pin {number} of {of} is internally connected (IC), never a tie point")
            return False
        return True

    def _read_joined(self) -> None:
        for index, group in enumerate(self.file.joined):
            place: tuple[str | int, ...] = ("joined", index)
            if all([self._take(point, place) for point in group]):
                self._joined.append(group)
                for point in group[1:]:
                    self.nodes.join(group[0], point)
            else:
                self._excuse(group)

    def _join_inside_tubes(self) -> None:
        """Pins of one electrode are one node."""
        for socket, tube in self.sockets.items():
            for section in tube.sections:
                for pins in section.electrodes.values():
                    used = [f"{socket}.{pin}" for pin in pins if f"{socket}.{pin}" in self._uses]
                    for point in used[1:]:
                        self.nodes.join(used[0], point)

    def _read_signal(self) -> None:
        signal = self.file.signal
        if signal is None:
            return
        known = set(self.nodes.points)
        for point in known.intersection(signal.input):
            self._uses[point] += 1
        for place, text in signal_mistakes(signal, self.nodes, set(self.file.rails), self.unknown):
            self._report(("signal", *place), text)

    def unknown(self, point: str) -> str:
        """What is said of a point that no part reaches.

        Parameters
        ----------
        point : str
            As written.
        """
        if _PIN.fullmatch(point) and (
            text := pin_mistake(point, {**dict.fromkeys(self.file.tubes), **self.sockets})
        ):
            return text
        near = like(point, self.nodes.points, 2)
        return f"no part reaches a point {point}" + (f", did you mean {' or '.join(near)}?" if near else "")

    def _check_names(self) -> None:
        # The model's values are kept by these names: of two things with one name the second would take the first's.
        taken = {"mains": "the name of the mains", "generator": "the name of the generator"}
        for socket, tube in self.sockets.items():
            taken |= {f"{socket}{s.name}": f"a section of {socket}" for s in tube.sections if s.name}
        for group in ("tubes", "rails", "parts"):
            for name in getattr(self.file, group):
                if name in taken:
                    self._report((group, name), f"{name} is already {taken[name]}: give every thing its own name")
            taken |= {name: f"in {group}" for name in getattr(self.file, group) if name not in taken}
        if self.file.parts and not self.file.rails and not self._excused:
            self._report(("parts",), "parts without rails: say where the supply begins")
        supplied: dict[str, str] = {}
        for name, rail in self.file.rails.items():
            node = self.nodes.find(name)
            if not _NAME.fullmatch(name):
                self._report(("rails", name), "a rail is called by a name such as HT1")
            elif node == GROUND:
                # Two sources of fixed volts on one node contradict each other, and gnd is one.
                self._report(
                    ("rails", name),
                    f"{name} is on gnd: expected a node of its own; take it out of joined, or leave it out",
                )
            elif supplied.setdefault(node, name) != name:
                self._report(
                    ("rails", name),
                    f"{name} is on one node with {supplied[node]}: expected one rail a node; leave one out, or put"
                    " the part between them into parts instead of joined",
                )
            elif rail.rectified and not rail.volts:
                self._report(("rails", name, "volts"), "expected the volts that the rectifier gives, got 0")
            elif rail.rectified and not any(
                part.kind == "capacitor"
                and {self.nodes.find(n) for n in part.nodes} == {self.nodes.find(name), GROUND}
                for part in self.parts.values()
            ):
                self._report(
                    ("rails", name, "rectified"),
                    f"no reservoir: add the capacitor from {name} to gnd to parts; before a choke, or where two in"
                    " series are the reservoir, leave rectified out and give ripple_pp",
                )

    def _node_names(self) -> dict[str, str]:
        return {point: self.nodes.find(point) for point in self.nodes.points}

    def _check_sections(self) -> None:
        names = self._node_names()
        for socket, tube, section, wired in wired_sections(self.sockets, names):
            place = ("tubes", socket)
            if section.kind not in MODELLED or section.model is None:
                kind = with_article(section.kind)
                self._report(place, f"no model for {kind} ({tube.name}): leave it out of parts and use a rail")
                continue
            slips = self._slips(socket, tube)
            for electrode in MODELLED[section.kind]:
                if electrode not in wired and not slips:
                    pins = " or ".join(f"{socket}.{pin}" for pin in section.electrodes[electrode])
                    unused = "; of a section not in use, join the pins to gnd" if electrode == "plate" else ""
                    self._report(
                        place,
                        f"the {electrode} of section {section.label} is on no part: expected a part on {pins}, or"
                        f" joined: [[{pins.split(' or ')[0]}, the point it is wired to]]{unused}",
                    )

    def _slips(self, socket: str, tube: Tube) -> set[str]:
        """Points of mistaken entries that look like pins of a socket and are none: any electrode may be meant."""
        return {p for p in self._excused if p.startswith(f"{socket}.")} - {f"{socket}.{n}" for n in tube.pins}

    def _check_loose_ends(self) -> None:
        """A node that only one thing reaches is a slip of the pen."""
        reach: Counter[str] = Counter()
        for point, count in self._uses.items():
            reach[self.nodes.find(point)] += count
        # Naming a point in `joined` is a use of that point, but joins nothing by itself.
        for group in self._joined:
            reach[self.nodes.find(group[0])] -= len(group)
        for socket, _, _, wired in wired_sections(self.sockets, self._node_names()):
            for electrode in ("plate", "grid", "cathode", "screen"):
                if electrode in wired:
                    reach[wired[electrode]] += 1
            del socket
        self._loose = {n for n, count in reach.items() if count < 2 and n != GROUND and not self._is_excused(n)}
        named = [node for node in reach if "." not in node]
        heaters = {
            self.nodes.find(f"{socket}.{number}")
            for socket, tube in self.sockets.items()
            if not tube.is_rectifier  # there the heater is the supply
            for number, pin in tube.pins.items()
            if pin.is_heater and f"{socket}.{number}" in self._uses
        }
        for node in sorted(self._loose):
            near = like(node, [other for other in named if other != node], 1)
            dashed = _DASHED.fullmatch(node)
            load = self._load_of(node)
            hint = (
                "heaters are not modelled: leave it out"
                if node in heaters
                else f"did you mean {near[0]}?"
                if near and "." not in node
                else f"its load is a part too, such as {load}"
                if load
                else f"an end of {control} that is not in use is written as its wiper"
                if (control := self._control_at(node))
                else f"a pin is written {dashed[1]}.{dashed[2]}"
                if dashed and dashed[1] in self.sockets
                else "a wire to another point goes into joined"
            )
            self._report(
                self._place.get(node, ("parts",)), f"node {node} is used once: nothing else connects to it; {hint}"
            )

    def _load_of(self, node: str) -> str:
        """The line of a load for a secondary that nothing takes up; empty for other nodes."""
        for part in self.parts.values():
            if part.kind == "transformer" and node in map(self.nodes.find, part.nodes[-2:]):
                return f"RL: {part.facts['secondary_impedance']:g} {' '.join(part.nodes[-2:])}"
        return ""

    def _control_at(self, node: str) -> str:
        """The potentiometer with an end on a node; empty where there is none."""
        controls = (part for part in self.parts.values() if part.kind == "potentiometer")
        return next((one.name for one in controls if node in map(self.nodes.find, one.nodes[:2])), "")

    def _check_paths(self) -> None:
        """Every node needs a way for direct current to ground or a rail."""
        inputs = self.file.signal.input if self.file.signal is not None else ()
        sections = [one for one in wired_sections(self.sockets, self._node_names()) if "cathode" in one[3]]
        found = path_mistakes(
            self.nodes,
            self.parts.values(),
            (*self.file.rails, *self._excused, *inputs),
            [wired for *_, wired in sections],
            [wired for socket, tube, _, wired in sections if not self._slips(socket, tube)],
            self._loose,
        )
        for node, text in found:
            self._report(self._place.get(node, ("parts",)), text)

    def has_point(self, name: str) -> bool:
        """Whether there is a point of this name; in a file with tubes alone, nodes are not known and may be any.

        Parameters
        ----------
        name : str
            ``V1.6`` or ``HT2``.
        """
        socket, _, pin = name.partition(".")
        if socket in self.sockets:
            return pin in {str(number) for number in self.sockets[socket].pins}
        return name in self._node_names() or not self.file.parts

    def chassis(self, printed: Mapping[str, Printed]) -> Chassis:
        """Build the record.

        Parameters
        ----------
        printed : mapping of str to Printed
            Volts printed on the drawing.
        """
        file = self.file
        return Chassis(
            path=self.document.path,
            title=file.chassis,
            mains_v=file.mains.volts,
            mains_hz=file.mains.hertz,
            sockets=self.sockets,
            rails={
                name: Rail(
                    name=name,
                    volts=rail.volts,
                    source_ohm=rail.source,
                    ripple_pp_v=rail.ripple_pp,
                    rectified=rail.rectified,
                    line=self.document.line_of(("rails", name, "volts")),
                )
                for name, rail in file.rails.items()
            },
            parts=self.parts,
            joined=tuple(tuple(group) for group in file.joined),
            signal=Signal(
                inputs=tuple(file.signal.input),
                outputs=tuple(file.signal.output),
                source_ohm=file.signal.source_ohms,
            )
            if file.signal
            else None,
            stages={
                name: Stage(name=name, source=ends[0], target=ends[1])
                for name, ends in (file.signal.stages if file.signal else {}).items()
            },
            printed=printed,
            node_names=self._node_names(),
        )
