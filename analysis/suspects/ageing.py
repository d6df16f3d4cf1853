"""Which parts age: volts across a part, and the heat they make, are what wears it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.circuit.elements import GROUND

from ..chassis import ChassisModel
from ..faults import Fault

IDLE_V = 1.0
"""Less than this across a part of the nominal chassis is no strain on it. Common practice, no source."""


def aged(model: ChassisModel, faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """The faults with their weights as the parts are strained.

    Parameters
    ----------
    model : ChassisModel
        For the DC volts across each part of the nominal chassis.
    faults : sequence of Fault
        With weights of their class; what is left of them on an idle part is `Fault.idle`.
    """
    rest = model.operating_point({})
    idle = set()
    for part in model.chassis.parts.values():
        if len(part.nodes) == 2:
            ends = (model.node(point) for point in part.nodes)
            volts = [0.0 if node == GROUND else float(rest.volts[node][0]) for node in ends]
            if abs(volts[0] - volts[1]) < IDLE_V:
                idle.add(part.name)
    return tuple(replace(f, weight=f.weight * f.idle) if f.part in idle else f for f in faults)
