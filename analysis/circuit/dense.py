"""Operating points of small batches from neighbouring ones, as dense matrices over samples.

The sparse elimination of `analysis.circuit.dc` costs hundreds of array operations a Newton step whatever the batch:
right for thousands of samples, slow for the tens that a diagnosis follows at a time. Here sections of one
kind are evaluated together, and a Newton step is one batched solution (`dense_newton`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .elements import GROUND, LEAKAGE_S, Array, Branch, Supply, Table
from .grouping import Group, wide
from .sections import Pentode, Specimen, Triode, Tube, TubeSlopes

NUDGE = 1e-4
"""How far a value is moved, as a share of one unit of its move."""

FEW = 1000
"""Samples up to which dense matrices serve better than sparse elimination."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """What the tubes draw at given volts, with slopes.

    Parameters
    ----------
    currents : tuple of tuple of ndarray
        For each section, shape (S,), ampere.
    slopes : tuple of TubeSlopes
        For each section, siemens.
    """

    currents: tuple[tuple[Array, ...], ...]
    slopes: tuple[TubeSlopes, ...]


class DenseNetwork:
    """A circuit as its matrices.

    Parameters
    ----------
    nodes : int
        How many.
    branches : sequence of Branch
        Everything linear.
    tubes : sequence of Triode or Pentode
        Sections. Their nodes and those of rails stay in the Newton system, all others are eliminated first.

    Attributes
    ----------
    order : list of int
        Nodes in the order of the matrices: the eliminated, then the kept.
    kept : list of int
        Nodes of the Newton system.
    """

    def __init__(self, nodes: int, branches: Sequence[Branch], tubes: Sequence[Tube]) -> None:
        self.supplies = [branch for branch in branches if isinstance(branch, Supply)]
        kept = {n for tube in tubes for n in tube.nodes} | {supply.a for supply in self.supplies}
        self.kept = sorted(kept - {GROUND})
        self.order = [n for n in range(nodes) if n not in kept] + self.kept
        self.linear = len(self.order) - len(self.kept)
        self._place = {n: place for place, n in enumerate(self.order)} | {GROUND: len(self.order)}
        self.branches = [b for b in branches if not isinstance(b, Supply)]
        self._entries, self._weights = self._incidence()
        kinds: dict[Any, list[tuple[int, Triode | Pentode]]] = {}
        for number, tube in enumerate(tubes):
            law = tube.parameters
            kind = (type(tube), getattr(law, "law", ""), law.grid is None)
            kinds.setdefault(kind, []).append((number, tube))
        self.groups = [Group(tubes, self._kept_place) for tubes in kinds.values()]
        self._into, self._stamps = self._tube_incidence()
        self._keys: dict[tuple[Branch, bool], frozenset[str]] = {}
        self._reached: dict[frozenset[str], list[tuple[Branch, int, int, tuple[str, ...]]]] = {}

    def _kept_place(self, node: int) -> int:
        """Row of a node in the Newton system; ground is the row after the last."""
        return self._place[node] - self.linear

    def _incidence(self) -> tuple[tuple[Array, Array], Array]:
        """Matrix entries that branches reach, and the weight of each branch in each."""
        reached: dict[tuple[int, int], dict[int, float]] = {(n, n): {} for n in range(len(self.order))}
        for number, branch in enumerate(self.branches):
            a, b = self._place[branch.a], self._place[branch.b]
            for i, j, sign in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
                if max(i, j) < len(self.order):
                    entry = reached.setdefault((i, j), {})
                    entry[number] = entry.get(number, 0.0) + sign
        weights = np.zeros((len(reached), len(self.branches)))
        for row, entry in enumerate(reached.values()):
            for number, sign in entry.items():
                weights[row, number] = sign
        return (np.array([i for i, _ in reached]), np.array([j for _, j in reached])), weights

    def _tube_incidence(self) -> tuple[Array, Array]:
        """How currents and slopes of the sections enter the Newton system (ground in the last row)."""
        size = len(self.kept) + 1
        into: list[Array] = []
        stamps: list[Array] = []
        for group in self.groups:
            for i in range(group.electrodes.shape[1]):
                for tube, cathode in zip(group.electrodes, group.cathodes, strict=True):
                    column = np.zeros(size)
                    column[tube[i]] += 1.0
                    column[cathode] -= 1.0
                    into.append(column)
            for i in range(group.electrodes.shape[1]):
                for j in range(group.electrodes.shape[1]):
                    for tube, cathode in zip(group.electrodes, group.cathodes, strict=True):
                        stamp = np.zeros((size, size))
                        stamp[tube[i], tube[j]] += 1.0
                        stamp[tube[i], cathode] -= 1.0
                        stamp[cathode, tube[j]] -= 1.0
                        stamp[cathode, cathode] += 1.0
                        stamps.append(stamp[:-1, :-1].ravel())
        width = size - 1
        return (
            np.array(into).reshape(len(into), size)[:, :-1],
            np.array(stamps).reshape(len(stamps), width * width),
        )

    def keys(self, branch: Branch, table: Table, over_frequency: bool = False) -> frozenset[str]:
        """`Branch.keys`, found once.

        Parameters
        ----------
        branch : Branch
            Of this circuit.
        table : mapping
            Values by key.
        over_frequency : bool
            Keys of the admittance.
        """
        known = self._keys.get((branch, over_frequency))
        if known is None:
            known = self._keys[branch, over_frequency] = branch.keys(table, over_frequency)
        return known

    def reached(self, moving: Collection[str], table: Table) -> list[tuple[Branch, int, int, tuple[str, ...]]]:
        """Branches whose conductance depends on some keys, with both rows in `order` and those keys; found once.

        Parameters
        ----------
        moving : collection of str
            Keys.
        table : mapping
            Values by key.
        """
        chosen = frozenset(moving)
        if chosen not in self._reached:
            every = ((b, sorted(self.keys(b, table) & chosen)) for b in self.branches)
            self._reached[chosen] = [(b, self._place[b.a], self._place[b.b], tuple(k)) for b, k in every if k]
        return self._reached[chosen]

    def moved(
        self, moves: Mapping[str, Array], table: Table
    ) -> Iterator[tuple[str, Branch, tuple[int, int], Array]]:
        """Change of the conductance of each branch that a move reaches.

        Parameters
        ----------
        moves : mapping of str to ndarray
            Key to the change of its value that counts as one unit, shape (S,).
        table : mapping
            Values by key.

        Yields
        ------
        key, branch, (a, b), change
            What moves, the branch, both its rows in `order`, and siemens for one unit.
        """
        nudged = dict(table)
        for branch, a, b, keys in self.reached(moves.keys(), table):
            before = branch.dc(table)
            for key in keys:
                nudged[key] = table[key] + NUDGE * moves[key]
                after = branch.dc(nudged)
                nudged[key] = table[key]
                if after is not None:
                    yield key, branch, (a, b), (after - (0.0 if before is None else before)) / NUDGE

    def matrix(self, table: Table, count: int) -> Array:
        """Conductances of everything but tubes and rails, shape (S, N, N), nodes in `order`.

        Parameters
        ----------
        table : mapping
            Values by key.
        count : int
            S.
        """
        size = len(self.order)
        conductances = np.zeros((len(self.branches), count))
        for row, branch in zip(conductances, self.branches, strict=True):
            value = branch.dc(table)
            if value is not None:
                row[:] = value
        whole = np.zeros((count, size, size))
        whole[:, self._entries[0], self._entries[1]] = (self._weights @ conductances).T
        whole[:, np.arange(size), np.arange(size)] += LEAKAGE_S
        return whole

    def slopes(self, table: Table, tubes: Sequence[TubeSlopes], count: int) -> Array:
        """Slopes of the currents into all nodes by all volts at rest, shape (S, N, N), nodes in `order`.

        Parameters
        ----------
        table : mapping
            Values by key.
        tubes : sequence of TubeSlopes
            Of every section at rest.
        count : int
            S.
        """
        whole = self.matrix(table, count)
        for supply in self.supplies:
            if supply.a != GROUND:
                place = self._place[supply.a]
                whole[:, place, place] += supply.dc(table)
        if tubes:
            flat = np.zeros((len(self._stamps), count))
            row = 0
            for group in self.groups:
                kinds = range(group.electrodes.shape[1])
                for i in kinds:
                    for j in kinds:
                        for number in group.numbers:
                            slope = tubes[number][i][j]
                            if slope is not None:
                                flat[row] = slope
                            row += 1
            size = len(self.kept)
            whole[:, self.linear :, self.linear :] += (flat.T @ self._stamps).reshape(count, size, size)
        return whole

    def kept_volts(self, volts: Mapping[int, Array], rows: Array | slice, count: int) -> Array:
        """Volts of the kept nodes as a start, shape (T, S).

        Parameters
        ----------
        volts : mapping of int to ndarray
            Of every node, one wide or one a sample.
        rows : ndarray or slice
            Samples to take.
        count : int
            S, how many those are.
        """
        taken = [
            np.broadcast_to(v if v.size == 1 else v[rows], (count,)) for v in map(volts.__getitem__, self.kept)
        ]
        return np.array(taken, dtype=float).reshape(len(self.kept), count)

    def places(self, nodes: Sequence[int]) -> Array:
        """Rows of nodes in `order`.

        Parameters
        ----------
        nodes : sequence of int
            None of them ground.
        """
        return np.array([self._place[n] for n in nodes], dtype=int)

    def draw(self, specimens: Sequence[Specimen], volts: Array) -> tuple[list[Any], Array, Array]:
        """Currents and slopes of all sections, and their sums.

        Parameters
        ----------
        specimens : sequence of Specimen
            One a group.
        volts : ndarray, shape (T, S)
            Of the kept nodes.

        Returns
        -------
        drawn : list
            Currents and slopes of each group, shapes (K, S).
        into : ndarray, shape (S, T)
            Currents out of the kept nodes into tubes.
        stamps : ndarray, shape (S, T, T)
            Their slopes by the volts.
        """
        count, size = volts.shape[1], len(self.kept)
        grounded = np.concatenate([volts, np.zeros((1, count))])
        drawn: list[Any] = []
        flat_currents: list[Array] = []
        flat_slopes: list[Array] = []
        for group, specimen in zip(self.groups, specimens, strict=True):
            currents, slopes = group.drawn(specimen, grounded)
            drawn.append((currents, slopes))
            none = np.zeros((len(group.numbers), count))
            flat_currents += [wide(c, none.shape) for c in currents]
            flat_slopes += [none if s is None else wide(s, none.shape) for row in slopes for s in row]
        if not drawn:
            return drawn, np.zeros((count, size)), np.zeros((count, size, size))
        into = np.concatenate(flat_currents).T @ self._into
        stamps = (np.concatenate(flat_slopes).T @ self._stamps).reshape(count, size, size)
        return drawn, into, stamps

    def specimens(self, table: Table) -> list[Specimen]:
        """Samples of every group.

        Parameters
        ----------
        table : mapping
            Values by key.
        """
        return [group.specimen(table) for group in self.groups]

    def by_section(self, drawn: Iterable[Any], count: int) -> Drawn:
        """Currents and slopes in the order of the circuit's sections.

        Parameters
        ----------
        drawn : iterable
            From `draw`.
        count : int
            S.
        """
        currents: dict[int, tuple[Array, ...]] = {}
        slopes: dict[int, TubeSlopes] = {}
        for group, (amps, siemens) in zip(self.groups, drawn, strict=True):
            shape = (len(group.numbers), count)
            amps = [wide(c, shape) for c in amps]
            siemens = [[None if s is None else wide(s, shape) for s in row] for row in siemens]
            for place, number in enumerate(group.numbers):
                currents[number] = tuple(c[place] for c in amps)
                slopes[number] = tuple(tuple(None if s is None else s[place] for s in row) for row in siemens)
        numbers = sorted(currents)
        return Drawn(currents=tuple(currents[n] for n in numbers), slopes=tuple(slopes[n] for n in numbers))
