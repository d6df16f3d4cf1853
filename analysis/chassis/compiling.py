"""From a chassis to a circuit: nodes, branches, tube sections, and the parameters with their healthy spread.

A toleranced part is taken as log-normal with its printed limits two standard deviations out: makers sort and
trim, so that parts crowd inside the limits, but age and heat carry some past them, which a hard-edged (uniform)
distribution would call impossible. The logarithm keeps a part positive and treats x1.5 and /1.5 alike.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from analysis.circuit.elements import (
    Branch,
    Capacitor,
    Core,
    Inductor,
    Leak,
    Resistor,
    StrayCapacitance,
    Supply,
    Track,
    Winding,
    WindingCapacitance,
)
from analysis.circuit.network import Circuit
from analysis.circuit.rectifier import Rectifier
from analysis.circuit.sections import Pentode, Triode, Tube
from analysis.tubes.equations import PentodeParameters, TriodeParameters

from . import parameters as healthy
from .description import GROUND, Chassis, Part
from .nodes import heater_node, wired_sections
from .parameters import Parameter
from .parts import UNITS

GENERATOR = "generator.ohms"
"""Key of the generator's source resistance, always across the input."""

HEATERS = "heaters.emission"
"""Key of what the heater volts of all tubes do to their currents, times the usual ones."""

PRIMARY_OHMS_SHARE, SECONDARY_OHMS_SHARE = 0.05, 0.05
"""Winding resistance over impedance where the file gives none (common practice, no source)."""

PRIMARY_CORNER_HZ = 25.0
"""Where the primary inductance equals the primary impedance if the file gives no inductance (common practice)."""

LEAKAGE_SHARE = 3e-4
"""Leakage over primary inductance where the file gives none (common practice, no source)."""

PRIMARY_FARAD = 450e-12
"""Capacitance across a primary where the file gives none (common practice, no source)."""


def _primary_pieces(part: Part) -> list[tuple[str, float]]:
    """Name and share of the turns of each piece of a primary, in the order of its points."""
    count = len(part.nodes) - 3
    if "tap" not in part.facts:
        return [("primary", 1.0)] if count == 1 else [("half_1", 0.5), ("half_2", 0.5)]
    if count == 2:
        return [("inner", part.facts["tap"]), ("outer", 1.0 - part.facts["tap"])]
    inner, outer = 0.5 * part.facts["tap"], 0.5 * (1.0 - part.facts["tap"])
    return [("outer_1", outer), ("inner_1", inner), ("inner_2", inner), ("outer_2", outer)]


