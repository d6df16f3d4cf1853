"""A circuit: nodes, branches and tubes; assembly of its nodal matrix at DC and over frequency."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .dense import DenseNetwork
from .elements import GROUND, LEAKAGE_S, Array, Branch, Supply, Table
from .elimination import Rows, Vector, add_entry, elimination_order
from .sections import Tube, TubeSlopes


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """Parts between nodes.

    Parameters
    ----------
    nodes : tuple of str
        Names; an element refers to a node by its place here, to ground by `GROUND`.
    branches : tuple of Branch
        Everything linear.
    tubes : tuple of Triode or Pentode
        Sections.
    """

    nodes: tuple[str, ...]
    branches: tuple[Branch, ...]
    tubes: tuple[Tube, ...]

    def node(self, name: str) -> int:
        """Number of a node.

        Parameters
        ----------
        name : str
            A name from ``nodes``, or ``gnd``.
        """
        return GROUND if name == "gnd" else self._numbers[name]

    @cached_property
    def _numbers(self) -> dict[str, int]:
        return {name: number for number, name in enumerate(self.nodes)}

    @cached_property
    def tube_nodes(self) -> frozenset[int]:
        """Nodes where a tube draws current."""
        return frozenset(n for tube in self.tubes for n in tube.nodes if n != GROUND)

    @cached_property
    def dense(self) -> DenseNetwork:
        """The circuit as matrices, for small batches."""
        return DenseNetwork(len(self.nodes), self.branches, self.tubes)

    @cached_property
    def supplies(self) -> tuple[Supply, ...]:
        """The rails."""
        return tuple(branch for branch in self.branches if isinstance(branch, Supply))

    def _pairs(self, dc: bool) -> list[tuple[int, int]]:
        groups = [branch.nodes[:2] if dc else branch.nodes for branch in self.branches]
        groups += [tube.nodes for tube in self.tubes]
        return [(a, b) for group in groups for a in group for b in group]

    @cached_property
    def dc_order(self) -> tuple[list[int], list[int]]:
        """Order of elimination at DC: linear nodes, then tube nodes."""
        order = elimination_order(len(self.nodes), self._pairs(dc=True), self.tube_nodes)
        split = len(order) - len(self.tube_nodes)
        return order[:split], order[split:]

    @cached_property
    def ac_order(self) -> list[int]:
        """Order of elimination over frequency."""
        return elimination_order(len(self.nodes), self._pairs(dc=False))

    @cached_property
    def ac_split_order(self) -> tuple[list[int], list[int]]:
        """Order of elimination over frequency that leaves the tube nodes: linear nodes, then tube nodes."""
        order = elimination_order(len(self.nodes), self._pairs(dc=False), self.tube_nodes)
        split = len(order) - len(self.tube_nodes)
        return order[:split], order[split:]

    def dc_rows(self, table: Table, loads: Mapping[int, Array] | None = None) -> Rows:
        """Assemble the conductance matrix without tubes.

        Parameters
        ----------
        table : mapping
            Values by key.
        loads : mapping of int to ndarray, optional
            Conductance of instruments, from a node to ground.
        """
        rows: Rows = {n: {n: np.full(1, LEAKAGE_S)} for n in range(len(self.nodes))}
        for branch in self.branches:
            value = branch.dc(table)
            if value is not None:
                a, b = branch.a, branch.b
                add_entry(rows, a, a, value)
                add_entry(rows, b, b, value)
                add_entry(rows, a, b, -value)
                add_entry(rows, b, a, -value)
        for node, value in (loads or {}).items():
            add_entry(rows, node, node, value)
        return rows

    def dc_sources(self, table: Table) -> Vector:
        """Currents into the nodes from the rails, ampere.

        Parameters
        ----------
        table : mapping
            Values by key.
        """
        right: Vector = {}
        for supply in self.supplies:
            node, value = supply.a, supply.current(table)
            if node != GROUND:
                right[node] = right[node] + value if node in right else value
        return right

    def ac_rows(self, table: Table, s: Array, slopes: Sequence[TubeSlopes] = ()) -> Rows:
        """Assemble the admittance matrix, with the tubes' slopes if they are given.

        Parameters
        ----------
        table : mapping
            Values by key, shape (S,) or (1,).
        s : ndarray, shape (F,)
            ``j*omega``, nonzero.
        slopes : sequence
            Of each tube at its operating point; from `analysis.circuit.dc`. For a small signal they are taken
            ``V1a.slope`` times, where the table has that.
        """
        rows: Rows = {n: {n: np.full((1, 1), LEAKAGE_S, dtype=complex)} for n in range(len(self.nodes))}
        for branch in self.branches:
            value = branch.ac(table, s)
            if value is None:
                continue
            terms = [
                (node, np.asarray(weight)[..., None]) for node, weight in branch.terms(table) if node != GROUND
            ]
            for i, weight_i in terms:
                for j, weight_j in terms:
                    add_entry(rows, i, j, value * (weight_i * weight_j))
        if slopes:
            for tube, own in zip(self.tubes, slopes, strict=True):
                times = table.get(f"{tube.key}.slope", _AS_AT_DC)
                stamp_tubes(rows, [tube], [own], lambda value, times=times: (times * value)[..., None])
        return rows


_AS_AT_DC = np.ones(1)


def stamp_tubes(rows: Rows, tubes: Iterable[Tube], slopes: Iterable[TubeSlopes], shaped: object = None) -> None:
    """Add the tubes' slopes to a matrix.

    Parameters
    ----------
    rows : dict of dict
        The matrix, changed in place.
    tubes : iterable of Triode or Pentode
        Sections.
    slopes : iterable
        Slopes of each.
    shaped : callable, optional
        Applied to every slope, to give it the axes of the matrix.
    """
    for tube, table in zip(tubes, slopes, strict=True):
        cathode = tube.cathode
        for i, row in zip(tube.electrodes, table, strict=True):
            for j, slope in zip(tube.electrodes, row, strict=True):
                if slope is None:
                    continue
                value = shaped(slope) if callable(shaped) else slope
                add_entry(rows, i, j, value)
                add_entry(rows, i, cathode, -value)
                add_entry(rows, cathode, j, -value)
                add_entry(rows, cathode, cathode, value)
