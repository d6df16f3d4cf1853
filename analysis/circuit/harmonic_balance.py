"""Harmonic balance: what a chassis driven by a sine draws, and what is out of balance, on the nodes of the tubes.

The linear network is known exactly at every harmonic, the tubes at every instant, and both must agree on the
waveforms of the tube nodes. Coupling capacitors that charge by grid current, sagging supplies and feedback are all
inside the balance: there is no transient to wait for. `large_signal` finds the waveforms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .dc import OperatingPoint
from .elements import GROUND, Array, Table
from .elimination import Elimination, Vector
from .network import Circuit

INSTANTS = 32, 64, 128
"""Instants of a period: enough while harmonics die out early, what clipped waves need, and the most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodic:
    """A periodic state.

    Parameters
    ----------
    waves : ndarray, shape (S, n, N)
        Volts of the tube nodes, in the solver's order, at N instants.
    peak_v : ndarray, shape (S,)
        Drive.
    culprit : ndarray of int, shape (S,)
        The tube whose current is furthest from balance where no state was found, as its place in the circuit; -1
        where one was.
    residual_a : ndarray, shape (S,)
        Largest current out of balance.
    """

    waves: Array
    peak_v: Array
    culprit: Array
    residual_a: Array

    @property
    def solved(self) -> Array:
        """Samples whose state was found, shape (S,)."""
        return np.asarray(self.culprit < 0)


