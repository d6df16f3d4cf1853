"""Small-signal response: the same equations linearized at the operating point, over samples and frequencies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from .elements import GROUND, Array, Table
from .elimination import Elimination, Vector
from .network import Circuit
from .sections import TubeSlopes


class SmallSignal:
    """A circuit linearized at its operating point.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key, shapes (S,) or (1,).
    slopes : sequence of TubeSlopes
        From the operating point.
    freq_hz : ndarray, shape (F,)
        Frequencies above zero.
    """

    def __init__(self, circuit: Circuit, table: Table, slopes: Sequence[TubeSlopes], freq_hz: Array) -> None:
        self.circuit = circuit
        self.s: Array = 2j * np.pi * np.asarray(freq_hz, dtype=float)
        self._factors = Elimination(circuit.ac_rows(table, self.s, slopes), circuit.ac_order)

    def volts(self, currents: Mapping[int, Array], wanted: Iterable[int] = ()) -> Vector:
        """Node voltages that currents into nodes give.

        Parameters
        ----------
        currents : mapping of int to ndarray
            Ampere into each node, broadcasting to (S, F); leading axes are further cases.
        wanted : iterable of int
            Nodes needed; all when empty.

        Returns
        -------
        dict of int to ndarray
            Complex volts of shape (..., S, F).
        """
        return self._factors.solve({n: np.asarray(c) for n, c in currents.items() if n != GROUND}, tuple(wanted))

    def impedances(self, nodes: Sequence[int]) -> dict[int, Vector]:
        """Transfer impedances between nodes.

        Parameters
        ----------
        nodes : sequence of int
            Nodes, each also driven in turn.

        Returns
        -------
        dict of int to dict of int to ndarray
            ``result[p][q]``: volts at node q for one ampere into node p, shape (S, F).
        """
        drives = {}
        for place, node in enumerate(nodes):
            unit = np.zeros((len(nodes), 1, 1))
            unit[place] = 1.0
            drives[node] = unit
        found = self.volts(drives, nodes)
        zero = np.zeros((len(nodes), 1, 1))
        return {p: {q: np.asarray(found.get(q, zero))[place] for q in nodes} for place, p in enumerate(nodes)}
