"""Periodic steady state under a sine of any size: harmonic balance on the nodes of the tubes.

The linear network is known exactly at every harmonic, the tubes at every instant, and both must agree on the
waveforms of the tube nodes. Newton's method finds those; its linear systems are solved by GMRES (Y. Saad, M. H.
Schultz, SIAM J. Sci. Stat. Comput. 7, 1986), with the network plus the tubes' average slopes as preconditioner,
over all samples at once. Where tubes cut off and grids conduct for part of the period an average slope says little
and GMRES stalls: such samples, and single ones, go to `overdrive`. Coupling capacitors that charge by grid current,
sagging supplies and feedback are all inside the balance: there is no transient to wait for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .dc import OperatingPoint
from .elements import GROUND, Array, Table
from .elimination import Elimination, Vector
from .network import Circuit
from .overdrive import approach

INSTANTS, MANY_INSTANTS = 32, 128
"""Instants of a period: enough while harmonics die out early, and what clipped waves need."""

TAIL = 2e-4
"""Share of the wave in the upper half of the harmonics above which the few instants do not suffice."""

NEWTON_STEPS, GMRES_STEPS, HALVINGS = 25, 40, 7
GMRES_RATIO, STALLED_RATIO = 1e-4, 0.1
"""Share of the excess that GMRES is to leave, and that above which a sample is handed to `overdrive`."""
STEP_RATIO = 1e-6
"""Largest Newton step of a solved sample, against its largest swing (and a volt)."""
BALANCED_RATIO = 1e-3
"""Largest excess of a solved sample, as volts by the preconditioner, against its largest swing (and a volt)."""


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
        instants: int = INSTANTS,
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

    def _network(self, waves: Array) -> Array:
        """Current the linear network takes from the tube nodes, sources left out."""
        spectrum = np.fft.rfft(waves, axis=-1)
        taken = np.einsum("skij,sjk->sik", self.y, spectrum, optimize=True)
        return np.fft.irfft(taken, self.instants, axis=-1)

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
        return self._network(waves) + current - sources, slope

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

    def solve(self, peak_v: Array, start: Array | None = None) -> Periodic:
        """Find the periodic state of every sample.

        Parameters
        ----------
        peak_v : ndarray, shape (S,)
            Amplitude of the generator's EMF, volt.
        start : ndarray, optional
            Waves of a neighbouring state, shape (S, n, N).
        """
        peak_v = np.broadcast_to(np.asarray(peak_v, dtype=float), (self.size,))
        near = self.first_guess(peak_v) if start is None else start
        if self.size > 1:
            waves, solved = self._newton(peak_v, near)
        else:
            waves, solved = np.empty(near.shape), np.zeros(1, dtype=bool)
        for sample in np.flatnonzero(~solved):
            alone = self._select(np.array([sample]))
            waves[sample], solved[sample] = approach(alone, float(peak_v[sample]), near[sample : sample + 1])
        excess = np.abs(self.excess(waves, self.sources(peak_v))[0]).max(axis=-1)
        furthest = np.argmax([excess[:, places].max(axis=1) for places in self._tube_places], axis=0)
        return Periodic(
            waves=waves, peak_v=peak_v, culprit=np.where(solved, -1, furthest), residual_a=excess.max(axis=1)
        )

    def _select(self, samples: Array) -> HarmonicBalance:
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

    def _newton(self, peak_v: Array, waves: Array) -> tuple[Array, Array]:
        sources = self.sources(peak_v)
        excess, slope = self.excess(waves, sources)
        solved = stalled = np.zeros(self.size, dtype=bool)
        for _ in range(NEWTON_STEPS):
            precondition = self._preconditioner(slope)
            step, left = self._gmres(slope, precondition, excess)
            stalled = stalled | (left > STALLED_RATIO)
            size = np.abs(step).max(axis=(1, 2))
            swing = np.maximum(np.ptp(waves, axis=2).max(axis=1), 1.0)
            near = np.abs(self._apply(precondition, excess)).max(axis=(1, 2))
            length = np.ones(self.size)
            for halving in range(HALVINGS + 1):
                trial = waves - length[:, None, None] * step
                excess, slope = self.excess(trial, sources)
                ahead = np.abs(self._apply(precondition, excess)).max(axis=(1, 2))
                worse = ~(ahead <= (1.0 - 0.1 * length) * near) & (size > STEP_RATIO * swing) & ~solved & ~stalled
                if halving == HALVINGS or not worse.any():
                    break
                length = np.where(worse, 0.5 * length, length)
            waves = trial
            solved = (size <= STEP_RATIO * swing * 100.0) & (ahead <= BALANCED_RATIO * swing)
            if (stalled | (size <= STEP_RATIO * swing)).all():
                break
        return waves, solved & ~stalled

    def _preconditioner(self, slope: Array) -> Array:
        return np.linalg.inv(self.y + slope.mean(axis=-1)[:, None])

    def _apply(self, matrix: Array, waves: Array) -> Array:
        spectrum = np.fft.rfft(waves, axis=-1)
        return np.fft.irfft(np.einsum("skij,sjk->sik", matrix, spectrum, optimize=True), self.instants, axis=-1)

    def _gmres(self, slope: Array, precondition: Array, right: Array) -> tuple[Array, Array]:
        """Solve (network + slopes) x = right for every sample; right-preconditioned, no restart.

        Also the share of the right side that is left, shape (S,).
        """
        shape = right.shape
        norm = np.sqrt((right**2).sum(axis=(1, 2)))
        alive = np.where(norm > 0.0, norm, 1.0)
        basis = [right / alive[:, None, None]]
        ahead: list[Array] = []
        hessenberg = np.zeros((self.size, GMRES_STEPS + 1, GMRES_STEPS))
        y, left = np.zeros((self.size, 0)), norm
        for m in range(GMRES_STEPS):
            direction = self._apply(precondition, basis[m])
            ahead.append(direction)
            new = self._network(direction) + np.einsum("sijt,sjt->sit", slope, direction, optimize=True)
            for i, old in enumerate(basis):
                hessenberg[:, i, m] = np.einsum("sit,sit->s", new, old)
                new = new - hessenberg[:, i, m, None, None] * old
            length = np.sqrt((new**2).sum(axis=(1, 2)))
            hessenberg[:, m + 1, m] = length
            basis.append(new / np.where(length > 0.0, length, 1.0)[:, None, None])
            target = np.zeros((self.size, m + 2))
            target[:, 0] = norm
            h = hessenberg[:, : m + 2, : m + 1]
            y = np.einsum("sij,sj->si", np.linalg.pinv(h), target)
            left = np.sqrt(((np.einsum("sij,sj->si", h, y) - target) ** 2).sum(axis=1))
            if (left <= GMRES_RATIO * norm).all():
                break
        step = np.zeros(shape)
        for m in range(y.shape[1]):
            step += y[:, m, None, None] * ahead[m]
        return step, left / alive

    def waves_at(self, state: Periodic, nodes: Sequence[int]) -> dict[int, Array]:
        """Waveforms of any nodes of a state, shape (S, N).

        Parameters
        ----------
        state : Periodic
            From `solve`.
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
            From `solve`.
        """
        spectrum = np.abs(np.fft.rfft(state.waves, axis=-1))[..., 1:]
        half = spectrum.shape[-1] // 2
        swing = np.maximum(spectrum.max(axis=-1), 1e-3 * state.waves.shape[-1])
        return np.asarray((spectrum[..., half:].max(axis=-1) / swing).max(axis=1))


def harmonics_v(wave: Array) -> Array:
    """Amplitudes of the harmonics of one period, volt peak.

    Parameters
    ----------
    wave : ndarray, shape (..., N)
        One period.

    Returns
    -------
    ndarray, shape (..., N/2 + 1)
        Mean first, then the harmonics.
    """
    spectrum = np.abs(np.fft.rfft(wave, axis=-1)) / wave.shape[-1]
    spectrum[..., 1:] *= 2.0
    return np.asarray(spectrum)


def distortion_ratio(wave: Array) -> Array:
    """Total harmonic distortion of one period: root of the summed squares of the harmonics over the fundamental.

    Parameters
    ----------
    wave : ndarray, shape (..., N)
        One period.
    """
    amplitudes = harmonics_v(wave)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((amplitudes[..., 2:] ** 2).sum(axis=-1)) / amplitudes[..., 1])
