"""The highest volts to earth a point can take in a fault or at switch-on, DC plus AC peak, to hold ratings against.

Rule L1 of common bench practice: the unloaded supply, times mains over nominal, times 1.1. The EMF behind each rail
stands for the unloaded supply, half the ripple added. A reservoir under load stands at 1.2 to 1.35 times the rms
volts of its secondary, without load at 1.41 times (common practice, no source): no such supply rises by less than
1.41 / 1.35 when its load goes. A rail whose EMF lies lower, or that names no source resistance, is not believed and
taken to rise by 1.41 / 1.2, the most of that range. Volts that were read count too, where they are higher.

Every plate, screen, rail and named node can reach the supply; so can a heater wired to a divider that lifts it, a
grid behind a capacitor that may be shorted, a terminal of the signal whose capacitor may be shorted to a plate, and
a cathode that rides high. A plate with an inductance for its load can reach twice that (L3), and so can what hangs
on it by one capacitor or resistor with no reservoir. What is left (plain cathodes, grids without a capacitor,
terminals of the signal) is taken as 60 V, or ten times the healthy volts (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .description import GROUND, Chassis, Rail
from .model import ChassisModel
from .points import Point, list_points

MAINS_HIGH = 1.1
UNLOADED_OVER_LOADED = 1.41 / 1.2
STIFFEST = 1.41 / 1.35
LOW_V = 60.0
OUTPUT_SWING = 2.0
RIDES_HIGH = 0.1
RESERVOIR_FARAD = 1e-6
"""From here on a capacitor to the chassis holds a node still. Common practice, no source."""

POWER_WATT = 4.0
"""A plate that dissipates more is that of a power tube. Common practice, no source."""


class WorstCase:
    """Worst-case volts of every point of a chassis.

    Parameters
    ----------
    chassis : Chassis
        The file; tubes alone are enough.
    model : ChassisModel, optional
        Gives the EMF behind the rails, and healthy volts where none are given.
    mains_v : float, optional
        Mains measured, volts rms; above nominal it raises the supply.
    supply_v : float, optional
        Unloaded high tension in volts, as the person tells it; it replaces what the rails say.
    seen_v : float
        Highest direct volts read on this chassis.

    Attributes
    ----------
    points : mapping of str to Point
        Of the chassis, by name.
    supply_v : float
        The unloaded supply with its margin, volts; infinite where nothing tells it.
    """

    def __init__(
        self,
        chassis: Chassis,
        model: ChassisModel | None = None,
        *,
        mains_v: float | None = None,
        supply_v: float | None = None,
        seen_v: float = 0.0,
    ) -> None:
        self._chassis, self._model = chassis, model
        unloaded_v = _unloaded_v(chassis, model) if supply_v is None else supply_v
        raised = max(1.0, (mains_v or 0.0) / chassis.mains_v)
        self.supply_v = MAINS_HIGH * max(unloaded_v * raised, abs(seen_v))
        self.points = model.points if model is not None else list_points(chassis)
        # What is lifted now may be back in when the next point is read.
        names, drawn = chassis.node_names, chassis.without(())
        self._parts = [replace(p, nodes=tuple(names.get(n, n) for n in p.nodes)) for p in drawn.parts.values()]
        self._ends = {GROUND, *(names.get(name, name) for name in chassis.rails)}
        self._swinging = self._inductive({p.node for p in self.points.values() if p.node and "plate" in p.function})

    def at(self, point: Point, healthy_v: float | None = None) -> float:
        """Highest volts to earth at a point, DC plus AC peak.

        Parameters
        ----------
        point : Point
            Where.
        healthy_v : float, optional
            Largest size of its healthy direct volts; the model's nominal ones when left out, and without a model a
            point is taken to reach the supply.

        Returns
        -------
        float
            Volts.
        """
        supply_v = self.supply_v
        if point.heater and point.node in ("", GROUND):
            return max(LOW_V, supply_v) if point.danger else LOW_V
        if point.node in self._swinging or self._may_be_output(point):
            return self.anywhere_v
        if healthy_v is None or self._chassis.pulled:
            # A tube said to be out may be in: its cathode must not pass for one at 0 V.
            healthy_v = max(healthy_v or 0.0, self._nominal_v(point))
        if point.danger or point.function in ("rail", "node") or healthy_v > RIDES_HIGH * supply_v:
            return supply_v
        is_plain = (
            "cathode" in point.function
            or "suppressor" in point.function
            or (point.function in ("input", "output") and not self._capacitor_to_high(point.node))
            or ("grid" in point.function and self._chassis.parts and not self._behind_capacitor(point.node))
        )
        return min(max(LOW_V, 10.0 * healthy_v), supply_v) if is_plain else supply_v

    @property
    def anywhere_v(self) -> float:
        """Highest volts of a point of which nothing is known."""
        return OUTPUT_SWING * self.supply_v

    def _may_be_output(self, point: Point) -> bool:
        """Where no parts tell its load, the plate of a power tube may work into a transformer."""
        if self._parts or "plate" not in point.function:
            return False
        section = self._chassis.sockets[point.socket].section_at(point.pin)
        plate_w = section.limits.plate_w if section else None
        return plate_w is None or plate_w > POWER_WATT

    def _nominal_v(self, point: Point) -> float:
        if self._model is None or not point.node:
            return math.inf
        rests = (model.operating_point({}) for model in {self._model, self._model.whole})
        return max(float(np.max(np.abs(rest.node_v(point.node)))) for rest in rests)

    def _behind_capacitor(self, node: str) -> bool:
        """Whether a capacitor that might be shorted leads here; resistances conduct, ground and rails end it."""
        seen, waiting = {node}, [node]
        while waiting:
            here = waiting.pop()
            for part in self._parts:
                if here not in part.nodes:
                    continue
                others = [other for other in part.nodes if other != here]
                if part.kind == "capacitor" and not set(others) <= {GROUND}:
                    return True
                if part.kind in ("resistor", "potentiometer"):
                    fresh = [other for other in others if other not in seen and other not in self._ends]
                    seen.update(fresh)
                    waiting += fresh
        return False

    def _capacitor_to_high(self, node: str) -> bool:
        """Whether one capacitor stands between a node and one that stands high when healthy."""
        ends = {n for p in self._parts if p.kind == "capacitor" and node in p.nodes for n in p.nodes} - {node}
        there = [p for p in self.points.values() if p.node in ends]
        return any(p.danger or self._nominal_v(p) > RIDES_HIGH * self.supply_v for p in there)

    def _inductive(self, plates: set[str]) -> set[str]:
        """Nodes of plates with an inductance for their load, of taps on it, and of what hangs on them."""
        coils = [p for p in self._parts if p.kind in ("transformer", "inductor")]
        swinging = {n for p in coils for n in (p.nodes[:-2] if p.kind == "transformer" else p.nodes)} & plates
        swinging |= {n for p in coils if "tap" in p.facts for n in p.nodes[1:-2:2]} - self._ends
        held = self._ends | {
            n
            for p in self._parts
            if p.kind == "capacitor" and GROUND in p.nodes and p.value >= RESERVOIR_FARAD
            for n in p.nodes
        }
        hanging = {n for p in self._parts if p not in coils and swinging & set(p.nodes) for n in p.nodes}
        return swinging | (hanging - held)


def _unloaded_v(chassis: Chassis, model: ChassisModel | None) -> float:
    if not chassis.rails:
        return math.inf
    return max(
        _unloaded_rail_v(rail, 0.0 if model is None else float(np.max(np.abs(model.nominal()[f"{name}.emf"]))))
        for name, rail in chassis.rails.items()
    )


def _unloaded_rail_v(rail: Rail, emf_v: float) -> float:
    loaded_v = abs(rail.volts)
    is_believed = emf_v >= STIFFEST * loaded_v
    return (emf_v if is_believed else UNLOADED_OVER_LOADED * loaded_v) + 0.5 * rail.ripple_pp_v
