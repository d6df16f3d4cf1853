"""Ohms between nodes with the power off and the tubes cold: what conducts is what conducts at rest, less tubes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .elements import GROUND, LEAKAGE_S, Array, Branch, Supply, Table
from .elimination import Elimination, Rows, add_entry
from .network import Circuit

MOST_OHM = 100e6
"""More than this no meter tells from open: what it shows bends over to that."""


class ColdNetwork:
    """A circuit with its supplies dead and its tubes cold.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key, shapes (S,) or (1,).
    left_out : frozenset of str
        Parts that are not there with the power off, as the generator at the input.

    Notes
    -----
    A rectifier blocks in one direction of the meter's leads, and a cold one in both: nothing goes into a supply.
    Capacitors are charged by the meter and leave their leak.
    """

    def __init__(self, circuit: Circuit, table: Table, left_out: frozenset[str] = frozenset()) -> None:
        self._table = table
        self._branches = [b for b in circuit.branches if not isinstance(b, Supply) and b.part not in left_out]
        rows: Rows = {n: {n: np.full(1, LEAKAGE_S)} for n in range(len(circuit.nodes))}
        for branch in self._branches:
            if (value := branch.dc(table)) is not None:
                for i, j, sign in ((branch.a, branch.a, 1.0), (branch.b, branch.b, 1.0), (branch.a, branch.b, -1.0),
                                   (branch.b, branch.a, -1.0)):  # fmt: skip
                    add_entry(rows, i, j, sign * value)
        self._factors = Elimination(rows, [*circuit.dc_order[0], *circuit.dc_order[1]])
        self._nodes = len(circuit.nodes)

    def volts(self, pairs: Sequence[tuple[int, int]]) -> list[dict[int, Array]]:
        """Volts of every node for one ampere into the first node of a pair and out of the second.

        Parameters
        ----------
        pairs : sequence of (int, int)
            Where the leads are.

        Returns
        -------
        list of dict of int to ndarray
            By node, shapes (S,) or (1,).
        """
        found = []
        for a, b in pairs:
            currents = {node: np.full(1, amps) for node, amps in ((a, 1.0), (b, -1.0)) if node != GROUND and a != b}
            solved = self._factors.solve(currents, range(self._nodes)) if currents else {}
            found.append({GROUND: np.zeros(1), **solved})
        return found

    def ohms(self, pairs: Sequence[tuple[int, int]], count: int) -> Array:
        """What a meter shows between nodes, shape (S, P).

        Parameters
        ----------
        pairs : sequence of (int, int)
            P places of the leads.
        count : int
            S samples.
        """
        shown = [_across(v, *pair) for v, pair in zip(self.volts(pairs), pairs, strict=True)]
        return np.stack([np.broadcast_to(_up_to_most(ohm), (count,)) for ohm in shown], axis=1)

    def slopes(
        self, pairs: Sequence[tuple[int, int]], moves: Mapping[str, Array], count: int
    ) -> tuple[Array, Array]:
        """What a meter shows, and how it moves with the values.

        Parameters
        ----------
        pairs : sequence of (int, int)
            P places of the leads.
        moves : mapping of str to ndarray, shape (S,)
            K values that move, each with the change that counts as one.
        count : int
            S samples.

        Returns
        -------
        shown : ndarray, shape (S, P)
            As `ohms`.
        slopes : ndarray, shape (S, P, K)
            In ohms for one move.

        Notes
        -----
        ``dR = -sum (v_a - v_b)**2 dG`` over the branches, v the volts for one ampere (Tellegen's theorem).
        """
        found = self.volts(pairs)
        shown = self.ohms(pairs, count)
        slopes = np.zeros((count, len(pairs), len(moves)))
        for column, (key, move) in enumerate(moves.items()):
            for branch, change in self._moved(key, move):
                for place, v in enumerate(found):
                    slopes[:, place, column] -= _across(v, branch.a, branch.b) ** 2 * change
        for place, (v, pair) in enumerate(zip(found, pairs, strict=True)):
            slopes[:, place] /= (np.hypot(1.0, _across(v, *pair) / MOST_OHM) ** 3)[:, None]
        return shown, slopes

    def _moved(self, key: str, move: Array) -> list[tuple[Branch, Array]]:
        """Branches whose conductance a value moves, and by how much for one move."""
        if key not in self._table:
            return []
        small = 1e-4 * np.asarray(move)
        with_it = {**self._table, key: self._table[key] + small}
        found = []
        for branch in self._branches:
            if key not in branch.keys(self._table):
                continue
            before, after = branch.dc(self._table), branch.dc(with_it)
            if after is not None:
                found.append((branch, (after - (0.0 if before is None else before)) / 1e-4))
        return found


def _across(volts: Mapping[int, Array], a: int, b: int) -> Array:
    none = np.zeros(1)
    return np.asarray(volts.get(a, none) - volts.get(b, none))


def _up_to_most(ohm: Array) -> Array:
    return np.asarray(ohm / np.hypot(1.0, ohm / MOST_OHM))
