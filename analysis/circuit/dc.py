"""Operating points: the linear network is eliminated, then Newton's method runs on the nodes of the tubes.

Newton's steps are exact (analytic slopes) and damped by halving. Samples that do not converge so come up from rest
in time: every tube node gets a capacitance to ground and the circuit settles, time step growing, which is how the
real chassis finds its operating point. What fails even then is marked, with the tube to blame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .elements import GROUND, Array, Table
from .elimination import Elimination, Rows, Vector, add_entry
from .network import Circuit, stamp_tubes
from .sections import Specimen, Tube, TubeSlopes

RESIDUAL_A = 2e-10
"""Largest current imbalance at a tube node of a solved sample, ampere."""

STEP_V, LATE_STEP_V = 1e-7, 2e-3
"""Largest last Newton step of a solved sample, volt; the second serves after `PATIENT_STEPS` steps, for samples
with dead shorts beside nearly floating nodes, where rounding alone moves the floating ones."""

PATIENT_STEPS = 12

TRIODE_GUESS_S, PENTODE_GUESS_S = 1e-5, 2e-4
"""Conductance from plate (and screen) to cathode that stands for a tube in the first guess, siemens."""

NEWTON_STEPS = 40
TRANSIENT_STEPS = 400
HALVINGS = 6


@dataclass(frozen=True, kw_only=True)
class OperatingPoint:
    """Where a circuit rests.

    Parameters
    ----------
    circuit : Circuit
        What was solved.
    volts : dict of int to ndarray
        Voltage of every node, shape (S,); NaN where a sample has no operating point.
    currents : tuple of tuple of ndarray
        For each tube the currents into plate, grid and screen, ampere.
    slopes : tuple of TubeSlopes
        For each tube the slopes at this point, siemens.
    culprit : ndarray of int, shape (S,)
        -1 where solved, else the index of the tube that could not be solved.
    residual_a : ndarray, shape (S,)
        Largest imbalance of current at a tube node.
    """

    circuit: Circuit
    volts: dict[int, Array]
    currents: tuple[tuple[Array, ...], ...]
    slopes: tuple[TubeSlopes, ...]
    culprit: Array
    residual_a: Array

    def table(self, nodes: Sequence[int]) -> Array:
        """Voltages of some nodes, shape (N, S).

        Parameters
        ----------
        nodes : sequence of int
            None of them ground.
        """
        volts = np.empty((len(nodes), self.culprit.size))
        for row, node in zip(volts, nodes, strict=True):
            row[:] = self.volts[node]
        return volts

    def node_v(self, name: str) -> Array:
        """Voltage of a node by name, shape (S,).

        Parameters
        ----------
        name : str
            A node of the circuit, or ``gnd``.
        """
        number = self.circuit.node(name)
        return np.zeros(1) if number == GROUND else self.volts[number]


def solve_dc(
    circuit: Circuit,
    table: Table,
    loads: Mapping[int, Array] | None = None,
    start: Mapping[int, Array] | None = None,
) -> OperatingPoint:
    """Find the operating point of every sample.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key, shapes (S,) or (1,).
    loads : mapping of int to ndarray, optional
        Conductance of a meter from a node to ground; may have a leading axis for one case a meter: shape (P, 1).
    start : mapping of int to ndarray, optional
        Voltages to start from, a neighbouring solution.

    Returns
    -------
    OperatingPoint
        Unsolved samples are marked, not raised.
    """
    linear_nodes, tube_nodes = circuit.dc_order
    linear = Elimination(circuit.dc_rows(table, loads), linear_nodes)
    right = linear.reduce(circuit.dc_sources(table))
    system = _TubeSystem(
        circuit.tubes,
        tube_nodes,
        {n: linear.rows[n] for n in tube_nodes},
        {n: right[n] for n in tube_nodes if n in right},
        tuple(tube.specimen(table) for tube in circuit.tubes),
    )
    guess = {n: start[n] for n in tube_nodes} if start else system.first_guess()
    state = _newton(system, {n: np.broadcast_to(guess[n], system.shape) for n in tube_nodes}, NEWTON_STEPS)
    if not state.done.all():
        state = _rescue(system, state)
    volts = linear.expand(right, state.volts)
    failed = ~state.done
    culprit = np.where(failed, state.culprit(), -1)
    if failed.any():
        volts = {n: np.where(failed, np.nan, v) for n, v in volts.items()}
    shape = np.broadcast_shapes(system.shape, *(v.shape for v in volts.values()))
    zero = np.zeros(shape)
    return OperatingPoint(
        circuit=circuit,
        volts={n: np.broadcast_to(volts.get(n, zero), shape) for n in range(len(circuit.nodes))},
        currents=tuple(state.currents),
        slopes=tuple(state.slopes),
        culprit=np.broadcast_to(culprit, shape),
        residual_a=np.broadcast_to(state.residual_a(), shape),
    )


class _TubeSystem:
    """The circuit as its tubes see it: linear conductances and currents between tube nodes, and the tubes."""

    def __init__(
        self, tubes: tuple[Tube, ...], nodes: list[int], rows: Rows, right: Vector, specimens: tuple[Specimen, ...]
    ) -> None:
        self.tubes, self.nodes, self.rows, self.right, self.specimens = tubes, nodes, rows, right, specimens
        arrays = [entry for row in rows.values() for entry in row.values()] + list(right.values())
        arrays += [array for specimen in specimens for array in specimen.arrays]
        self.shape: tuple[int, ...] = np.broadcast_shapes((1,), *(a.shape for a in arrays))

    def select(self, mask: Array) -> _TubeSystem:
        """The samples of a mask alone, as one axis."""

        def pick(value: Any) -> Any:
            array = np.asarray(value)
            return array if array.size == 1 else np.broadcast_to(array, self.shape)[mask]

        return _TubeSystem(
            self.tubes,
            self.nodes,
            {i: {j: pick(e) for j, e in row.items()} for i, row in self.rows.items()},
            {i: pick(e) for i, e in self.right.items()},
            tuple(specimen.mapped(pick) for specimen in self.specimens),
        )

    def first_guess(self) -> Vector:
        """Start with every tube as a plain resistor that draws about what such tubes draw."""
        rows: Rows = {i: dict(row) for i, row in self.rows.items()}
        for tube in self.tubes:
            g = np.full(1, TRIODE_GUESS_S if len(tube.electrodes) == 2 else PENTODE_GUESS_S)
            for electrode in tube.electrodes:
                if electrode != tube.grid:
                    for i, j, value in ((0, 0, g), (0, 1, -g), (1, 0, -g), (1, 1, g)):
                        add_entry(rows, (electrode, tube.cathode)[i], (electrode, tube.cathode)[j], value)
        return _full(Elimination(rows, self.nodes).solve(self.right), self.nodes)


def _full(volts: Vector, nodes: list[int]) -> Vector:
    return {n: volts.get(n, np.zeros(1)) for n in nodes}


class _State:
    """Voltages of the tube nodes with the currents, slopes and imbalance they give."""

    def __init__(self, system: _TubeSystem, volts: Vector, hold: _Hold | None = None) -> None:
        self.system, self.volts, self.hold = system, volts, hold
        self.currents: list[tuple[Array, ...]] = []
        self.slopes: list[TubeSlopes] = []
        self.done = np.zeros(system.shape, dtype=bool)
        excess: Vector = {}
        for i in system.nodes:
            total: Array = -system.right.get(i, np.zeros(1))
            for j, entry in system.rows[i].items():
                total = total + entry * volts[j]
            excess[i] = total if hold is None else total + hold.siemens[i] * (volts[i] - hold.volts[i])
        for tube, specimen in zip(system.tubes, system.specimens, strict=True):
            cathode_v = volts[tube.cathode] if tube.cathode != GROUND else 0.0
            across = tuple(np.asarray(volts[n] if n != GROUND else 0.0) - cathode_v for n in tube.electrodes)
            currents, slopes = tube.currents(specimen, across)
            self.currents.append(currents)
            self.slopes.append(slopes)
            for node, current in zip(tube.electrodes, currents, strict=True):
                if node != GROUND:
                    excess[node] = excess[node] + current
                if tube.cathode != GROUND:
                    excess[tube.cathode] = excess[tube.cathode] - current
        self.excess = excess

    def residual_a(self) -> Array:
        """Largest imbalance, ampere."""
        worst = np.zeros(self.system.shape)
        for value in self.excess.values():
            worst = np.fmax(worst, np.abs(value))
        return worst

    def matrix(self) -> Rows:
        """Slopes of the imbalance by the node voltages."""
        rows: Rows = {i: dict(row) for i, row in self.system.rows.items()}
        stamp_tubes(rows, self.system.tubes, self.slopes)
        if self.hold is not None:
            for i in self.system.nodes:
                rows[i][i] = rows[i][i] + self.hold.siemens[i]
        return rows

    def culprit(self) -> Array:
        """Index of the tube with the largest imbalance at its nodes."""
        worst = np.full(self.system.shape, -1.0)
        index = np.zeros(self.system.shape, dtype=int)
        for number, tube in enumerate(self.system.tubes):
            for node in tube.nodes:
                if node != GROUND:
                    size = np.where(np.isfinite(self.excess[node]), np.abs(self.excess[node]), np.inf)
                    index = np.where(size > worst, number, index)
                    worst = np.maximum(worst, size)
        return index


def _newton(system: _TubeSystem, volts: Vector, steps: int, hold: _Hold | None = None) -> _State:
    """Damped Newton; ``done`` marks the samples that met both limits.

    A step is halved until the next Newton correction, by the same slopes, is shorter (the natural monotonicity test
    of P. Deuflhard, "Newton Methods for Nonlinear Problems", 2004, from memory): that test weighs volts, whatever
    the impedance of a node.
    """
    state = _State(system, volts, hold)
    done = state.done
    for count in range(steps if system.nodes else 0):
        factors = Elimination(state.matrix(), system.nodes)
        step = _full(factors.solve(state.excess), system.nodes)
        length, size = np.ones(system.shape), _size(step, system.shape)
        for halving in range(HALVINGS + 1):
            trial = _State(system, {n: state.volts[n] - length * step[n] for n in system.nodes}, hold)
            if halving == HALVINGS:
                break
            ahead = _size(_full(factors.solve(trial.excess), system.nodes), system.shape)
            worse = ~(ahead <= (1.0 - 0.25 * length) * size) & (size > STEP_V) & ~done
            if not worse.any():
                break
            length = np.where(worse, length * 0.5, length)
        state = trial
        done = (size <= (STEP_V if count < PATIENT_STEPS else LATE_STEP_V)) & (state.residual_a() <= RESIDUAL_A)
        state.done = done
        if done.all():
            break
    if not system.nodes:
        state.done = np.ones(system.shape, dtype=bool)
    return state


def _size(step: Vector, shape: tuple[int, ...]) -> Array:
    """Largest change of a node, volt."""
    largest = np.zeros(shape)
    for change in step.values():
        largest = np.maximum(largest, np.abs(change))
    return largest


def _rescue(system: _TubeSystem, state: _State) -> _State:
    """Solve what Newton left by letting it settle in time; put the results back."""
    mask = ~state.done
    hard = system.select(mask)
    settled = _settle(hard)
    finished = _newton(hard, settled, NEWTON_STEPS)
    volts = {}
    for n in system.nodes:
        whole = np.array(np.broadcast_to(state.volts[n], system.shape))
        whole[mask] = np.broadcast_to(finished.volts[n], hard.shape)
        volts[n] = whole
    result = _State(system, volts)
    done = state.done.copy()
    done[mask] = np.broadcast_to(finished.done, hard.shape)
    result.done = done
    return result


@dataclass(frozen=True)
class _Hold:
    """Capacitances from the tube nodes to ground over one step of time: conductance, and the volts they held."""

    siemens: Vector
    volts: Vector


def _settle(system: _TubeSystem) -> Vector:
    """Let the circuit come up from rest: implicit Euler, the length of a step following how well it went."""
    volts: Vector = {n: np.zeros(system.shape) for n in system.nodes}
    rate = np.full(system.shape, 1e-2)
    for _ in range(TRANSIENT_STEPS):
        state = _newton(system, volts, 12, _Hold({n: rate for n in system.nodes}, volts))
        good = state.done
        moved = _size({n: state.volts[n] - volts[n] for n in system.nodes}, system.shape)
        volts = {n: np.where(good, state.volts[n], volts[n]) for n in system.nodes}
        if (good & (moved < 1e-3) & (rate < 1e-8)).all():
            break
        rate = np.where(good, rate / 3.0, rate * 4.0)
    return volts
