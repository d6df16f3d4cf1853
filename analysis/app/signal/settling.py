"""How long a chassis needs after the generator was switched on, from the time constants of its model."""

from __future__ import annotations

import math

import numpy as np

from analysis.chassis import ChassisModel
from analysis.circuit.ac import SmallSignal

LEFT_OVER = 3e-4
"""What a capacitor's transient may still add to the output, as a share of it."""

LONGEST_S = 5.0
NEARLY_DIRECT_HZ = 1e-4


def time_constants(model: ChassisModel) -> dict[str, float]:
    """Time constant of each capacitor with all others open.

    Parameters
    ----------
    model : ChassisModel
        The chassis.

    Returns
    -------
    dict of str to float
        Capacitance times the resistance it sees, in seconds, by part. Open-circuit time constants bound the slowest
        decay from above.
    """
    nominal = model.nominal()
    rest = model.operating_point({})
    small = SmallSignal(model.circuit, model.table({}), rest.slopes, np.array([NEARLY_DIRECT_HZ]))
    found = {}
    for part in model.chassis.parts.values():
        if part.kind != "capacitor" or part.name not in nominal:
            continue
        nodes = [model.node(point) for point in part.nodes]
        z = small.impedances(nodes)
        a, b = nodes
        seen = complex((z[a][a] + z[b][b] - z[a][b] - z[b][a]).flat[0])
        # At this frequency the capacitor itself is still in the circuit; its own reactance is taken out again.
        own = 1.0 / (2j * math.pi * NEARLY_DIRECT_HZ * float(nominal[part.name].flat[0]))
        outside = 1.0 / (1.0 / seen - 1.0 / own) if seen and abs(seen - own) > 1e-6 * abs(own) else seen
        found[part.name] = float(nominal[part.name].flat[0]) * abs(outside)
    return found


def settling_s(
    model: ChassisModel, output: str, freq_hz: float, constants: dict[str, float] | None = None
) -> float:
    """Wait after switching on the generator, for one stage and frequency.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    output : str
        Output point of the stage.
    freq_hz : float
        Frequency in hertz.
    constants : dict, optional
        From `time_constants`, to save its work in a sweep.

    Returns
    -------
    float
        Seconds, at most ``LONGEST_S``: each capacitor starts off by no more than the signal across it, and its
        transient must fall to ``LEFT_OVER`` of the output. Supply capacitors carry next to no signal and so hardly
        count, although they are the slowest.
    """
    if model.chassis.signal is None:
        return 0.0
    at, source = np.array([freq_hz]), model.input_of([output])

    def swing(point: str) -> complex:
        if point == "gnd":
            return 0.0
        return complex(model.response({}, source, point, at).flat[0])

    level = abs(swing(output)) or 1.0
    longest = 0.0
    for name, tau_s in (constants or time_constants(model)).items():
        ends = model.chassis.parts[name].nodes
        share = abs(swing(ends[0]) - swing(ends[1])) / level
        if share > LEFT_OVER:
            longest = max(longest, tau_s * math.log(share / LEFT_OVER))
    return min(longest, LONGEST_S)
