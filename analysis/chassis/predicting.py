"""What the instruments would show: quantities of measurands from solved circuits, loading included."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from acquisition.errors import OutsideModel
from acquisition.records import Measurand
from analysis.circuit.ac import SmallSignal
from analysis.circuit.dc import OperatingPoint, solve_dc
from analysis.circuit.dense import FEW
from analysis.circuit.dense_newton import DenseState
from analysis.circuit.elements import GROUND, Array, Table
from analysis.circuit.elimination import Elimination
from analysis.circuit.network import Circuit, stamp_tubes
from analysis.circuit.ripple import Ripple

from .loading import MeterLoad, ProbeLoad

DEFAULT_FREQ_HZ = 1000.0

NO_GAIN = 1e-9
"""Modelled gain up to which nothing but leakage connects two points."""

SIGNALS = ("gain", "phase_deg", "pp_v", "rms_v")
"""What a scope shows of the generator's signal."""


def read_dc(circuit: Circuit, table: Table, rest: OperatingPoint, nodes: Sequence[int], meter: MeterLoad) -> Array:
    """DC volts at nodes, each with the meter on that node alone.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping
        Values by key.
    rest : OperatingPoint
        Without a meter.
    nodes : sequence of int
        Nodes that are read.
    meter : MeterLoad
        The meter.

    Returns
    -------
    ndarray, shape (P, S)
        One row a node.
    """
    wanted = sorted({n for n in nodes if n != GROUND})
    place = {n: p for p, n in enumerate(wanted)}
    shown = Metered(circuit, table, rest, wanted, meter).shown
    zero = np.zeros(shown.shape[1:])
    return np.array([shown[place[n]] if n != GROUND else zero for n in nodes]).reshape(len(nodes), *shown.shape[1:])


class Metered:
    """Readings of a DC meter on each of some nodes in turn.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping
        Values by key.
    rest : OperatingPoint
        Without a meter.
    wanted : sequence of int
        P nodes, none of them ground.
    meter : MeterLoad
        The meter.
    inverse : ndarray, shape (S, N, N), optional
        Of the slopes at rest, where it is known: volts at a node for one ampere into another.

    Attributes
    ----------
    shown : ndarray, shape (P, S)
        What the meter shows.
    siemens : float
        Conductance of the meter.
    points, samples : ndarray of int, shape (B,)
        Readings that were solved again with the meter on: which node, which sample.
    bent_v : ndarray, shape (N, B)
        Volts of all nodes then, in `DenseNetwork.order`.

    Notes
    -----
    The meter draws through the node's slope resistance R: the reading is ``V/(1 + R/Rm)`` as long as the slopes
    hold. Where the square of that change matters (bootstrapped grids, rule E2), the point is solved again.
    """

    def __init__(
        self,
        circuit: Circuit,
        table: Table,
        rest: OperatingPoint,
        wanted: Sequence[int],
        meter: MeterLoad,
        inverse: Array | None = None,
    ) -> None:
        self.siemens = load = 1.0 / meter.resistance_ohm
        self.points = self.samples = np.zeros(0, dtype=int)
        self.bent_v = np.zeros((len(circuit.nodes), 0))
        count = max(rest.culprit.size, *(value.size for value in table.values()))
        v = np.stack(np.broadcast_arrays(*(rest.volts[n] for n in wanted))) if wanted else np.zeros((0, 1))
        if load > 0.0 and wanted:
            if inverse is None and count <= FEW:
                inverse = np.linalg.inv(circuit.dense.slopes(table, rest.slopes, count))
            places = circuit.dense.places(wanted)
            slope_ohm = (
                _slope_ohm(circuit, table, rest, wanted, count) if inverse is None else inverse[:, places, places].T
            )
            drop = load * slope_ohm / (1.0 + load * slope_ohm)
            bent = np.abs(v) * drop**2 > 2e-3 + 2e-4 * np.abs(v)
            v = v * (1.0 - drop)
            if bent.any():
                self.points, self.samples = np.nonzero(np.broadcast_to(bent, v.shape))
                self._read_bent(circuit, table, rest, wanted, v, inverse)
        self.shown: Array = v

    def _read_bent(
        self,
        circuit: Circuit,
        table: Table,
        rest: OperatingPoint,
        wanted: Sequence[int],
        shown: Array,
        inverse: Array | None,
    ) -> None:
        """Solve again, with the meter on, the readings whose slopes do not hold; changes them in place."""
        network, load, points, samples = circuit.dense, self.siemens, self.points, self.samples
        at = network.places(wanted)[points]
        case = {key: value if value.size == 1 else value[samples] for key, value in table.items()}
        start = network.kept_volts(rest.volts, samples, samples.size)
        if inverse is not None:  # as far as the slopes hold; where nothing bends that is the answer
            start = start - load * shown[points, samples] * inverse[samples, network.linear :, at].T
        state = DenseState(network, case, start, (at, load))
        solved = state.settle()
        self.bent_v = state.finish()[0]
        hard = np.flatnonzero(~solved)
        if hard.size:
            left = {key: value if value.size == 1 else value[hard] for key, value in case.items()}
            loads = {n: np.where(points[hard] == p, load, 0.0) for p, n in enumerate(wanted)}
            again = solve_dc(circuit, left, loads)
            for place, node in enumerate(network.order):
                self.bent_v[place, hard] = again.volts[node]
        shown[points, samples] = self.bent_v[at, np.arange(samples.size)]


