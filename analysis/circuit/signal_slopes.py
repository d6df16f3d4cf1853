"""How small-signal volts move with every value, by the adjoint network over frequency.

With ``Y v = i``: ``dv_n = -lambda_n' dY v``, where ``lambda_n`` is row n of the inverse (S. Director, R. Rohrer,
IEEE Trans. Circuit Theory 16 (1969) 318; from memory). ``dY`` holds what a value does to its own branch, and what
it does to the slopes of every tube by moving the operating point.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .elements import GROUND, Array, Branch, Supply, Table
from .sensitivity import NUDGE, RestSlopes
from .terms import Term, Terms

NUDGE_V = 1e-3
"""How far the volts of a tube are moved to see its slopes bend."""


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
        branches = [b for b in circuit.branches if not (isinstance(b, Supply) and b.key in rectified)]
        plain = [b for b in branches if type(b).terms is Branch.terms]
        self._admitting = Terms(list(self._of_plain(plain)), (count, len(self.s)), complex)
        # Windings weigh the volts of their nodes by turns, which may move too.
        self._weighed = [(branch, self._moving(branch)) for branch in branches if branch not in plain]

    def _moving(self, branch: Branch) -> list[str]:
        return sorted(self.rest.network.keys(branch, self.rest.table, True) & self.rest.moves.keys())

    def _of_plain(self, branches: Sequence[Branch]) -> Iterator[Term]:
        """Change of the admittance of each branch that a move reaches."""
        rest, size = self.rest, len(self.rest.circuit.nodes)
        moved = dict(rest.table)
        for branch in branches:
            a, b = (size if node == GROUND else node for node in (branch.a, branch.b))
            keys = self._moving(branch)
            before = branch.ac(rest.table, self.s) if keys else None
            for key in keys:
                moved[key] = rest.table[key] + NUDGE * rest.moves[key]
                after = branch.ac(moved, self.s)
                moved[key] = rest.table[key]
                if after is not None:
                    yield rest.keys[key], a, b, (after - (0.0 if before is None else before)) / NUDGE

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
        freq = np.array([seen.freq for seen in wanted], dtype=int)
        # A single node is a pair whose input weighs nothing.
        ends = np.array([[seen.nodes[0], seen.nodes[-1]] for seen in wanted], dtype=int).reshape(-1, 2).T
        paired = (ends[0] != ends[1]).astype(float)
        y, z = self.probe_s[freq], self.inverse
        bare = z[:, freq, :, self.source] * np.broadcast_to(self.source_s, (self.rest.count,))[:, None]
        bare = bare.transpose(1, 0, 2)
        volts_at = [np.take_along_axis(bare, end[None, :, None], axis=2)[..., 0] for end in ends]
        own = [[z[:, freq, i, j] for j in ends] for i in ends]
        with np.errstate(divide="ignore", invalid="ignore"):
            # Of both probes, [[1 + y*zaa, y*zab], [y*zba, 1 + y*zbb]], inverted.
            both = paired * y
            down = (1.0 + y * own[1][1]) * (1.0 + both * own[0][0]) - both * y * own[0][1] * own[1][0]
            probed = [
                [(1.0 + y * own[1][1]) / down, -y * own[0][1] / down],
                [-both * own[1][0] / down, (1.0 + both * own[0][0]) / down],
            ]
            at = [row[0] * volts_at[0] + row[1] * volts_at[1] for row in probed]
            rows = [z[:, freq, end] for end in ends]
            seen_from = [row[0][..., None] * rows[0] + row[1][..., None] * rows[1] for row in probed]
            columns = [z[:, freq, :, end].transpose(1, 0, 2) for end in ends]
            volts = bare - (both * at[0])[..., None] * columns[0] - (y * at[1])[..., None] * columns[1]
            adjoint = seen_from[1] / at[1][..., None]
            adjoint = adjoint - np.where(paired[:, None] > 0.0, seen_from[0] / at[0][..., None], 0.0)
            values = np.where(paired > 0.0, at[1] / at[0], at[1])
        slopes = -self._of_branches(freq, adjoint, volts) - self._of_tubes(adjoint, volts)
        return values, slopes

    def _of_branches(self, freq: Array, adjoint: Array, volts: Array) -> Array:
        """``adjoint' dY volts`` of what the moves do to the branches themselves, shape (S, C, K)."""
        rest, plain = self.rest, self._admitting
        rise = plain.change[:, :, freq].transpose(1, 2, 0)
        result = plain.by_move(plain.across(adjoint) * plain.across(volts) * rise, len(rest.moves))
        for branch, keys in self._weighed:
            before = self._through(branch, rest.table, freq, adjoint, volts) if keys else 0.0
            for key in keys:
                moved = {**rest.table, key: rest.table[key] + NUDGE * rest.moves[key]}
                after = self._through(branch, moved, freq, adjoint, volts)
                result[:, :, rest.keys[key]] += (after - before) / NUDGE
        return result

    def _through(self, branch: Branch, table: Table, freq: Array, adjoint: Array, volts: Array) -> Array | float:
        """Admittance of a branch times the volts across it in both networks, shape (S, C)."""
        value = branch.ac(table, self.s)
        if value is None:
            return 0.0
        value = np.broadcast_to(value, (self.rest.count, len(self.s)))[:, freq]
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
        left, right = (np.concatenate([v, np.zeros((*v.shape[:2], 1))], axis=2) for v in (adjoint, volts))
        across = (left[:, :, rows] - left[:, :, cathodes]) * (right[:, :, columns] - right[:, :, cathodes])
        return np.asarray(across.real @ rise + 1j * (across.imag @ rise))

    @cached_property
    def _tube_moves(self) -> tuple[Array, Array, Array, Array]:
        """Electrode of the current, of the volts, cathode (E,) of every slope of a tube, and its move (S, E, K)."""
        rest = self.rest
        network, count, size = rest.network, rest.count, len(rest.circuit.nodes)
        grounded = np.concatenate([rest.volts[network.linear :], np.zeros((1, count))])
        moving = np.concatenate([rest.slopes[:, network.linear :], np.zeros((count, 1, len(rest.moves)))], axis=1)
        numbers: list[tuple[int, int, int]] = []
        rises: list[Array] = []
        for group in network.groups:
            bends = group.bends(rest.table, rest.moves, grounded, NUDGE_V, NUDGE)
            for place, number in enumerate(group.numbers):
                tube, cathode = rest.circuit.tubes[number], group.cathodes[place]
                own = {
                    rest.keys[f"{tube.key}.{e}"]: n
                    for n, e in enumerate(group.endings)
                    if f"{tube.key}.{e}" in rest.keys
                }
                across = moving[:, group.electrodes[place]] - moving[:, [cathode]]
                for (i, j), (by_volts, by_value) in bends.items():
                    rise = np.einsum("es,sek->sk", by_volts[:, place], across)
                    for key, ending in own.items():
                        rise[:, key] += by_value[ending, place]
                    numbers.append((tube.electrodes[i], tube.electrodes[j], tube.cathode))
                    rises.append(rise)
        if not numbers:
            none = np.zeros(0, dtype=int)
            return none, none, none, np.zeros((count, 0, len(rest.moves)))
        ends = np.where(np.array(numbers) == GROUND, size, np.array(numbers))
        return ends[:, 0], ends[:, 1], ends[:, 2], np.stack(rises, axis=1)
