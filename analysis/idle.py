"""What power tubes draw and dissipate at idle, from the readings of a pass.

``Ik`` is the drop over the resistors at the cathode over their resistance, ``Ig2`` likewise at the screen,
``Ip = Ik - Ig2`` and ``P = (Vp - Vk)*Ip`` (interpretation of tube data, Receiving Tube Manual; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from acquisition.quantities import format_value
from acquisition.records import Event, Reading, judged_dc

from .chassis import Chassis, Part
from .chassis.description import GROUND
from .chassis.nodes import wired_sections
from .chassis.parameters import POWER_FROM_W
from .tubes import Limits
from .uncertainty import Budget, InputQuantity, evaluate, meter_std, rectangular
from .work import values_found

WITH_SCREEN = 1.2
"""Times the rating of the plate that plate and screen together have to pass: a screen at idle takes up to a sixth
of the current (common practice, no source)."""

UNKNOWN_FROM = 0.15
"""Share of the cathode current from which the 95 % interval of a screen current says nothing of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Idle:
    """One power tube at idle, or the mean of several that share their resistor.

    Parameters
    ----------
    tubes : tuple of str
        Section keys; more than one where they share the cathode.
    tube : str
        Type.
    limits : Limits
        Of one section.
    cathode_a : Budget
        Cathode current of one, ampere.
    screen_a : Budget, optional
        None where the readings do not give it, and for a triode.
    plate_w : Budget, optional
        What the plate of one dissipates, watt, None where it was not read.
    with_screen : bool
        What the screen takes is not known, and counted as if the plate took it.
    drawn : tuple of str
        Resistors of the cathode that are taken as drawn: one that has drifted high shows as a tube that draws more.
    """

    tubes: tuple[str, ...]
    tube: str
    limits: Limits
    cathode_a: Budget
    screen_a: Budget | None
    plate_w: Budget | None
    with_screen: bool
    drawn: tuple[str, ...]

    @property
    def share(self) -> float | None:
        """Dissipation over the rating."""
        if self.plate_w is None or self.limits.plate_w is None:
            return None
        return self.plate_w.value / self.limits.plate_w

    @property
    def over(self) -> bool:
        """Whether the plate is beyond its rating, the whole 95 % interval of it (JCGM 106, guarded rejection)."""
        if self.plate_w is None or self.limits.plate_w is None:
            return False
        screen = WITH_SCREEN if self.with_screen else 1.0
        return self.plate_w.value - self.plate_w.expanded() > screen * self.limits.plate_w

    @property
    def over_text(self) -> str:
        """``the plate of V4 dissipates 38.3 W, 128 % of its rating, by the readings and R27 as drawn``; empty of a
        plate that is not over it."""
        if not self.over or self.plate_w is None or self.share is None:
            return ""
        by = " and ".join(["the readings", *(f"{name} as drawn" for name in self.drawn)])
        of_it = f"{100.0 * self.share:.0f} % of its rating"
        return f"the plate of {self.names} dissipates {self.plate_w.value:.3g} W, {of_it}, by {by}"

    @property
    def names(self) -> str:
        """``V3``, or ``V3, V4 (mean)``."""
        return ", ".join(self.tubes) + (" (mean)" if len(self.tubes) > 1 else "")

    def text(self) -> str:
        """``V3 EL34: cathode 47.6 mA, screen 5.2 mA, plate 20.3 W +- 0.9, 81 % of 25 W (design-centre)``."""
        told = [f"cathode {format_value(self.cathode_a.value, 'A')}"]
        if self.screen_a is not None:
            told.append(f"screen {format_value(self.screen_a.value, 'A')}")
        if self.plate_w is not None and self.share is not None:
            what = "plate with screen" if self.with_screen else "plate"
            system = f" ({self.limits.rating_system})" if self.limits.rating_system else ""
            told.append(f"{what} {self.plate_w.value:.3g} W +- {self.plate_w.expanded():.2g}")
            told.append(f"{100.0 * self.share:.0f} % of {self.limits.plate_w:g} W{system}")
        return f"{self.names} {self.tube}: {', '.join(told)}"


