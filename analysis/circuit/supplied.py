"""A chassis at rest on its rectifiers: rectified rails and all else in one solution, over arrays of samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .ac import SmallSignal
from .dc import OperatingPoint, solve_dc
from .dense import FEW
from .dense_newton import LAST_STEP_V, RESIDUAL_A, STEPS, TOUCH_V, DenseState
from .elements import Array, Table
from .network import Circuit
from .rectifier import CHARGING_FIELDS, OPEN_OHM, Charging, Rectifier, charge
from .sections import TubeSlopes

ROUNDS, SETTLED_V = 6, 1e-3
"""Rounds between rectifier and chassis at most, and the change of rail volts that ends them."""

PATIENCE = (STEPS, 4 * STEPS)
"""Newton steps at most, and for the samples that leaves: a grid whose leak is open goes down its exponential curve
by three volts a step."""

MOST = 0.9
"""Share of the samples that must be near rest before their rectifiers are looked at again."""


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

    def start(self) -> Start:
        """What a neighbouring chassis starts from."""
        return Start(
            volts=self.rest.table(sorted(self.rest.volts)),
            lines=tuple(
                np.array(np.broadcast_arrays((s.mean_v + s.slope_ohm * s.mean_a) / peak, s.slope_ohm, s.start_v))
                for s, peak in zip(self.charging, self.peak_v, strict=True)
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A rest from which to look for neighbouring ones; one wide, or one a sample.

    Parameters
    ----------
    volts : ndarray, shape (N, S)
        Of all nodes.
    lines : tuple of ndarray, shape (3, S)
        For each rectifier: EMF of its line over the peak of the wave, ohms of the line, volts of the reservoir
        at the start of a ripple period.
    """

    volts: Array
    lines: tuple[Array, ...]

    def picked(self, rows: Array) -> Start:
        """Some of the samples, or all where there is one for all.

        Parameters
        ----------
        rows : ndarray of bool or int
            Which samples.
        """
        if self.volts.shape[1] == 1:
            return self
        wide = [line if line.shape[1] == 1 else line[:, rows] for line in self.lines]
        return Start(volts=self.volts[:, rows], lines=tuple(wide))


