"""Ohms between nodes with the power off and the tubes cold: what conducts is what conducts at rest, less tubes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .elements import GROUND, Array, Supply, Table
from .elimination import Elimination
from .network import Circuit

MOST_OHM = 100e6
"""More than this no meter tells from open: what it shows bends over to that."""


def without_power(circuit: Circuit, left_out: frozenset[str] = frozenset()) -> Circuit:
    """A circuit with its supplies dead and its tubes cold.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    left_out : frozenset of str
        Parts that are not there with the power off, as the generator at the input.

    Notes
    -----
    A rectifier blocks in one direction of the meter's leads, and a cold one in both: nothing goes into a supply.
    Capacitors are charged by the meter and leave their leak.
    """
    kept = [b for b in circuit.branches if not isinstance(b, Supply) and b.part not in left_out]
    return Circuit(nodes=circuit.nodes, branches=tuple(kept), tubes=())


class ColdNetwork:
    """What a meter reads on a circuit without power.

    Parameters
    ----------
    circuit : Circuit
        From `without_power`.
    table : mapping of str to ndarray
        Values by key, shapes (S,) or (1,).
    """

    def __init__(self, circuit: Circuit, table: Table) -> None:
        self._circuit, self._table = circuit, table
        linear, others = circuit.dc_order
        self._factors = Elimination(circuit.dc_rows(table), linear + others)

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
            solved = self._factors.solve(currents) if currents else {}
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
        return _shown(self.volts(pairs), pairs, count)

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
        slopes = np.zeros((count, len(pairs), len(moves)))
        column = {key: number for number, key in enumerate(moves)}
        for key, branch, _, change in self._circuit.dense.moved(moves, self._table):
            for place, v in enumerate(found):
                slopes[:, place, column[key]] -= _across(v, branch.a, branch.b) ** 2 * change
        for place, (v, pair) in enumerate(zip(found, pairs, strict=True)):
            slopes[:, place] /= (np.hypot(1.0, _across(v, *pair) / MOST_OHM) ** 3)[:, None]
        return _shown(found, pairs, count), slopes


def _across(volts: Mapping[int, Array], a: int, b: int) -> Array:
    none = np.zeros(1)
    return np.asarray(volts.get(a, none) - volts.get(b, none))


def _shown(found: Sequence[Mapping[int, Array]], pairs: Sequence[tuple[int, int]], count: int) -> Array:
    ohms = [_across(v, *pair) for v, pair in zip(found, pairs, strict=True)]
    return np.stack([np.broadcast_to(ohm / np.hypot(1.0, ohm / MOST_OHM), (count,)) for ohm in ohms], axis=1)