def _slope_ohm(circuit: Circuit, table: Table, rest: OperatingPoint, wanted: Sequence[int], count: int) -> Array:
    """Slope resistance of nodes to ground, shape (P, S)."""
    rows = circuit.dc_rows(table)
    stamp_tubes(rows, circuit.tubes, rest.slopes)
    linear, tube_nodes = circuit.dc_order
    drives = {n: (np.arange(len(wanted)) == p).astype(float)[:, None] for p, n in enumerate(wanted)}
    found = Elimination(rows, linear + tube_nodes).solve(drives, wanted)
    return np.stack([np.broadcast_to(found[n], (len(wanted), count))[p] for p, n in enumerate(wanted)])


def leads(nodes: Sequence[int]) -> tuple[int, int]:
    """Where the leads of a meter that reads ohms are.

    Parameters
    ----------
    nodes : sequence of int
        Of one point, or of two.
    """
    return (nodes[0], nodes[1]) if len(nodes) == 2 else (nodes[0], GROUND)


def without_signal(measurand: Measurand, nodes: Sequence[int]) -> float | None:
    """What a scope shows where no signal has to be found for it: at ground, and between points that are one node.

    Parameters
    ----------
    measurand : Measurand
        ``gain``, ``phase_deg``, ``pp_v`` or ``rms_v``.
    nodes : sequence of int
        Nodes of its points.

    Returns
    -------
    float or None
        In the unit of the quantity; NaN for a ratio to ground and for a phase at ground, which mean nothing. None
        where a signal has to be found.
    """
    if GROUND not in nodes and len(set(nodes)) == len(nodes):
        return None
    if measurand.quantity == "gain":
        return math.nan if nodes[0] == GROUND else float(GROUND not in nodes)
    return math.nan if measurand.quantity == "phase_deg" and GROUND in nodes else 0.0