def idle_of(chassis: Chassis, readings: Sequence[Reading], work: Sequence[Event] = ()) -> list[Idle]:
    """Idle currents and dissipation of every power tube whose cathode current the readings give.

    Parameters
    ----------
    chassis : Chassis
        The file.
    readings : sequence of Reading
        Of one pass; the last good one of a node counts.
    work : sequence of Event
        Done before; resistors measured with power off replace value and tolerance.

    Returns
    -------
    list of Idle
        In the order of the sockets. Left out: what is out of its socket, and a cathode whose current the readings
        do not give: no resistor between nodes that were read, or another path beside it.
    """
    circuit = _Circuit(chassis, readings, work)
    found = []
    for cathode, tubes in circuit.by_cathode().items():
        powerful = all((one.limits.plate_w or 0.0) >= POWER_FROM_W for one in tubes)
        if powerful and len({one.tube for one in tubes}) == 1:
            found.append(circuit.idle(cathode, tubes))
    return [one for one in found if one is not None and one.cathode_a.value > 0.0]


def cathode_currents(
    chassis: Chassis, readings: Sequence[Reading], work: Sequence[Event] = ()
) -> dict[str, Budget]:
    """Cathode current of every section that has its cathode to itself, ampere, by section key.

    Parameters
    ----------
    chassis, readings, work
        As `idle_of`; of small tubes too.
    """
    circuit = _Circuit(chassis, readings, work)
    alone = {node: tubes[0] for node, tubes in circuit.by_cathode().items() if len(tubes) == 1}
    return {one.key: found[1] for node, one in alone.items() if (found := circuit.cathode(node, [one])) is not None}


def idle_facts(one: Idle) -> dict[str, Any]:
    """The same for other programs: SI units, each with its standard uncertainty.

    Parameters
    ----------
    one : Idle
        From `idle_of`.
    """
    facts: dict[str, Any] = {"tubes": list(one.tubes), "tube": one.tube}
    for name, budget in (("cathode_a", one.cathode_a), ("screen_a", one.screen_a), ("plate_w", one.plate_w)):
        if budget is not None:
            facts |= {name: float(f"{budget.value:.4g}"), f"{name}_std": float(f"{budget.std:.2g}")}
    if one.plate_w is not None:
        facts |= {"with_screen": one.with_screen, "limit_w": one.limits.plate_w, "over": one.over}
    return facts


def over_ratings(idle: Sequence[Idle]) -> dict[str, str]:
    """Plates that are beyond their rating, to be said before anything else: what to do comes first.

    Parameters
    ----------
    idle : sequence of Idle
        From `idle_of`.

    Returns
    -------
    dict of str to str
        Sentences without a full stop, by the names of the tubes.
    """
    return {one.names: f"mains off, then find why: {one.over_text}" for one in idle if one.over}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wired:
    """A section in its socket, with the node of each electrode."""

    key: str
    tube: str
    limits: Limits
    nodes: Mapping[str, str]