def solve_supplied(
    circuit: Circuit, table: Table, rectifiers: tuple[Rectifier, ...], near: Start | None = None
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
    near : Start, optional
        Rest of a chassis of the same circuit to start from, or one for each sample.
    """
    count = max(_width(circuit, table, rectifiers), near.volts.shape[1] if near else 1)
    if near is None or count > FEW:
        return _solve_many(circuit, table, rectifiers, near)
    return _solve_near(circuit, table, rectifiers, near, count, PATIENCE)


def _solve_near(
    circuit: Circuit,
    table: Table,
    rectifiers: tuple[Rectifier, ...],
    near: Start,
    count: int,
    patience: tuple[int, ...],
) -> Supplied:
    """Full steps from a near start; the samples those leave are given more, and at last damped ones."""
    if not patience:
        return _solve_many(circuit, table, rectifiers, near)
    found, solved = _solve_few(circuit, table, rectifiers, near, count, patience[0])
    if found is None or not solved.any():
        return _solve_near(circuit, table, rectifiers, near, count, patience[1:])
    if solved.all():
        return found
    left = {key: value if value.size == 1 else value[~solved] for key, value in table.items()}
    many = int(np.count_nonzero(~solved))
    other = _solve_near(circuit, left, rectifiers, near.picked(~solved), many, patience[1:])
    return _replaced(found, ~solved, other)


def _width(circuit: Circuit, table: Table, rectifiers: tuple[Rectifier, ...]) -> int:
    """Number of samples as direct current sees them: 1 where only capacitors differ."""
    conducting = [value for branch in circuit.branches if (value := branch.dc(table)) is not None]
    conducting += [supply.current(table) for supply in circuit.supplies]
    conducting += [array for tube in circuit.tubes for array in tube.specimen(table).arrays]
    reservoirs = [key for rectifier in rectifiers for key in rectifier.reservoirs]
    conducting += [table[name] for key in reservoirs for name in (key, f"{key}.esr")]
    return max(value.size for value in conducting)


def _start(
    table: Table, rectifiers: tuple[Rectifier, ...], near: Start | None
) -> tuple[dict[str, Array], list[Array]]:
    """Table with a first line for every rectified rail, and the volts its reservoir starts a period from."""
    lines = dict(table)
    held: list[Array] = []
    for number, rectifier in enumerate(rectifiers):
        emf, source = f"{rectifier.key}.emf", f"{rectifier.key}.source"
        if near is None:
            peak = np.abs(table[emf] * table["mains"])
            state = charge(rectifier, table, np.zeros(1), peak)
            share, slope_ohm = state.mean_v / np.maximum(peak, 1e-9), 3.0 * np.clip(table[source], 1.0, OPEN_OHM)
            start_v = state.start_v
        else:
            share, slope_ohm, start_v = near.lines[number]
        held.append(start_v)
        lines[emf], lines[source] = table[emf] * share, slope_ohm
    return lines, held


def _peaks(table: Table, rectifiers: tuple[Rectifier, ...]) -> tuple[Array, ...]:
    return tuple(np.abs(table[f"{r.key}.emf"] * table["mains"]) for r in rectifiers)


def _solve_many(circuit: Circuit, table: Table, rectifiers: tuple[Rectifier, ...], near: Start | None) -> Supplied:
    """Rounds between the rectifiers and a damped solution of the chassis; any number of samples."""
    lines, held = _start(table, rectifiers, near)
    states: list[Charging] = []
    rest = solve_dc(circuit, lines, start=dict(enumerate(near.volts)) if near else None)
    for _ in range(ROUNDS if rectifiers else 0):
        before = rest
        states = [
            _touch(r, table, lines, rest.volts[r.node], start_v)
            for r, start_v in zip(rectifiers, held, strict=True)
        ]
        held = [state.start_v for state in states]
        rest = solve_dc(circuit, lines, start=before.volts)
        moved = [np.abs(rest.volts[r.node] - before.volts[r.node]) for r in rectifiers]
        if np.nanmax(moved, initial=0.0) < SETTLED_V:
            break
    return Supplied(table=lines, rest=rest, charging=tuple(states), peak_v=_peaks(table, rectifiers))


def _solve_few(
    circuit: Circuit, table: Table, rectifiers: tuple[Rectifier, ...], near: Start, count: int, steps: int
) -> tuple[Supplied | None, Array]:
    """Rectifiers and chassis in one Newton iteration from a near start; also which samples it solved."""
    lines, held = _start(table, rectifiers, near)
    states: list[Charging] = []
    network = circuit.dense
    volts = np.broadcast_to(near.volts[network.kept], (len(network.kept), count))
    settled = np.full(count, not rectifiers)
    touches = 0
    with np.errstate(all="ignore"):
        state = DenseState(network, lines, volts)
        for _ in range(steps):
            state.step()
            touching = not settled.all() and touches < ROUNDS
            small = state.step_v <= (TOUCH_V if touching else LAST_STEP_V)
            if touching and np.count_nonzero(small) >= MOST * count:
                touches += 1
                rails_v = [state.volts[network.kept.index(r.node)] for r in rectifiers]
                states = [_touch(r, table, lines, *at) for r, *at in zip(rectifiers, rails_v, held, strict=True)]
                held = [s.start_v for s in states]
                off_v = [np.abs(s.mean_v - np.abs(v)) for s, v in zip(states, rails_v, strict=True)]
                settled = np.all(np.array(off_v) <= SETTLED_V, axis=0)
                state.set_lines(lines)
            elif small.all():
                break
        if len(states) < len(rectifiers):
            return None, np.zeros(count, dtype=bool)
        everything, drawn, residual_a = state.finish()
    solved = (state.step_v <= LAST_STEP_V) & (residual_a <= RESIDUAL_A) & np.isfinite(everything).all(axis=0)
    solved &= settled
    rest = OperatingPoint(
        circuit=circuit,
        volts=dict(zip(network.order, everything, strict=True)),
        currents=drawn.currents,
        slopes=drawn.slopes,
        culprit=np.full(count, -1),
        residual_a=residual_a,
    )
    found = Supplied(table=lines, rest=rest, charging=tuple(states), peak_v=_peaks(table, rectifiers))
    return found, solved


def _replaced(whole: Supplied, mask: Array, part: Supplied) -> Supplied:
    """A batch with the samples of a mask taken from another."""

    def mixed(all_: Any, some: Any) -> Any:
        if all_ is None:
            return None
        all_, some = np.asarray(all_), np.asarray(some)
        width = (*all_.shape[:-1], mask.size)
        result = np.array(np.broadcast_to(all_, width), dtype=np.result_type(all_, some))
        result[..., mask] = some
        return result

    def slopes(all_: TubeSlopes, some: TubeSlopes) -> TubeSlopes:
        return tuple(
            tuple(
                None if a is None and b is None else mixed(0.0 if a is None else a, 0.0 if b is None else b)
                for a, b in zip(row_a, row_b, strict=True)
            )
            for row_a, row_b in zip(all_, some, strict=True)
        )

    rest, other = whole.rest, part.rest
    lined = [
        key for key, value in whole.table.items() if value is not part.table[key] and value.size in (1, mask.size)
    ]
    return Supplied(
        table=whole.table | {k: mixed(whole.table[k], part.table[k]) for k in lined},
        rest=OperatingPoint(
            circuit=rest.circuit,
            volts={n: mixed(v, other.volts[n]) for n, v in rest.volts.items()},
            currents=tuple(tuple(map(mixed, a, b)) for a, b in zip(rest.currents, other.currents, strict=True)),
            slopes=tuple(map(slopes, rest.slopes, other.slopes)),
            culprit=mixed(rest.culprit, other.culprit),
            residual_a=mixed(rest.residual_a, other.residual_a),
        ),
        charging=tuple(
            Charging(**{name: mixed(getattr(a, name), getattr(b, name)) for name in CHARGING_FIELDS})
            for a, b in zip(whole.charging, part.charging, strict=True)
        ),
        peak_v=whole.peak_v,
    )


def _touch(rectifier: Rectifier, table: Table, lines: dict[str, Array], volts: Array, start_v: Array) -> Charging:
    """State of a rectifier under the load it has now; the line that touches its load line there goes into
    ``lines``."""
    sign = np.sign(table[f"{rectifier.key}.emf"] * table["mains"])
    load_a = (lines[f"{rectifier.key}.emf"] * table["mains"] - volts) / lines[f"{rectifier.key}.source"]
    rail_v = np.nan_to_num(sign * volts)
    state = charge(rectifier, table, np.maximum(np.nan_to_num(sign * load_a), 0.0), rail_v, start_v)
    emf = sign * (state.mean_v + state.slope_ohm * state.mean_a)
    alive = np.where(table["mains"] == 0.0, 1.0, table["mains"])
    lines[f"{rectifier.key}.emf"], lines[f"{rectifier.key}.source"] = emf / alive, state.slope_ohm
    return state


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
