"""What moves change between two nodes, kept together so that it is weighed and summed in a few array operations."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import Any

import numpy as np

from .elements import Array

Term = tuple[int, int, int, Array]
"""Which move, from which node to which, and what it changes there."""


class Terms:
    """Terms sorted by move.

    Parameters
    ----------
    terms : sequence of Term
        T of them.
    shape : tuple of int
        What every change broadcasts to.
    dtype : dtype
        Of the changes.

    Attributes
    ----------
    move, a, b : ndarray of int, shape (T,)
        Move, and both nodes; ground is the one after the last.
    change : ndarray, shape (T, *shape)
        Of conductance, admittance or current.
    """

    def __init__(self, terms: Sequence[Term], shape: tuple[int, ...], dtype: Any = float) -> None:
        terms = sorted(terms, key=itemgetter(0))
        self.move, self.a, self.b = (np.array([term[i] for term in terms], dtype=int) for i in range(3))
        self.change = np.empty((len(terms), *shape), dtype=dtype)
        for row, term in zip(self.change, terms, strict=True):
            row[...] = term[3]
        self._moves, self._first = np.unique(self.move, return_index=True)

    def across(self, volts: Array) -> Array:
        """Difference of the volts of both nodes, shape (..., T).

        Parameters
        ----------
        volts : ndarray, shape (..., N)
            Of all nodes.
        """
        grounded = np.concatenate([volts, np.zeros((*volts.shape[:-1], 1))], axis=-1)
        return np.asarray(np.take(grounded, self.a, axis=-1) - np.take(grounded, self.b, axis=-1))

    def by_move(self, terms: Array, moves: int) -> Array:
        """Sums over the terms of each move, shape (..., K).

        Parameters
        ----------
        terms : ndarray, shape (..., T)
            A value for each term.
        moves : int
            K, the number of moves.
        """
        result = np.zeros((*terms.shape[:-1], moves), dtype=terms.dtype)
        if self._moves.size:
            result[..., self._moves] = np.add.reduceat(terms, self._first, axis=-1)
        return result