class HarmonicBalance:
    """A chassis driven by a sine.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key; rectified rails as straight lines.
    rest : OperatingPoint
        Where it rests without drive.
    source : int
        Node the generator feeds.
    source_s : ndarray, shape (S,) or (1,)
        Conductance of the generator.
    freq_hz : float
        Frequency of the drive.
    instants : int
        Instants of a period, even.

    Attributes
    ----------
    size : int
        Samples S.
    y : ndarray, shape (S, N/2 + 1, n, n)
        Admittances of the linear network between the tube nodes at every harmonic.
    """

    def __init__(
        self,
        circuit: Circuit,
        table: Table,
        rest: OperatingPoint,
        source: int,
        source_s: Array,
        freq_hz: float,
        instants: int = INSTANTS[0],
    ) -> None:
        self.circuit, self.instants = circuit, instants
        self.size = max(rest.culprit.size, *(value.size for value in table.values()))
        linear, self._nodes = circuit.ac_split_order
        self._specimens = [
            tube.specimen(table).mapped(lambda value: np.atleast_1d(value)[..., None]) for tube in circuit.tubes
        ]
        self._place = {node: place for place, node in enumerate(self._nodes)}
        self._tube_places = [[self._place[n] for n in tube.nodes if n != GROUND] for tube in circuit.tubes]
        self._still = Elimination(circuit.dc_rows(table), linear)
        self._still_right = self._still.reduce(circuit.dc_sources(table))
        s = 2j * np.pi * freq_hz * np.arange(1, instants // 2 + 1)
        self._moving = Elimination(circuit.ac_rows(table, s), linear)
        unit = source_s[..., None] * (np.arange(1, instants // 2 + 1) == 1)
        self._moving_right = self._moving.reduce({source: unit.astype(complex)})
        self.y, self._bias, self._drive = self._stack()
        self._rest = np.stack([np.broadcast_to(rest.volts[n], (self.size,)) for n in self._nodes], axis=1)

    def _stack(self) -> tuple[Array, Array, Array]:
        """Network matrix (S, K, n, n), its bias (S, n) and drive (S, K, n) at harmonics 0..N/2."""
        n, harmonics = len(self._nodes), self.instants // 2 + 1
        y = np.zeros((self.size, harmonics, n, n), dtype=complex)
        bias = np.zeros((self.size, n))
        drive = np.zeros((self.size, harmonics, n), dtype=complex)
        for i, node in enumerate(self._nodes):
            for other, entry in self._still.rows[node].items():
                y[:, 0, i, self._place[other]] = entry
            for other, entry in self._moving.rows[node].items():
                y[:, 1:, i, self._place[other]] = entry
            if node in self._still_right:
                bias[:, i] = self._still_right[node]
            if node in self._moving_right:
                drive[:, 1:, i] = self._moving_right[node]
        return y, bias, drive

    def _tubes(self, waves: Array) -> tuple[Array, Array]:
        """Currents into the tube nodes (S, n, N) and their slopes (S, n, n, N) at every instant."""
        current = np.zeros(waves.shape)
        slope = np.zeros((waves.shape[0], waves.shape[1], waves.shape[1], waves.shape[2]))
        zero = np.zeros(())
        for tube, specimen in zip(self.circuit.tubes, self._specimens, strict=True):
            volts = [waves[:, self._place[n]] if n != GROUND else zero for n in (*tube.electrodes, tube.cathode)]
            across = tuple(v - volts[-1] for v in volts[:-1])
            currents, slopes = tube.currents(specimen, across)
            places = [self._place.get(n) for n in (*tube.electrodes, tube.cathode)]
            k = places[-1]
            for row, i in enumerate(places[:-1]):
                if i is not None:
                    current[:, i] += currents[row]
                if k is not None:
                    current[:, k] -= currents[row]
                for column, j in enumerate(places[:-1]):
                    g = slopes[row][column]
                    if g is None:
                        continue
                    for a, b, sign in ((i, j, 1.0), (i, k, -1.0), (k, j, -1.0), (k, k, 1.0)):
                        if a is not None and b is not None:
                            slope[:, a, b] += sign * g
        return current, slope

    def through(self, matrix: Array, waves: Array) -> Array:
        """Waves through a matrix of its own at each harmonic, shape (S, n, N).

        Parameters
        ----------
        matrix : ndarray, shape (S, N/2 + 1, n, n)
            Such as `y`, which gives the currents that the linear network takes.
        waves : ndarray, shape (S, n, N)
            One period.
        """
        spectrum = np.fft.rfft(waves, axis=-1)
        result = np.einsum("skij,sjk->sik", matrix, spectrum, optimize=True)
        return np.asarray(np.fft.irfft(result, self.instants, axis=-1))

    def sources(self, peak_v: Array) -> Array:
        """Currents that supplies and generator drive into the tube nodes, shape (S, n, N).

        Parameters
        ----------
        peak_v : ndarray, shape (S,)
            Amplitude of the generator's EMF.
        """
        spectrum = np.swapaxes(self._drive * peak_v[:, None, None], 1, 2) * (0.5 * self.instants)
        return np.asarray(np.fft.irfft(spectrum, self.instants, axis=-1) + self._bias[..., None])

    def excess(self, waves: Array, sources: Array) -> tuple[Array, Array]:
        """Current out of balance, shape (S, n, N), and the slopes of the tubes, shape (S, n, n, N).

        Parameters
        ----------
        waves : ndarray, shape (S, n, N)
            Volts of the tube nodes.
        sources : ndarray, shape (S, n, N)
            From `sources`.
        """
        current, slope = self._tubes(waves)
        return self.through(self.y, waves) + current - sources, slope

    def first_guess(self, peak_v: Array) -> Array:
        """Rest plus the small-signal response.

        Parameters
        ----------
        peak_v : ndarray, shape (S,)
            Amplitude of the generator's EMF.
        """
        still = np.repeat(self._rest[..., None], self.instants, axis=-1)
        _, slope = self._tubes(still[..., :1])
        matrix = self.y[:, 1] + slope[..., 0]
        first = np.linalg.solve(matrix, (self._drive[:, 1] * peak_v[:, None])[..., None])[..., 0]
        turn = np.exp(2j * np.pi * np.arange(self.instants) / self.instants)
        return np.asarray(still + np.real(first[..., None] * turn))

    def state(self, waves: Array, peak_v: Array, solved: Array) -> Periodic:
        """What was found.

        Parameters
        ----------
        waves : ndarray, shape (S, n, N)
            Volts of the tube nodes.
        peak_v : ndarray, shape (S,)
            Amplitude of the generator's EMF, volt.
        solved : ndarray of bool, shape (S,)
            Samples whose state was found.
        """
        excess = np.abs(self.excess(waves, self.sources(peak_v))[0]).max(axis=-1)
        furthest = np.argmax([excess[:, places].max(axis=1) for places in self._tube_places], axis=0)
        return Periodic(
            waves=waves, peak_v=peak_v, culprit=np.where(solved, -1, furthest), residual_a=excess.max(axis=1)
        )

    def only(self, samples: Array) -> HarmonicBalance:
        """The same of some samples.

        Parameters
        ----------
        samples : ndarray of int
            Which.
        """
        part = object.__new__(HarmonicBalance)
        part.__dict__.update(self.__dict__)
        part.size = samples.size
        part.y, part._bias, part._drive = self.y[samples], self._bias[samples], self._drive[samples]
        part._rest = self._rest[samples]
        part._specimens = [
            specimen.mapped(lambda value: value if value.shape[0] == 1 else value[samples])
            for specimen in self._specimens
        ]
        return part

    def waves_at(self, state: Periodic, nodes: Sequence[int]) -> dict[int, Array]:
        """Waveforms of any nodes of a state, shape (S, N).

        Parameters
        ----------
        state : Periodic
            From `large_signal.solve`.
        nodes : sequence of int
            Nodes wanted.
        """
        spectrum = np.fft.rfft(state.waves, axis=-1) / self.instants
        spectrum[..., 1:] *= 2.0
        still = self._still.expand(
            self._still_right, {n: spectrum[:, i, 0].real for i, n in enumerate(self._nodes)}, nodes
        )
        right: Vector = {n: v * state.peak_v[:, None] for n, v in self._moving_right.items()}
        moving = self._moving.expand(right, {n: spectrum[:, i, 1:] for i, n in enumerate(self._nodes)}, nodes)
        result = {}
        for node in nodes:
            whole = np.zeros((self.size, self.instants // 2 + 1), dtype=complex)
            if node != GROUND:
                whole[:, 0] = still.get(node, 0.0)
                whole[:, 1:] = moving.get(node, 0.0)
            whole[:, 1:] *= 0.5
            result[node] = np.fft.irfft(whole * self.instants, self.instants, axis=-1)
        return result

    @staticmethod
    def tail(state: Periodic) -> Array:
        """Share of the upper half of the harmonics in the waves, worst node, shape (S,).

        Parameters
        ----------
        state : Periodic
            From `large_signal.solve`.
        """
        spectrum = np.abs(np.fft.rfft(state.waves, axis=-1))[..., 1:]
        half = spectrum.shape[-1] // 2
        swing = np.maximum(spectrum.max(axis=-1), 1e-3 * state.waves.shape[-1])
        return np.asarray((spectrum[..., half:].max(axis=-1) / swing).max(axis=1))
