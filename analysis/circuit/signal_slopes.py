"""How small-signal volts move with every value, by the adjoint network over frequency.

With ``Y v = i``: ``dv_n = -lambda_n' dY v``, where ``lambda_n`` is row n of the inverse (S. Director, R. Rohrer,
IEEE Trans. Circuit Theory 16 (1969) 318; from memory). ``dY`` holds what a value does to its own branch, and what
it does to the slopes of every tube by moving the operating point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .elements import GROUND, Array, Branch, Supply, Table
from .sensitivity import NUDGE, RestSlopes


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One small-signal quantity: volts at a node, or the ratio of two, probes in place.

    Parameters
    ----------
    freq : int
        Which of the frequencies.
    nodes : tuple of int
        One node, or input and output; none of them ground, and not twice the same.
    """

    freq: int
    nodes: tuple[int, ...]


class SignalSlopes:
    """A chassis linearized at its operating point, with the slopes of what a scope shows.

    Parameters
    ----------
    rest : RestSlopes
        The operating point with its moves.
    freq_hz : ndarray, shape (F,)
        Frequencies above zero.
    source : int
        Node the generator feeds.
    source_s : ndarray
        Conductance of the generator, shape (S,) or (1,).
    probe_s : ndarray, shape (F,)
        Admittance of a probe, one on every node of a `Seen`.
    rectified : frozenset of str
        Rails whose line comes from a rectifier: what moves them does not move their slope noticeably.
    """

    def __init__(
        self,
        rest: RestSlopes,
        freq_hz: Array,
        source: int,
        source_s: Array,
        probe_s: Array,
        rectified: frozenset[str] = frozenset(),
    ) -> None:
        self.rest, self.source, self.source_s, self.probe_s = rest, source, source_s, probe_s
        circuit, count = rest.circuit, rest.count
        self.s: Array = 2j * np.pi * np.asarray(freq_hz, dtype=float)
        size = len(circuit.nodes)
        whole = np.zeros((count, len(self.s), size, size), dtype=complex)
        for i, row in circuit.ac_rows(rest.table, self.s, rest.tubes.slopes).items():
            for j, value in row.items():
                whole[:, :, i, j] = value
        self.inverse = np.linalg.inv(whole)
        self._branches = [
            (branch, sorted(rest.network.keys(branch, rest.table, True) & rest.moves.keys()))
            for branch in circuit.branches
            if not (isinstance(branch, Supply) and branch.key in rectified)
        ]

    def look(self, wanted: Sequence[Seen]) -> tuple[Array, Array]:
        """Complex values and the slopes of their logarithms.

        Parameters
        ----------
        wanted : sequence of Seen
            C quantities.

        Returns
        -------
        values : ndarray, shape (S, C)
            Volts for one volt from the generator, or the ratio of output to input.
        slopes : ndarray, shape (S, C, K)
            ``d ln(value)`` by each move: the real part is relative, the imaginary part radians.
        """
        count, size = self.rest.count, len(self.rest.circuit.nodes)
        values = np.empty((count, len(wanted)), dtype=complex)
        adjoint = np.zeros((count, len(wanted), size + 1), dtype=complex)
        volts = np.zeros_like(adjoint)
        drive = np.broadcast_to(self.source_s, (count,))
        with np.errstate(divide="ignore", invalid="ignore"):
            for column, seen in enumerate(wanted):
                ends = list(seen.nodes)
                z, y = self.inverse[:, seen.freq], self.probe_s[seen.freq]
                bare = z[:, :, self.source] * drive[:, None]
                probed = np.linalg.inv(np.eye(len(ends)) + y * z[:, ends][:, :, ends])
                rows = probed @ z[:, ends]
                at = (probed @ bare[:, ends, None])[..., 0]
                volts[:, column, :-1] = bare - y * (z[:, :, ends] @ at[..., None])[..., 0]
                values[:, column] = at[:, -1] / at[:, 0] if len(ends) > 1 else at[:, 0]
                adjoint[:, column, :-1] = rows[:, -1] / at[:, -1:]
                if len(ends) > 1:
                    adjoint[:, column, :-1] -= rows[:, 0] / at[:, :1]
        slopes = -self._of_branches(wanted, adjoint, volts) - self._of_tubes(adjoint, volts)
        return values, slopes

    def _of_branches(self, wanted: Sequence[Seen], adjoint: Array, volts: Array) -> Array:
        """``adjoint' dY volts`` of what the moves do to the branches themselves, shape (S, C, K)."""
        rest, column = self.rest, np.array([seen.freq for seen in wanted])
        result = np.zeros((*adjoint.shape[:2], len(rest.moves)), dtype=complex)
        for branch, keys in self._branches:
            if not keys:
                continue
            before = self._through(branch, rest.table, column, adjoint, volts)
            for key in keys:
                moved = {**rest.table, key: rest.table[key] + NUDGE * rest.moves[key]}
                after = self._through(branch, moved, column, adjoint, volts)
                result[:, :, rest.keys[key]] += (after - before) / NUDGE
        return result

    def _through(self, branch: Branch, table: Table, column: Array, adjoint: Array, volts: Array) -> Array | float:
        """Admittance of a branch times the volts across it in both networks, shape (S, C)."""
        value = branch.ac(table, self.s)
        if value is None:
            return 0.0
        value = np.broadcast_to(value, (self.rest.count, len(self.s)))[:, column]
        there: Array | float = 0.0
        back: Array | float = 0.0
        for node, weight in branch.terms(table):
            if node != GROUND:
                share = weight if isinstance(weight, float) else np.asarray(weight)[..., None]
                there = there + adjoint[:, :, node] * share
                back = back + volts[:, :, node] * share
        return np.asarray(value * there * back)

    def _of_tubes(self, adjoint: Array, volts: Array) -> Array:
        """``adjoint' dY volts`` of what the moves do to the slopes of the tubes, shape (S, C, K)."""
        rows, columns, cathodes, rise = self._tube_moves
        if not len(rows):
            return np.zeros((*adjoint.shape[:2], len(self.rest.moves)))
        across = (adjoint[:, :, rows] - adjoint[:, :, cathodes]) * (volts[:, :, columns] - volts[:, :, cathodes])
        return np.asarray(across.real @ rise + 1j * (across.imag @ rise))

    @cached_property
    def _tube_moves(self) -> tuple[Array, Array, Array, Array]:
        """Electrode of the current, of the volts, cathode (E,) of every slope of a tube, and its move (S, E, K)."""
        rest = self.rest
        network, count, width = rest.network, rest.count, len(rest.moves)
        kept = rest.volts[network.linear :]
        moved = kept[:, :, None] + NUDGE * rest.slopes[:, network.linear :].transpose(1, 0, 2)
        grounded = np.concatenate([moved.reshape(len(kept), -1), np.zeros((1, count * width))])
        numbers: list[tuple[int, int, int]] = []
        rises: list[Array] = []
        size = len(rest.circuit.nodes)
        for group in network.groups:
            table: dict[str, Array] = {}
            for key in (f"{key}.{ending}" for key in group.keys for ending in group.endings):
                value = np.repeat(np.broadcast_to(rest.table[key], (count,))[:, None], width, axis=1).astype(float)
                if key in rest.moves:
                    value[:, rest.keys[key]] += NUDGE * rest.moves[key]
                table[key] = value.ravel()
            _, after = group.drawn(group.specimen(table), grounded)
            for i, row in enumerate(after):
                for j, slopes in enumerate(row):
                    for place, number in enumerate(group.numbers):
                        before = rest.tubes.slopes[number][i][j]
                        if slopes is None and before is None:
                            continue
                        tube = rest.circuit.tubes[number]
                        numbers.append((tube.electrodes[i], tube.electrodes[j], tube.cathode))
                        new = np.zeros((count, width))
                        if slopes is not None:
                            wide = np.broadcast_to(slopes, (len(group.keys), count * width))
                            new = wide[place].reshape(count, width)
                        old = 0.0 if before is None else np.broadcast_to(before, (count,))[:, None]
                        rises.append((new - old) / NUDGE)
        if not numbers:
            none = np.zeros(0, dtype=int)
            return none, none, none, np.zeros((count, 0, width))
        ends = np.where(np.array(numbers) == GROUND, size, np.array(numbers))
        return ends[:, 0], ends[:, 1], ends[:, 2], np.stack(rises, axis=1)