class Compiled:
    """Circuit of a chassis with everything that names its values.

    Parameters
    ----------
    chassis : Chassis
        With parts and rails.

    Attributes
    ----------
    circuit : Circuit
        Topology.
    rectifiers : tuple of Rectifier
        Rectified rails.
    parameters : dict of str to Parameter
        By key.
    sections : dict of str to (socket, section name)
        By section key, in the order of ``circuit.tubes``.
    envelopes : dict of str to tuple of str
        Key of what several sections have in common, to the keys of their strengths: the emission of a tube, and of
        all tubes, whose heaters are fed alike.
    """

    def __init__(self, chassis: Chassis) -> None:
        self.chassis = chassis
        names = [node for node in dict.fromkeys(chassis.node_names.values()) if node != GROUND]
        names += [f"{part.name}.core" for part in chassis.parts.values() if part.kind == "transformer"]
        self._numbers = {GROUND: -1} | {name: number for number, name in enumerate(names)}
        self.parameters: dict[str, Parameter] = {}
        self.sections: dict[str, tuple[str, str]] = {}
        self._declare("mains", "mains", "mains", "", 1.0, healthy.MAINS_SIGMA)
        self.rectifiers = tuple(self._rectifiers())
        branches = list(self._branches())
        tubes = []
        for element, strays in self._tubes():
            tubes.append(element)
            branches += strays
        self.circuit = Circuit(nodes=tuple(names), branches=tuple(branches), tubes=tuple(tubes))
        self.envelopes = self._envelopes()

    def _envelopes(self) -> dict[str, tuple[str, ...]]:
        """What sections have in common: of a tube heater, vacuum and socket; of all tubes the heater volts."""
        found: dict[str, tuple[str, ...]] = {}
        sockets = dict.fromkeys(socket for socket, _ in self.sections.values())
        wired = {socket for socket, *_ in wired_sections(self.chassis.sockets, self.chassis.node_names)}
        if sockets and len(wired) > 1:  # also with all but one of them out
            self._declare(HEATERS, "heaters", "heaters", "", 1.0)
            found[HEATERS] = tuple(f"{key}.strength" for key in self.sections)
        for socket in sockets:
            strengths = tuple(f"{key}.strength" for key, (own, _) in self.sections.items() if own == socket)
            if len(strengths) > 1:
                self._declare(f"{socket}.emission", socket, "tube", "", 1.0)
                found[f"{socket}.emission"] = strengths
        return found

    def _declare(
        self, key: str, part: str, kind: str, unit: str, nominal: float, sigma: float = 0.0, shift: float = 0.0,
        section: str = "",
    ) -> None:  # fmt: skip
        self.parameters[key] = Parameter(
            key=key, part=part, kind=kind, unit=unit, nominal=nominal, sigma=sigma, shift=shift, section=section
        )

    def _node(self, point: str) -> int:
        return self._numbers[self.chassis.node_names.get(point, point)]

    def _branches(self) -> Iterator[Branch]:
        for part in self.chassis.parts.values():
            nodes = [self._node(point) for point in part.nodes]
            low, high = (math.log1p(limit) for limit in part.tolerance)
            sigma, shift = (high - low) / 4.0, (high + low) / 2.0
            self._declare(part.name, part.name, part.kind, UNITS[part.kind], part.value, sigma, shift)
            if part.kind == "resistor":
                yield Resistor(part=part.name, a=nodes[0], b=nodes[1], key=part.name)
            elif part.kind == "capacitor":
                self._declare_losses(part)
                yield Capacitor(part=part.name, a=nodes[0], b=nodes[1], key=part.name)
            elif part.kind == "inductor":
                ohms = part.facts.get("ohms", 0.0)
                self._declare(f"{part.name}.ohms", part.name, part.kind, "ohm", ohms, 0.05 if ohms else 0.0)
                yield Inductor(part=part.name, a=nodes[0], b=nodes[1], key=part.name)
            elif part.kind == "potentiometer":
                at = part.facts["at"]
                self._declare(f"{part.name}.at", part.name, part.kind, "", at)
                spread = healthy.TURNED_SIGMA if 0.0 < at < 1.0 else 0.0
                self._declare(f"{part.name}.turned", part.name, part.kind, "", 1.0, spread)
                yield Track(part=part.name, a=nodes[2], b=nodes[1], key=part.name, from_wiper=True)
                yield Track(part=part.name, a=nodes[0], b=nodes[2], key=part.name, from_wiper=False)
            else:
                yield from self._transformer(part, nodes)
        for rail in self.chassis.rails.values():
            self._declare(f"{rail.name}.emf", rail.name, "rail", "V", rail.volts, healthy.EMF_SIGMA)
            self._declare(f"{rail.name}.source", rail.name, "rail", "ohm", rail.source_ohm, healthy.SOURCE_SIGMA)
            yield Supply(part=rail.name, a=self._node(rail.name), key=rail.name)
        if self.chassis.signal is not None:
            self._declare(GENERATOR, "generator", "generator", "ohm", self.chassis.signal.source_ohm)
            for point in self.chassis.signal.inputs:
                yield Resistor(part="generator", a=self._node(point), key=GENERATOR)

    def _declare_losses(self, part: Part) -> None:
        if part.is_electrolytic:
            hold_s, leak_sigma, esr_sigma = (
                healthy.ELECTROLYTIC_LEAK_S,
                healthy.ELECTROLYTIC_LEAK_SIGMA,
                healthy.ELECTROLYTIC_ESR_SIGMA,
            )
            esr = part.facts.get("esr", healthy.ELECTROLYTIC_ESR_S / part.value)
        else:
            hold_s, leak_sigma, esr_sigma = healthy.FILM_LEAK_S, healthy.FILM_LEAK_SIGMA, 0.0
            esr = part.facts.get("esr", 0.0)
        self._declare(f"{part.name}.leak", part.name, part.kind, "S", part.value / hold_s, leak_sigma)
        self._declare(f"{part.name}.esr", part.name, part.kind, "ohm", esr, esr_sigma)

    def _rectifiers(self) -> Iterator[Rectifier]:
        for rail in self.chassis.rails.values():
            if rail.rectified:
                node = self.chassis.node_names[rail.name]
                reservoirs = [
                    part.name
                    for part in self.chassis.parts.values()
                    if part.kind == "capacitor"
                    and {self.chassis.node_names[point] for point in part.nodes} == {node, GROUND}
                ]
                yield Rectifier(
                    key=rail.name,
                    node=self._numbers[node],
                    reservoirs=tuple(reservoirs),
                    full_wave=rail.rectified == "full-wave",
                    mains_hz=self.chassis.mains_hz,
                )

    def _transformer(self, part: Part, nodes: list[int]) -> Iterator[Branch]:
        key, primary, secondary = part.name, part.value, part.facts["secondary_impedance"]
        henries = part.facts.get("primary_henries", primary / (2.0 * math.pi * PRIMARY_CORNER_HZ))
        values = {
            "primary_ohms": ("ohm", part.facts.get("primary_ohms", PRIMARY_OHMS_SHARE * primary)),
            "secondary_ohms": ("ohm", part.facts.get("secondary_ohms", SECONDARY_OHMS_SHARE * secondary)),
            "primary_henries": ("H", henries),
            "leakage_henries": ("H", part.facts.get("leakage_henries", LEAKAGE_SHARE * henries)),
            "primary_farads": ("F", part.facts.get("primary_farads", PRIMARY_FARAD)),
            "turns": ("", 1.0),
        }
        for name, (unit, value) in values.items():
            self._declare(f"{key}.{name}", key, part.kind, unit, value, healthy.TRANSFORMER_SIGMA[name])
        del self.parameters[key]  # a transformer has no value of its own
        self._declare(f"{key}.shorted_turns", key, part.kind, "S", 0.0)
        core = self._numbers[f"{key}.core"]
        ratio = math.sqrt(primary / secondary)
        taps = nodes[:-2]
        pieces = _primary_pieces(part)
        windings = [(a, b, *piece) for (a, b), piece in zip(itertools.pairwise(taps), pieces, strict=True)]
        windings.append((nodes[-2], nodes[-1], "secondary", 0.0))
        for a, b, label, share in windings:
            open_key = f"{key}.{label}_open_ohms"
            self._declare(open_key, key, part.kind, "ohm", 0.0)
            yield Winding(part=key, a=a, b=b, core=core, key=key, share=share, open_key=open_key, ratio=ratio)
        yield Core(part=key, a=core, key=key, ratio=ratio)
        yield WindingCapacitance(part=key, a=taps[0], b=taps[-1], key=f"{key}.primary_farads")

    def _tubes(self) -> Iterator[tuple[Tube, list[Branch]]]:
        wired = wired_sections(self.chassis.sockets, self.chassis.node_names)
        for socket, tube, section, names in wired:
            if socket in self.chassis.pulled:
                continue
            key = f"{socket}{section.name}"
            self.sections[key] = (socket, section.name)
            at = {electrode: self._numbers[node] for electrode, node in names.items()}
            is_power = section.kind == "pentode" and (section.limits.plate_w or 0.0) >= healthy.POWER_FROM_W
            spread, gas = (
                (healthy.POWER_STRENGTH_SIGMA, healthy.POWER_GAS_A)
                if is_power
                else (healthy.STRENGTH_SIGMA, healthy.GAS_A)
            )
            self._declare(f"{key}.strength", socket, "tube", "", 1.0, spread, section=key)
            self._declare(f"{key}.mu", socket, "tube", "", 1.0, healthy.MU_SIGMA, section=key)
            self._declare(f"{key}.offset", socket, "tube", "V", 0.0, section=key)
            self._declare(f"{key}.slope", socket, "tube", "", 1.0, section=key)
            if section.kind != "triode":
                self._declare(f"{key}.screen", socket, "tube", "", 1.0, section=key)
            for electrode in ("grid",) if section.kind == "triode" else ("grid", "plate"):
                self._declare(f"{key}.{electrode}_adrift", socket, "tube", "V", 0.0, section=key)
            self._declare(f"{key}.gas", socket, "tube", "A", gas, healthy.GAS_SIGMA, section=key)
            strays: list[Branch] = []
            self._declare(
                f"{key}.heater_leak",
                socket,
                "tube",
                "S",
                healthy.HEATER_LEAK_S,
                healthy.HEATER_LEAK_SIGMA,
                section=key,
            )
            heater = self._node(heater_node(socket, tube, self.chassis.node_names))
            strays.append(Leak(part=socket, a=at["cathode"], b=heater, key=f"{key}.heater_leak"))
            letters = {"plate": "P", "grid": "G", "screen": "S", "cathode": "K"}
            there = [electrode for electrode in letters if electrode in at]
            for i, first in enumerate(there):
                for second in there[i + 1 :]:
                    leak = f"{key}.leak_{letters[first]}{letters[second]}"
                    self._declare(leak, socket, "tube", "S", 0.0, section=key)
                    strays.append(Leak(part=socket, a=at[first], b=at[second], key=leak))
            if section.capacitances is not None:
                c = section.capacitances
                pairs = (("grid", "plate", c.grid_plate_farad), ("grid", "cathode", c.input_farad),
                         ("plate", "cathode", c.output_farad))  # fmt: skip
                for a, b, farad in pairs:
                    strays.append(StrayCapacitance(part=socket, a=at[a], b=at[b], farad=farad))
            model = section.model
            if isinstance(model, PentodeParameters):
                yield (
                    Pentode(
                        key=key, plate=at["plate"], grid=at["grid"], cathode=at["cathode"], screen=at["screen"],
                        parameters=model,
                    ),
                    strays,
                )  # fmt: skip
            elif isinstance(model, TriodeParameters):
                yield (
                    Triode(key=key, plate=at["plate"], grid=at["grid"], cathode=at["cathode"], parameters=model),
                    strays,
                )

    def nominal_table(self) -> dict[str, np.ndarray]:
        """Nominal value of every parameter, shape (1,)."""
        return {key: np.full(1, parameter.nominal) for key, parameter in self.parameters.items()}
