"""Newton's method on small batches.

The linear nodes are eliminated by one batched inverse. Steps are full, from a near start; what they do not solve is
left to `analysis.circuit.dc`.
"""

from __future__ import annotations

from copy import copy
from typing import Any

import numpy as np

from .dense import DenseNetwork, Drawn
from .elements import GROUND, Array, Table

STEPS = 12
"""Newton steps at most; a start far off needs more, and damping."""

LAST_STEP_V = 1e-5
"""Largest last step of a solved sample, volt: Newton's error after it is of the order of its square."""

RESIDUAL_A = 2e-10
"""Largest imbalance of a solved sample, ampere, as in `analysis.circuit.dc`."""

TOUCH_V = 0.5
"""Step, in volt, below which a rectified rail is given its new line."""


class DenseState:
    """Newton's method on the samples of a table.

    Parameters
    ----------
    network : DenseNetwork
        The circuit.
    table : mapping
        Values by key, shapes (S,) or (1,).
    volts : ndarray, shape (T, S)
        Start, volts of the kept nodes.
    loads : tuple of (places, siemens), optional
        A meter for each sample: its row in `DenseNetwork.order`, shape (S,), and its conductance.

    Attributes
    ----------
    step_v : ndarray, shape (S,)
        Largest change of the last step.
    """

    def __init__(
        self, network: DenseNetwork, table: Table, volts: Array, loads: tuple[Array, float] | None = None
    ) -> None:
        self.network, self.table = network, table
        count = volts.shape[1]
        whole = network.matrix(table, count)
        if loads is not None:
            whole[np.arange(count), loads[0], loads[0]] += loads[1]
        cut = network.linear
        self._inverse = np.linalg.inv(whole[:, :cut, :cut])
        self._across = self._inverse @ whole[:, :cut, cut:]
        self._kept = whole[:, cut:, cut:] - whole[:, cut:, :cut] @ self._across
        self._specimens = network.specimens(table)
        self.volts = volts
        self.step_v = np.full(count, np.inf)
        self.set_lines(table)

    def set_lines(self, table: Table) -> None:
        """Take EMF and source resistance of the rails from a table.

        Parameters
        ----------
        table : mapping
            Values by key.
        """
        count, size = self.volts.shape[1], len(self.network.kept)
        self._lined = self._kept.copy()
        self._flows = np.zeros((count, size))
        for supply in self.network.supplies:
            if supply.a != GROUND:
                row = self.network._kept_place(supply.a)
                self._lined[:, row, row] += supply.dc(table)
                self._flows[:, row] += supply.current(table)

    def _excess(self) -> tuple[list[Any], Array, Array]:
        drawn, into, stamps = self.network.draw(self._specimens, self.volts)
        excess = (self._lined @ self.volts.T[..., None])[..., 0] - self._flows + into
        return drawn, excess, stamps

    def step(self) -> None:
        """One full Newton step."""
        _, excess, stamps = self._excess()
        move = np.linalg.solve(self._lined + stamps, excess[..., None])[..., 0]
        self.volts = self.volts - move.T
        self.step_v = np.abs(move).max(axis=1, initial=0.0)

    def settle(self) -> Array:
        """Steps until all samples rest, or as many as are worth it; which of them rest, shape (S,)."""
        with np.errstate(all="ignore"):
            part, rows = self, np.arange(self.step_v.size)
            for _ in range(STEPS):
                part.step()
                if part is not self:
                    self.volts[:, rows], self.step_v[rows] = part.volts, part.step_v
                moving = ~(part.step_v <= LAST_STEP_V)
                if not moving.any():
                    break
                if moving.sum() < 0.5 * moving.size:  # what rests need not be solved again
                    part, rows = part.picked(moving), rows[moving]
        return self.step_v <= LAST_STEP_V

    def picked(self, rows: Array) -> DenseState:
        """The same for some of the samples.

        Parameters
        ----------
        rows : ndarray of bool, shape (S,)
            Which.
        """
        some = copy(self)
        some._lined, some._flows = self._lined[rows], self._flows[rows]
        some._specimens = [
            specimen.mapped(lambda value: value if value.shape[-1] == 1 else value[..., rows])
            for specimen in self._specimens
        ]
        some.volts, some.step_v = self.volts[:, rows], self.step_v[rows]
        return some

    def finish(self) -> tuple[Array, Drawn, Array]:
        """Volts of all nodes (N, S) in `DenseNetwork.order`, what the tubes draw, largest imbalance (S,)."""
        drawn, excess, _ = self._excess()
        linear = -(self._across @ self.volts.T[..., None])[..., 0].T
        everything = np.concatenate([linear, self.volts])
        return (
            everything,
            self.network.by_section(drawn, self.volts.shape[1]),
            np.abs(excess).max(axis=1, initial=0.0),
        )