class _Circuit:
    """What surrounds the tubes: nodes that were read, resistors, and what else carries direct current."""

    def __init__(self, chassis: Chassis, readings: Sequence[Reading], work: Sequence[Event]) -> None:
        self.names, self.measured = chassis.node_names, values_found(chassis.parts, work)
        self.wired = [
            _Wired(key=f"{socket}{section.name}", tube=tube.name, limits=section.limits, nodes=nodes)
            for socket, tube, section, nodes in wired_sections(chassis.sockets, chassis.node_names)
            if socket not in chassis.pulled
        ]
        self.parts = [
            part for part in chassis.parts.values() if part.kind != "capacitor" and part.name not in chassis.pulled
        ]
        self.volts = {
            self.names[r.point]: InputQuantity(name=r.point, value=r.value, std=meter_std(r), unit="V")
            for r in judged_dc(readings)
            if r.point in self.names
        }
        self.volts[GROUND] = InputQuantity(name=GROUND, value=0.0, std=0.0, unit="V")

    def by_cathode(self) -> dict[str, list[_Wired]]:
        """Sections by the node of their cathode."""
        found: dict[str, list[_Wired]] = {}
        for one in self.wired:
            if "cathode" in one.nodes and "plate" in one.nodes:
                found.setdefault(one.nodes["cathode"], []).append(one)
        return found

    def idle(self, cathode: str, tubes: Sequence[_Wired]) -> Idle | None:
        """What the tubes of one cathode draw each, None where the readings do not give it."""
        if (found := self.cathode(cathode, tubes)) is None:
            return None
        down, cathode_a = found
        name, used = ", ".join(one.key for one in tubes), [down]
        screens = {one.nodes.get("screen") for one in tubes}
        up = self._paths(next(iter(screens)), {"screen"}) if len(screens) == 1 else None
        screen_a = plate_w = None
        if up is not None:
            sharing = sum(one.nodes.get("screen") == up.node for one in self.wired)
            screen_a = self._evaluate(f"screen current of {name}", "A", [up], lambda v: -up.each_a(v, sharing))
            if screen_a.expanded() > UNKNOWN_FROM * cathode_a.value:  # as a small drop between high rails tells it
                screen_a = None
        plates = [one.nodes["plate"] for one in tubes if one.nodes["plate"] in self.volts]
        if plates:

            def dissipated(v: Mapping[str, float]) -> float:
                plate_v = sum(v[f"at {node}"] for node in plates) / len(plates)
                plate_a = down.each_a(v, len(tubes))
                if up is not None and screen_a is not None:
                    plate_a += up.each_a(v, sharing)
                return (plate_v - v[f"at {cathode}"]) * plate_a

            used += [up] if up is not None and screen_a is not None else []
            plate_w = self._evaluate(f"dissipation of {name}", "W", used, dissipated, plates)
        return Idle(
            tubes=tuple(one.key for one in tubes),
            tube=tubes[0].tube,
            limits=tubes[0].limits,
            cathode_a=cathode_a,
            screen_a=screen_a,
            plate_w=plate_w,
            with_screen=screen_a is None and screens != {None},
            drawn=tuple(ohms.name for _, ohms in down.ends if ohms.name not in self.measured),
        )

    def cathode(self, node: str, tubes: Sequence[_Wired]) -> tuple[_Paths, Budget] | None:
        """The resistors of a cathode, and the current of each of its tubes."""
        down = self._paths(node, {"cathode"})
        if down is None:
            return None
        name = ", ".join(one.key for one in tubes)
        return down, self._evaluate(f"cathode current of {name}", "A", [down], lambda v: down.each_a(v, len(tubes)))

    def _paths(self, node: str | None, electrodes: set[str]) -> _Paths | None:
        """Resistors that carry all that these electrodes draw at a node; None where something else does, or where a
        node was not read."""
        if node is None or node not in self.volts or node == GROUND:
            return None
        drawing = {name for one in self.wired for name, at in one.nodes.items() if at == node} - {
            "grid",
            "suppressor",
        }
        if drawing != electrodes:
            return None
        ends = []
        for part in self.parts:
            at = [self.names.get(point, point) for point in part.nodes]
            if node not in at:
                continue
            others = [other for other in at if other != node]
            if part.kind != "resistor" or len(others) != 1 or others[0] not in self.volts:
                return None
            ends.append((others[0], self._ohms(part)))
        return _Paths(node=node, ends=tuple(ends)) if ends else None

    def _ohms(self, part: Part) -> InputQuantity:
        drawn = part.value, rectangular(part.value * max(map(abs, part.tolerance)))
        value, std = self.measured.get(part.name, drawn)
        return InputQuantity(name=part.name, value=value, std=std, unit="ohm")

    def _evaluate(
        self,
        name: str,
        unit: str,
        used: Sequence[_Paths],
        model: Callable[[Mapping[str, float]], float],
        plates: Sequence[str] = (),
    ) -> Budget:
        """A result with its budget, from ``at NODE`` and resistors by their names."""
        nodes = dict.fromkeys([*plates, *(n for paths in used for n in (paths.node, *(o for o, _ in paths.ends)))])
        inputs = [replace(self.volts[node], name=f"at {node}") for node in nodes]
        inputs += {ohms.name: ohms for paths in used for _, ohms in paths.ends}.values()
        keys = [one.name for one in inputs]
        return evaluate(name, lambda x: model(dict(zip(keys, x, strict=True))), inputs, unit=unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paths:
    """A node, and the resistors from it to others."""

    node: str
    ends: tuple[tuple[str, InputQuantity], ...]

    def each_a(self, v: Mapping[str, float], count: int) -> float:
        """Current that flows out of the node through them for each of so many electrodes, ampere."""
        here = v[f"at {self.node}"]
        return sum((here - v[f"at {other}"]) / v[ohms.name] for other, ohms in self.ends) / count
