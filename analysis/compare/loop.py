"""Feedback through parts that were lifted, and what their load on both their ends did besides."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.ac import SmallSignal
from analysis.circuit.elements import GROUND

from ..chassis import ChassisModel, Part
from ..chassis.predicting import DEFAULT_FREQ_HZ

ONE_WAY = 2.0
"""Passive parts carry a signal one way as well as the other (reciprocity); where it is carried so many times better
one way, there are tubes between."""


def load_of_loop_db(model: ChassisModel, lifted: Sequence[str], gain: Measurand) -> float | None:
    """How much of the change of a gain is the load that lifted parts took along, rather than feedback.

    Parameters
    ----------
    model : ChassisModel
        The chassis with the loop open.
    lifted : sequence of str
        Parts that are lifted in it, and not with the loop closed.
    gain : Measurand
        ``gain``, from one point to another.

    Returns
    -------
    float or None
        Gain as it stands over what it would be with each of the parts from both its ends to ground, in dB, as the
        nominal chassis has it. None where the parts return no signal: no tube carries any between their ends.

    Notes
    -----
    The open loop of the textbooks keeps the load of the network that feeds back (F. Langford-Smith, Radiotron
    Designer's Handbook, 4th edition, chapter 7; from memory): a resistor from the loudspeaker to a cathode stays
    across both. Lifted at one end it is across neither.
    """
    supplied = model.supplied({})
    freq_hz = gain.freq_hz or DEFAULT_FREQ_HZ
    small = SmallSignal(model.circuit, supplied.table, supplied.rest.slopes, np.array([freq_hz]))
    drawn = model.chassis.without(()).parts
    parts = [drawn[name] for name in lifted]
    ends = [(model.node(part.nodes[0]), model.node(part.nodes[1])) for part in parts]
    source, target = (model.node(point) for point in gain.points)
    fed = model.node(model.input_of(gain.points))
    nodes = sorted({fed, source, target, *(end for both in ends for end in both)} - {GROUND})
    if source == GROUND or target == GROUND:
        return None
    found = small.impedances(nodes)
    place = {node: at for at, node in enumerate(nodes)}
    impedance = np.array([[complex(found[p][q].flat[0]) for p in nodes] for q in nodes])
    loads = np.zeros(len(nodes), dtype=complex)
    returns = False
    for part, both in zip(parts, ends, strict=True):
        for end in both:
            if end != GROUND:
                loads[place[end]] += _admittance(part, freq_hz)
        if GROUND not in both:
            there, back = (abs(impedance[place[b], place[a]]) for a, b in (both, both[::-1]))
            returns |= max(there, back) > ONE_WAY * min(there, back)
    if not returns:
        return None
    driven = impedance[:, place[fed]]
    loaded = np.linalg.solve(np.eye(len(nodes)) + impedance * loads, driven)
    open_gain, loaded_gain = (abs(v[place[target]] / v[place[source]]) for v in (driven, loaded))
    return 20.0 * math.log10(open_gain / loaded_gain)


def _admittance(part: Part, freq_hz: float) -> complex:
    s = 2j * math.pi * freq_hz
    if part.kind == "capacitor":
        return s * part.value
    return 1.0 / (s * part.value) if part.kind == "inductor" else complex(1.0 / part.value)