class ProbedSignal:
    """Signal voltages for one volt from the generator, with probes on the points.

    Parameters
    ----------
    small : SmallSignal
        The linearized circuit.
    source : int
        Node the generator feeds.
    source_s : ndarray
        Conductance of the generator.
    nodes : sequence of int
        Nodes a probe may go on.
    probe : ProbeLoad
        The probe.
    """

    def __init__(
        self, small: SmallSignal, source: int, source_s: Array, nodes: Sequence[int], probe: ProbeLoad
    ) -> None:
        real = sorted({n for n in nodes if n != GROUND})
        self._y = probe.admittance(small.s)
        self._z = small.impedances(real)
        found = small.volts({source: source_s[..., None]}, real)
        self._v = {n: found.get(n, np.zeros((1, 1))) for n in real}
        self._v[GROUND] = np.zeros((1, 1))
        self._ratios: dict[tuple[int, int], Array] = {}

    def volts(self, node: int) -> Array:
        """Complex volts at a node with one probe on it, shape (S, F).

        Parameters
        ----------
        node : int
            The node.
        """
        if node == GROUND:
            return self._v[GROUND]
        return np.asarray(self._v[node] / (1.0 + self._y * self._z[node][node]))

    def ratio(self, a: int, b: int) -> Array:
        """Complex ratio of node b to node a with a probe on each, shape (S, F); kept, as gain and phase ask for it.

        Parameters
        ----------
        a, b : int
            Input and output node.
        """
        if (a, b) not in self._ratios:
            self._ratios[a, b] = self._ratio(a, b)
        return self._ratios[a, b]

    def _ratio(self, a: int, b: int) -> Array:
        if a == b or GROUND in (a, b):
            with np.errstate(divide="ignore", invalid="ignore"):
                return self.volts(b) / self.volts(a)
        y, z, va, vb = self._y, self._z, self._v[a], self._v[b]
        over = va * (1.0 + y * z[b][b]) - vb * (y * z[b][a])
        under = vb * (1.0 + y * z[a][a]) - va * (y * z[a][b])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(under / over)

    def quantity(self, measurand: Measurand, nodes: Sequence[int], column: int) -> Array:
        """What a scope shows of a measurand, shape (S,).

        Parameters
        ----------
        measurand : Measurand
            ``gain``, ``phase_deg``, ``pp_v`` or ``rms_v``.
        nodes : sequence of int
            Nodes of its points.
        column : int
            Place of its frequency.

        Raises
        ------
        OutsideModel
            Volts are asked for without a drive.
        """
        if (known := without_signal(measurand, nodes)) is not None:
            return np.array([known])
        if measurand.quantity == "gain":
            return np.abs(self.ratio(nodes[0], nodes[1])[..., column])
        if measurand.quantity == "phase_deg":
            return np.degrees(np.angle(self.ratio(nodes[0], nodes[1])[..., column]))
        if measurand.drive_pp_v is None:
            raise OutsideModel(
                f"{measurand.quantity} of {measurand.point}: how large was the drive?", hint="give drive_pp_v"
            )
        scale = 1.0 if measurand.quantity == "pp_v" else 0.5 / np.sqrt(2.0)
        return np.abs(self.volts(nodes[0])[..., column]) * (measurand.drive_pp_v * scale)


def read_hum(hum: Ripple, nodes: Sequence[int], probe: ProbeLoad) -> Array:
    """Hum at nodes with a probe on each, volts peak to peak.

    Parameters
    ----------
    hum : Ripple
        Of the chassis at rest.
    nodes : sequence of int
        Nodes that are read.
    probe : ProbeLoad
        The probe.

    Returns
    -------
    ndarray, shape (P, S)
        One row a node.

    Notes
    -----
    What a probe takes is found at twice the mains and taken for all lines: at hum its resistance is what loads.
    """
    real = sorted({node for node in nodes if node != GROUND})
    small = hum.small_at(2.0 * hum.mains_hz)
    impedance, load = small.impedances(real), probe.admittance(small.s)
    volts = hum.peak_to_peak_v(real)
    rows = []
    for node in nodes:
        factor = 1.0 if node == GROUND else np.abs(1.0 / (1.0 + load * impedance[node][node]))[..., 0]
        rows.append(np.broadcast_to(volts.get(node, np.zeros(1)) * factor, (hum.supplied.count,)))
    return np.stack(rows)


def frequency_groups(measurands: Sequence[Measurand]) -> list[tuple[list[float], list[int]]]:
    """Group signal measurands so that one solution serves many: frequencies at which the same points are read.

    Parameters
    ----------
    measurands : sequence of Measurand
        All of them; those at DC are passed over.

    Returns
    -------
    list of (frequencies, indices)
        Frequencies in hertz, and the measurands they serve.
    """
    at: dict[float, list[int]] = {}
    for index, measurand in enumerate(measurands):
        if measurand.quantity in SIGNALS:
            at.setdefault(measurand.freq_hz or DEFAULT_FREQ_HZ, []).append(index)
    groups: dict[frozenset[str], tuple[list[float], list[int]]] = {}
    for freq, indices in at.items():
        points = frozenset(point for index in indices for point in measurands[index].points)
        freqs, members = groups.setdefault(points, ([], []))
        freqs.append(freq)
        members.extend(indices)
    return list(groups.values())
