"""Tube sections that follow one law, evaluated together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np

from .elements import Array, Table
from .sections import Pentode, Specimen, Triode


def _stacked(values: Sequence[Any]) -> Any:
    """Constants of several sections as columns, for everything that is a number."""
    first = values[0]
    if is_dataclass(first):
        own = [f.name for f in fields(first) if f.init]
        return replace(first, **{name: _stacked([getattr(v, name) for v in values]) for name in own})  # type: ignore[type-var]
    if first is None or isinstance(first, str):
        return first
    return np.array(values, dtype=float)[:, None]


def wide(value: Array, shape: tuple[int, ...]) -> Array:
    """The value in a shape; most have it already, and asking costs less than doing.

    Parameters
    ----------
    value : ndarray
        Of this shape or broadcasting to it.
    shape : tuple of int
        The shape.
    """
    return value if value.shape == shape else np.broadcast_to(value, shape)


class Group:
    """Sections that follow one law, evaluated as one with an axis of their own in front.

    Parameters
    ----------
    tubes : sequence of (number, Triode or Pentode)
        K sections with their places in the circuit.
    place : callable
        Row of a node among the volts that `drawn` is given.

    Attributes
    ----------
    endings : tuple of str
        What may differ from one specimen to the next, as in ``V1a.strength``.
    """

    def __init__(self, tubes: Sequence[tuple[int, Triode | Pentode]], place: Callable[[int], int]) -> None:
        self.numbers = [number for number, _ in tubes]
        self.tubes = [tube for _, tube in tubes]
        self.first = replace(self.tubes[0], parameters=_stacked([tube.parameters for tube in self.tubes]))
        self.electrodes = np.array([[place(n) for n in tube.electrodes] for tube in self.tubes])
        self.cathodes = np.array([place(tube.cathode) for tube in self.tubes])
        self.keys = [tube.key for tube in self.tubes]
        self.endings = (
            "strength",
            "mu",
            "offset",
            "gas",
            "grid_adrift",
            *(("screen", "plate_adrift") if isinstance(self.first, Pentode) else ()),
        )

    def moving(self, moves: Collection[str]) -> tuple[str, ...]:
        """Those of `endings` that move in any of its sections: an evaluation is made for each, so no others.

        Parameters
        ----------
        moves : collection of str
            Keys of the values that move.
        """
        return tuple(ending for ending in self.endings if any(f"{key}.{ending}" in moves for key in self.keys))

    def specimen(self, table: Table) -> Specimen:
        """Samples of all its sections, arrays of shape (K, S) or (K, 1).

        Parameters
        ----------
        table : mapping
            Values by key.
        """
        own = {
            f"{self.first.key}.{ending}": np.stack(
                np.broadcast_arrays(*(table[f"{key}.{ending}"] for key in self.keys))
            )
            for ending in self.endings
        }
        return self.first.specimen(own)

    def drawn(self, specimen: Specimen, grounded: Array) -> Any:
        """Currents and slopes of all its sections, shapes (K, S).

        Parameters
        ----------
        specimen : Specimen
            From `specimen`.
        grounded : ndarray, shape (T + 1, S)
            Volts, ground last.
        """
        cathode = grounded[self.cathodes]
        across = tuple(grounded[column] - cathode for column in self.electrodes.T)
        return self.first.currents(specimen, across)

    def bends(
        self, table: Table, moves: Mapping[str, Array], grounded: Array, nudge_v: float, nudge: float
    ) -> dict[tuple[int, int], tuple[Array, Array]]:
        """How the slopes of its sections move with their volts and with their own values.

        Parameters
        ----------
        table : mapping
            Values by key.
        moves : mapping of str to ndarray
            Values that move, each with the change that counts as one, shape (S,).
        grounded : ndarray, shape (T + 1, S)
            Volts, ground last.
        nudge_v, nudge : float
            How far the volts are moved, and a value as a share of its move.

        Returns
        -------
        dict of (current, volts) to (by_volts, by_value)
            For every slope that is not zero: its derivatives by the volts of each electrode to the cathode, shape
            (electrodes, K, S), and by one move of what each of `moving` says, shape (endings, K, S).
        """
        count, kinds, many = grounded.shape[1], self.electrodes.shape[1], len(self.keys)
        moving = self.moving(moves)
        cases = 1 + kinds + len(moving)
        values: dict[str, Array] = {}
        for ending in self.endings:
            for key in (f"{key}.{ending}" for key in self.keys):
                wide_ = np.tile(np.broadcast_to(table[key], (count,)).astype(float), (cases, 1))
                if key in moves:
                    wide_[1 + kinds + moving.index(ending)] += nudge * moves[key]
                values[key] = wide_.ravel()
        cathode = grounded[self.cathodes]
        across = []
        for kind, column in enumerate(self.electrodes.T):
            volts = np.tile((grounded[column] - cathode)[:, None], (1, cases, 1))
            volts[:, 1 + kind] += nudge_v
            across.append(volts.reshape(many, cases * count))
        _, slopes = self.first.currents(self.specimen(values), tuple(across))
        result: dict[tuple[int, int], tuple[Array, Array]] = {}
        for i, row in enumerate(slopes):
            for j, slope in enumerate(row):
                if slope is not None:
                    found = wide(slope, (many, cases * count)).reshape(many, cases, count).transpose(1, 0, 2)
                    rise = found[1:] - found[0]
                    result[i, j] = rise[:kinds] / nudge_v, rise[kinds:] / nudge
        return result
