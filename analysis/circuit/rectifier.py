"""Rectifier with a reservoir: what it gives on average, and the ripple it leaves, over arrays of samples.

A rectifier is an EMF ``E*|sin|`` (or its positive half) behind a source resistance that conducts while it stands
above the reservoir. For the operating point it is replaced by the straight line that touches its load line where
the chassis rests, so that the rest of the solver sees an EMF behind a resistance like any other rail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .ac import SmallSignal
from .dc import OperatingPoint, solve_dc
from .elements import SHORT_S, Array, Table
from .network import Circuit

ANGLES = 64
"""Steps of one ripple period."""

CYCLES = 6
"""Newton steps towards the periodic state; each walks one ripple period."""

ROUNDS, SETTLED_V = 6, 1e-3
"""Rounds between rectifier and chassis at most, and the change of rail volts that ends them."""

OPEN_OHM = 1e9
"""Source resistance that stands for an open one."""

LEAST_S = 1e-9
"""Least conductance of a load, siemens."""

LEAST_ANGLE = 0.02
"""Half conduction angle, in radian, below which the load line is not followed: hardly any load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectifier:
    """A rectified rail.

    Parameters
    ----------
    key : str
        Rail: ``HT1.emf`` is the peak of the rectified wave, ``HT1.source`` the resistance it charges through.
    node : int
        Its node.
    reservoirs : tuple of str
        Capacitors from that node to ground.
    full_wave : bool
        Two pulses a period of the mains instead of one.
    mains_hz : float
        Frequency of the mains.
    slope_s : float, optional
        Conductance of everything behind the reservoir at the ripple's frequency; steady current over steady volts
        when left out. It matters where the reservoir hardly holds.
    """

    key: str
    node: int
    reservoirs: tuple[str, ...]
    full_wave: bool
    mains_hz: float
    slope_s: float | None = None

    @property
    def ripple_hz(self) -> float:
        """Frequency of the ripple's first line."""
        return self.mains_hz * (2.0 if self.full_wave else 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Charging:
    """The periodic state of a rectifier.

    Parameters
    ----------
    mean_v : ndarray, shape (S,)
        Average of the rail.
    mean_a : ndarray, shape (S,)
        Average current.
    current_a : ndarray, shape (ANGLES, S)
        Charging current over one ripple period.
    slope_ohm : ndarray, shape (S,)
        How steeply the load line falls.
    start_v : ndarray, shape (S,)
        Reservoir volts at the start of a ripple period.
    """

    mean_v: Array
    mean_a: Array
    current_a: Array
    slope_ohm: Array
    start_v: Array


def charge(
    rectifier: Rectifier, table: Table, load_a: Array, rail_v: Array, start_v: Array | None = None
) -> Charging:
    """Find the periodic state under a load.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    table : mapping of str to ndarray
        Values by key.
    load_a, rail_v : ndarray, shape (S,)
        The load: current, at volts of the rail. Around those it follows the slope of the rectifier's load.
    start_v : ndarray, optional
        Reservoir volts of a neighbouring state, to start from.

    Returns
    -------
    Charging
        Over the samples.

    Notes
    -----
    The load draws ``i0 + g*v``. With ``k = 1/(1 + esr*g)`` the reservoir moves as ``c*dv/dt = -k*(g*v + i0)`` while
    the rectifier rests, and towards ``(e - i0*r)/(k + g*p)``, ``p = r + k*esr``, while it conducts through r.
    """
    peak = np.abs(table[f"{rectifier.key}.emf"] * table["mains"])
    r = np.clip(table[f"{rectifier.key}.source"], 1.0 / SHORT_S, OPEN_OHM)
    farad = np.maximum(sum(table[key] for key in rectifier.reservoirs), 1e-12)
    # Reservoirs in parallel: their series resistances weigh as the current they take.
    esr = sum(table[key] * table[f"{key}.esr"] for key in rectifier.reservoirs) / farad
    peak, r, farad, esr, load_a, rail_v = np.broadcast_arrays(peak, r, farad, esr, load_a, rail_v)
    mean_s = load_a / np.maximum(rail_v, 1e-3)
    g = np.clip(mean_s if rectifier.slope_s is None else np.full(1, rectifier.slope_s), LEAST_S, SHORT_S)
    i0 = load_a - g * rail_v
    k = 1.0 / (1.0 + esr * g)
    p = r + k * esr
    step_s = 1.0 / (rectifier.ripple_hz * ANGLES)
    idle = np.exp(-k * g / farad * step_s)
    busy = np.exp(-k * (k / p + g) / farad * step_s)
    rest_v, reach = -i0 / g, k + g * p
    span = np.pi if rectifier.full_wave else 2.0 * np.pi
    wave = np.maximum(np.sin((np.arange(ANGLES) + 0.5) * (span / ANGLES)), 0.0)

    def step(held: Array, height: float) -> tuple[Array, Array]:
        """Reservoir volts a step later, and whether the wave stands above the rail, so that current flows."""
        resting = rest_v + (held - rest_v) * idle
        on = peak * height > k * (resting - esr * i0)
        target = (peak * height - i0 * r) / reach
        return np.where(on, target + (held - target) * busy, resting), on

    start = np.clip(rail_v, 0.0, peak) if start_v is None else np.broadcast_to(start_v, peak.shape)
    for _ in range(CYCLES):
        held, memory = start, np.ones(start.shape)
        for height in wave:
            held, on = step(held, height)
            memory = memory * np.where(on, busy, idle)
        miss = held - start
        start = start + miss / np.maximum(1.0 - memory, 1e-6)
        if np.all(np.abs(miss) <= 1e-9 * peak):
            break
    held = start
    current = np.empty((ANGLES, *start.shape))
    total = np.zeros(start.shape)
    for place, height in enumerate(wave):
        after, on = step(held, height)
        middle = 0.5 * (held + after)
        current[place] = np.where(on, (after - held) * farad / (step_s * k) + i0 + g * middle, 0.0)
        total = total + k * (middle + esr * (current[place] - i0))
        held = after
    mean = total / ANGLES
    angle = np.arccos(np.clip(mean / np.maximum(peak, 1e-9), 0.0, np.cos(LEAST_ANGLE)))
    slope = np.pi * r / angle * (0.5 if rectifier.full_wave else 1.0)
    return Charging(
        mean_v=mean, mean_a=i0 + g * mean, current_a=np.maximum(current, 0.0), slope_ohm=slope, start_v=start
    )


def load_slope_s(rectifier: Rectifier, circuit: Circuit, supplied: Supplied) -> float:
    """Conductance of everything behind a reservoir at the ripple's frequency, first sample.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    circuit : Circuit
        Topology.
    supplied : Supplied
        The chassis at rest.
    """
    table = dict(supplied.table)
    table[f"{rectifier.key}.source"] = np.full(1, np.inf)
    for key in rectifier.reservoirs:
        table[key] = np.zeros(1)
    small = SmallSignal(circuit, table, supplied.rest.slopes, np.array([rectifier.ripple_hz]))
    impedance = small.impedances([rectifier.node])[rectifier.node][rectifier.node]
    return float(np.real(1.0 / impedance.flat[0]))


def peak_for(rectifier: Rectifier, table: Table, volts: float, load_a: float) -> float:
    """Find the peak of the rectified wave that gives a rail its volts under its load.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    table : mapping of str to ndarray
        Values by key, one sample; its ``emf`` does not matter.
    volts, load_a : float
        What the rail shows, and the current it gives.
    """
    load, rail = np.full(1, max(load_a * np.sign(volts), 0.0)), np.full(1, abs(volts))
    peak, held = abs(volts), None
    for _ in range(20):
        state = charge(rectifier, {**table, f"{rectifier.key}.emf": np.full(1, peak)}, load, rail, held)
        # The mean grows nearly in proportion to the peak, whatever the load.
        ratio = abs(volts) / float(state.mean_v[0])
        peak, held = peak * ratio, state.start_v * ratio
        if abs(ratio - 1.0) < 1e-8:
            break
    return peak if volts > 0 else -peak


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """A chassis at rest on its rectifiers.

    Parameters
    ----------
    table : dict of str to ndarray
        Values in which every rectified rail is an EMF behind the slope of its load line.
    rest : OperatingPoint
        Where the chassis rests.
    charging : tuple of Charging
        State of each rectifier.
    peak_v : tuple of ndarray
        Peak of the rectified wave of each.
    """

    table: dict[str, Array]
    rest: OperatingPoint
    charging: tuple[Charging, ...]
    peak_v: tuple[Array, ...]

    @property
    def count(self) -> int:
        """Number of samples; the rest may be narrower where only capacitors differ."""
        return max(value.size for value in self.table.values())


def solve_supplied(
    circuit: Circuit, table: Table, rectifiers: tuple[Rectifier, ...], near: Supplied | None = None
) -> Supplied:
    """Find the operating point with the rectified rails on their own load lines.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key.
    rectifiers : tuple of Rectifier
        Rectified rails; may be empty.
    near : Supplied, optional
        A chassis of the same circuit to start from.
    """
    lines = dict(table)
    states: list[Charging] = []
    for number, rectifier in enumerate(rectifiers):
        emf = f"{rectifier.key}.emf"
        if near is None:
            state = charge(rectifier, table, np.zeros(1), np.abs(table[emf] * table["mains"]))
            peak = np.maximum(np.abs(table[emf] * table["mains"]), 1e-9)
            share, slope = state.mean_v / peak, 3.0 * np.clip(table[f"{rectifier.key}.source"], 1.0, OPEN_OHM)
        else:
            state = near.charging[number]
            top = state.mean_v + state.slope_ohm * state.mean_a
            share, slope = top / near.peak_v[number], state.slope_ohm
        states.append(state)
        lines[emf], lines[f"{rectifier.key}.source"] = table[emf] * share, slope
    rest = solve_dc(circuit, lines, start=near.rest.volts if near else None)
    for _ in range(ROUNDS if rectifiers else 0):
        before = rest
        for number, rectifier in enumerate(rectifiers):
            states[number], lines[f"{rectifier.key}.emf"], lines[f"{rectifier.key}.source"] = _touch(
                rectifier, table, lines, rest, states[number]
            )
        rest = solve_dc(circuit, lines, start=before.volts)
        moved = [np.abs(rest.volts[r.node] - before.volts[r.node]) for r in rectifiers]
        if np.nanmax(moved, initial=0.0) < SETTLED_V:
            break
    peaks = tuple(np.abs(table[f"{r.key}.emf"] * table["mains"]) for r in rectifiers)
    return Supplied(table=lines, rest=rest, charging=tuple(states), peak_v=peaks)


def _touch(
    rectifier: Rectifier, table: Table, lines: Table, rest: OperatingPoint, state: Charging
) -> tuple[Charging, Array, Array]:
    """State of a rectifier under the load it has now, and the line that touches its load line there."""
    sign = np.sign(table[f"{rectifier.key}.emf"] * table["mains"])
    volts = rest.volts[rectifier.node]
    load_a = (lines[f"{rectifier.key}.emf"] * table["mains"] - volts) / lines[f"{rectifier.key}.source"]
    rail_v = np.nan_to_num(sign * volts)
    state = charge(rectifier, table, np.maximum(np.nan_to_num(sign * load_a), 0.0), rail_v, state.start_v)
    emf = sign * (state.mean_v + state.slope_ohm * state.mean_a)
    alive = np.where(table["mains"] == 0.0, 1.0, table["mains"])
    return state, emf / alive, state.slope_ohm
