"""Faults of the parts that hang on the same nodes as the leading suspects': what a technician would weigh next.

A fault that lifts a node to megohms makes leaks and grid currents matter that a healthy chassis does not notice, so
the slopes of the healthy chassis judge it wrongly: an open grid resistor is dismissed where a leaking capacitor at
the same grid is found.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.circuit.elements import GROUND

from ..faults import Fault
from ..inference.changes import Change
from ..inference.data import Data, Refined
from ..inference.panel import Panel
from ..inference.refining import refine
from .severities import standing

LEADS, EVERY = 2, 3
"""Leading parts whose neighbours are looked at, and of how many severities one is."""

HELD_DOWN = 2.0
"""How much better than usual plate and grid are insulated, and how much worse the capacitors at the grid (standard
deviations), where a grid without its return is looked for at the chassis: usual leaks pull it up until it draws
current, and no step of the search leads from there to where it is cut off."""

NEAR_HEALTHY = 10.0
"""Where the healthy chassis is no further behind (logarithm) its slopes serve; for mild hypotheses everywhere."""


def beside_leaders(
    panel: Panel, data: Data, prior: np.ndarray, refined: Mapping[Change, Refined], blind: np.ndarray
) -> dict[Change, Refined]:
    """Follow some severities of every fault near the leading ones that was not followed yet.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    prior : ndarray, shape (C,)
        Logarithm.
    refined : mapping of Change to Refined
        Single hypotheses that were followed.
    blind : ndarray of bool, shape (C,)
        Hypotheses that leave the readings as the healthy chassis has them.
    """
    score = standing(panel, prior, refined)
    if score.get(Change(), -np.inf) > max(score.values(), default=-np.inf) - NEAR_HEALTHY:
        return {}
    order = [c for c in sorted(score, key=lambda change: -score[change]) if c.faults]
    places = list(dict.fromkeys(_place(panel, change) for change in order))[:LEADS]
    nodes_of = _nodes(panel)
    judged = blind | panel.mild
    near = frozenset().union(*(nodes_of.get(place, frozenset()) for place in places))
    here = refined[order[0]].unknowns[: len(panel.unknowns)]
    chosen: list[Change] = []
    starts: dict[Change, np.ndarray] = {}
    for index, fault in enumerate(panel.faults):
        if near & nodes_of.get(fault.section or fault.part, frozenset()):
            cells = [Change(faults=(index,), values=(value,)) for value in fault.values[::EVERY]]
            cells = [cell for cell in cells if not judged[panel.index[cell]] and cell not in refined]
            chosen += cells
            if (held := _held_down(panel, fault, nodes_of)).any():
                starts |= dict.fromkeys(cells, here + held)
    height = max((found.height for found in refined.values()), default=-np.inf)
    found = refine(panel, data, chosen, rival=height)
    for cell, other in refine(panel, data, list(starts), starts=starts, rival=height).items():
        if cell not in found or other.height > found[cell].height:
            found[cell] = other
    return found


def _held_down(panel: Panel, fault: Fault, nodes_of: Mapping[str, frozenset[int]]) -> np.ndarray:
    """What lets a grid that has lost its return stand near the chassis, shape (P,); zero for other faults."""
    kinds = panel.model.chassis.parts
    moved = np.zeros(len(panel.unknowns))
    if fault.fault != "open" or kinds[fault.part].kind not in ("resistor", "potentiometer"):
        return moved
    cut = nodes_of[fault.part]
    resistors = [part for part in kinds if kinds[part].kind == "resistor" and cut & nodes_of.get(part, frozenset())]
    cut = cut.union(*(nodes_of[part] for part in resistors))  # a grid may have its stopper before it
    grids = {tube.key for tube in panel.model.circuit.tubes if tube.grid in cut}
    for index, unknown in enumerate(panel.unknowns):
        part, _, ending = unknown.key.partition(".")
        if ending == "leak_PG" and unknown.section in grids:
            moved[index] = -HELD_DOWN
        elif grids and ending == "leak" and cut & nodes_of.get(part, frozenset()):
            moved[index] = HELD_DOWN
    return moved


def _place(panel: Panel, change: Change) -> str:
    fault = panel.faults[change.faults[0]]
    return fault.section or fault.part


def _nodes(panel: Panel) -> dict[str, frozenset[int]]:
    """Nodes of every part and tube section; ground and rails, on which most parts hang, left out."""
    circuit = panel.model.circuit
    common = {GROUND, *(supply.a for supply in circuit.supplies)}
    result: dict[str, set[int]] = {}
    for branch in circuit.branches:
        result.setdefault(branch.part, set()).update(branch.nodes)
    for tube in circuit.tubes:
        result.setdefault(tube.key, set()).update(tube.nodes)
    return {part: frozenset(nodes - common) for part, nodes in result.items()}
