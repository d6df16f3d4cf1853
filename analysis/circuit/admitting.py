"""What every move does to the admittances of a chassis at rest: its branches, and the slopes of its tubes.

With ``Y v = i``: ``dv_n = -lambda_n' dY v + lambda_n' di``, where ``lambda_n`` is row n of the inverse
(S. Director, R. Rohrer, IEEE Trans. Circuit Theory 16 (1969) 318; from memory). ``dY`` holds what a value does to
its own branch, and what it does to the slopes of every tube by moving the operating point.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from .dense import NUDGE
from .elements import GROUND, Array, Branch, Supply, Table
from .sensitivity import RestSlopes
from .terms import Term, Terms


class Admitting:
    """A chassis linearized at its operating point.

    Parameters
    ----------
    rest : RestSlopes
        The operating point with its moves.
    table : mapping
        Values by key; those of the operating point, but for rails that conduct otherwise here.
    freq_hz : ndarray, shape (F,)
        Frequencies above zero.
    rectified : frozenset of str
        Rails whose line comes from a rectifier: what moves them does not move their slope noticeably.

    Attributes
    ----------
    s : ndarray, shape (F,)
        ``j*omega``.
    inverse : ndarray, shape (S, F, N, N)
        Volts at a node for one ampere into another.
    """

    def __init__(self, rest: RestSlopes, table: Table, freq_hz: Array, rectified: frozenset[str]) -> None:
        self.rest, self._table = rest, table
        circuit, count = rest.circuit, rest.count
        self.s: Array = 2j * np.pi * np.asarray(freq_hz, dtype=float)
        size = len(circuit.nodes)
        whole = np.zeros((count, len(self.s), size, size), dtype=complex)
        for i, row in circuit.ac_rows(table, self.s, rest.tubes.slopes).items():
            for j, value in row.items():
                whole[:, :, i, j] = value
        self.inverse = np.linalg.inv(whole)
        branches = [b for b in circuit.branches if not (isinstance(b, Supply) and b.key in rectified)]
        plain = [b for b in branches if type(b).terms is Branch.terms]
        self._admitting = Terms(list(self._of_plain(plain)), (count, len(self.s)), complex)
        # Windings weigh the volts of their nodes by turns, which may move too.
        self._weighed = [(branch, self._moving(branch)) for branch in branches if branch not in plain]

    def moved(self, freq: Array, adjoint: Array, volts: Array) -> Array:
        """``adjoint' dY volts`` of every move, shape (S, C, K).

        Parameters
        ----------
        freq : ndarray of int, shape (C,)
            Which frequency.
        adjoint, volts : ndarray, shape (S, C, N)
            Of all nodes.
        """
        return self._of_branches(freq, adjoint, volts) + self._of_tubes(adjoint, volts)

    def _moving(self, branch: Branch) -> list[str]:
        return sorted(self.rest.network.keys(branch, self._table, True) & self.rest.moves.keys())

    def _of_plain(self, branches: Sequence[Branch]) -> Iterator[Term]:
        """Change of the admittance of each branch that a move reaches."""
        rest, size = self.rest, len(self.rest.circuit.nodes)
        moved = dict(self._table)
        for branch in branches:
            a, b = (size if node == GROUND else node for node in (branch.a, branch.b))
            keys = self._moving(branch)
            before = branch.ac(self._table, self.s) if keys else None
            for key in keys:
                moved[key] = self._table[key] + NUDGE * rest.moves[key]
                after = branch.ac(moved, self.s)
                moved[key] = self._table[key]
                if after is not None:
                    yield rest.keys[key], a, b, (after - (0.0 if before is None else before)) / NUDGE

    def _of_branches(self, freq: Array, adjoint: Array, volts: Array) -> Array:
        """``adjoint' dY volts`` of what the moves do to the branches themselves, shape (S, C, K)."""
        rest, plain = self.rest, self._admitting
        rise = plain.change[:, :, freq].transpose(1, 2, 0)
        result = plain.by_move(plain.across(adjoint) * plain.across(volts) * rise, len(rest.moves))
        for branch, keys in self._weighed:
            before = self._through(branch, self._table, freq, adjoint, volts) if keys else 0.0
            for key in keys:
                moved = {**self._table, key: self._table[key] + NUDGE * rest.moves[key]}
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
        rows, columns, cathodes, rise = self.rest.tube_moves
        if not len(rows):
            return np.zeros((*adjoint.shape[:2], len(self.rest.moves)))
        left, right = (np.concatenate([v, np.zeros((*v.shape[:2], 1))], axis=2) for v in (adjoint, volts))
        across = (left[:, :, rows] - left[:, :, cathodes]) * (right[:, :, columns] - right[:, :, cathodes])
        return np.asarray(across.real @ rise + 1j * (across.imag @ rise))
