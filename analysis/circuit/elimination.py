"""Sparse elimination over arrays: one matrix pattern, any number of samples and frequencies at once.

Every entry of the matrix is an array of its own, and entries broadcast against each other: what does not vary from
sample to sample stays one number wide all through the elimination. Chassis are nearly trees, so with a good order
the fill is small and a system of forty nodes costs some hundreds of array operations, whatever the batch.

No pivoting: nodal matrices of resistors, capacitors and windings have dominant diagonals; tubes disturb that
mildly. `analysis.circuit.dc` checks its residuals, and the tests compare responses with an independent solver.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

Entry = np.ndarray[Any, Any]
Rows = dict[int, dict[int, Entry]]
Vector = dict[int, Entry]


def add_entry(rows: Rows, i: int, j: int, value: Entry) -> None:
    """Add to one entry of a matrix.

    Parameters
    ----------
    rows : dict of dict
        The matrix, changed in place.
    i, j : int
        Row and column; a negative one is ground and has no entry.
    value : ndarray
        What to add.
    """
    if i >= 0 and j >= 0:
        row = rows[i]
        row[j] = row[j] + value if j in row else value


def elimination_order(size: int, pairs: Iterable[tuple[int, int]], last: frozenset[int] = frozenset()) -> list[int]:
    """Order nodes by least degree, a given set behind all others.

    Parameters
    ----------
    size : int
        Number of nodes.
    pairs : iterable of (int, int)
        Nodes joined by an element.
    last : frozenset of int
        Nodes that come after all others.

    Returns
    -------
    list of int
        All nodes.
    """
    near: list[set[int]] = [set() for _ in range(size)]
    for a, b in pairs:
        if a >= 0 and b >= 0 and a != b:
            near[a].add(b)
            near[b].add(a)
    order: list[int] = []
    left = set(range(size))
    while left:
        node = min(left, key=lambda n: (n in last, len(near[n]), n))
        left.discard(node)
        order.append(node)
        for other in near[node]:
            near[other] |= near[node]
            near[other] -= {other, node}
    return order


class Elimination:
    """A matrix with the nodes of ``order`` eliminated; the others keep a smaller (Schur) system.

    Parameters
    ----------
    rows : dict of dict of ndarray
        The matrix; taken over and changed.
    order : list of int
        Nodes to eliminate, in this order.

    Attributes
    ----------
    rows : dict of dict of ndarray
        For an eliminated node its pivot row; for a node that is left its row of the smaller system.
    """

    def __init__(self, rows: Rows, order: list[int]) -> None:
        self.rows = rows
        self.order = order
        self.lower: list[tuple[int, list[tuple[int, Entry]]]] = []
        holders: dict[int, list[int]] = {k: [] for k in rows}
        for i, row in rows.items():
            for j in row:
                holders[j].append(i)
        done: set[int] = set()
        for k in order:
            row = rows[k]
            done.add(k)
            inverse = 1.0 / row[k]
            ahead = [(j, entry) for j, entry in row.items() if j != k]
            factors = []
            for i in holders[k]:
                if i in done:
                    continue
                target = rows[i]
                factor = target.pop(k) * inverse
                factors.append((i, factor))
                for j, entry in ahead:
                    change = factor * entry
                    if j in target:
                        target[j] = target[j] - change
                    else:
                        target[j] = -change
                        holders[j].append(i)
            row[k] = inverse
            self.lower.append((k, factors))

    def reduce(self, right: Mapping[int, Entry]) -> Vector:
        """Carry right-hand sides through the elimination.

        Parameters
        ----------
        right : mapping of int to ndarray
            Right-hand side; absent nodes are zero. Leading axes are further right-hand sides.
        """
        result = dict(right)
        for k, factors in self.lower:
            if k in result:
                for i, factor in factors:
                    change = factor * result[k]
                    result[i] = result[i] - change if i in result else -change
        return result

    def expand(
        self, reduced: Mapping[int, Entry], known: Mapping[int, Entry], wanted: Iterable[int] = ()
    ) -> Vector:
        """Find the eliminated unknowns from those that were left.

        Parameters
        ----------
        reduced : mapping of int to ndarray
            From `reduce`.
        known : mapping of int to ndarray
            Solution of the smaller system.
        wanted : iterable of int
            Nodes needed; all when empty.

        Returns
        -------
        dict of int to ndarray
            The known and the found unknowns.
        """
        needed = self._ancestors(wanted) if wanted else None
        found = dict(known)
        for k in reversed(self.order):
            if needed is not None and k not in needed:
                continue
            total = reduced.get(k)
            for j, entry in self.rows[k].items():
                if j != k and j in found:
                    change = entry * found[j]
                    total = -change if total is None else total - change
            if total is not None:
                found[k] = total * self.rows[k][k]
        return found

    def _ancestors(self, wanted: Iterable[int]) -> set[int]:
        needed = set(wanted)
        for k in self.order:
            if k in needed:
                needed.update(self.rows[k])
        return needed

    def solve(self, right: Mapping[int, Entry], wanted: Iterable[int] = ()) -> Vector:
        """Solve when every node is eliminated.

        Parameters
        ----------
        right : mapping of int to ndarray
            Right-hand side; absent nodes are zero.
        wanted : iterable of int
            Nodes needed; all when empty.
        """
        return self.expand(self.reduce(right), {}, wanted)
