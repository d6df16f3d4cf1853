"""Where hypotheses were looked at last, and what was found there: the next reading asks at the same places."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np

MOST = 250
"""Hypotheses whose last place is kept."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What was found of one hypothesis at one place, for the next that looks there.

    Parameters
    ----------
    place : ndarray, shape (P + K,)
        Unknowns and severities.
    columns : ndarray of int, shape (M,)
        Rising.
    predicted, slopes : ndarray, shapes (M,) and (M, P + K)
        As `Panel.look`.
    """

    place: np.ndarray
    columns: np.ndarray
    predicted: np.ndarray
    slopes: np.ndarray


class Places:
    """The last place of each hypothesis."""

    def __init__(self) -> None:
        self._last: dict[Hashable, Seen] = {}

    def at(self, change: Hashable, place: np.ndarray, columns: np.ndarray) -> Seen | None:
        """What was found of a hypothesis, where this is the place and the columns were asked for.

        Parameters
        ----------
        change : hashable
            Hypothesis.
        place : ndarray, shape (P + K,)
            Unknowns and severities.
        columns : ndarray of int
            Which.
        """
        seen = self._last.get(change)
        if seen is None or not np.array_equal(place, seen.place) or not np.isin(columns, seen.columns).all():
            return None
        return seen

    def keep(
        self, change: Hashable, place: np.ndarray, columns: np.ndarray, predicted: np.ndarray, slopes: np.ndarray
    ) -> Seen:
        """Keep what was found; the hypotheses not looked at for longest are forgotten.

        Parameters
        ----------
        change : hashable
            Hypothesis.
        place : ndarray, shape (P + K,)
            Unknowns and severities.
        columns : ndarray of int, shape (M,)
            Rising.
        predicted, slopes : ndarray, shapes (M,) and (M, at least P + K)
            As `Panel.look`.
        """
        self._last.pop(change, None)
        seen = Seen(place=place.copy(), columns=columns, predicted=predicted, slopes=slopes[:, : place.size].copy())
        self._last[change] = seen
        while len(self._last) > MOST:
            del self._last[next(iter(self._last))]
        return seen
