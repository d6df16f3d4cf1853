"""Where hypotheses were looked at last, and what was found there: most steps and most readings end close by."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np

MOST = 250
"""Hypotheses whose last place is kept."""

NEAR = 0.25
"""Standard deviations, in each unknown, within which slopes taken at one place hold at another. With a tube's
strength that is 7 %, whose square is a quarter of a percent: less than a third of the model's error for volts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """What was found of one hypothesis at one place, for the next that looks there.

    Parameters
    ----------
    at : ndarray, shape (P + K,)
        Unknowns and severities.
    columns : ndarray of int, shape (M,)
        Rising.
    has : ndarray of bool
        Whether a column is among them.
    predicted, slopes : ndarray, shapes (M,) and (M, P + K)
        As `Panel.look`.
    """

    at: np.ndarray
    columns: np.ndarray
    has: np.ndarray
    predicted: np.ndarray
    slopes: np.ndarray

    def told(self, place: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Predictions at a place near by, as slopes tell them, and those slopes, shapes (M,) and (M, P + K).

        Parameters
        ----------
        place : ndarray, shape (P + K,)
            Unknowns and severities.
        columns : ndarray of int, shape (M,)
            Of those kept.
        """
        kept = np.searchsorted(self.columns, columns)
        slopes = self.slopes[kept]
        return self.predicted[kept] + slopes @ (place - self.at), slopes


class Places:
    """The last place of each hypothesis.

    Parameters
    ----------
    count : int
        Columns there are.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._last: dict[Hashable, Place] = {}

    def near(self, change: Hashable, place: np.ndarray, columns: np.ndarray, within: float = NEAR) -> Place | None:
        """What was found of a hypothesis, where this is near enough and the columns were asked for.

        Parameters
        ----------
        change : hashable
            Hypothesis.
        place : ndarray, shape (P + K,)
            Unknowns and severities.
        columns : ndarray of int
            Which.
        within : float
            How far from where it was looked at, in standard deviations of each unknown.
        """
        seen = self._last.get(change)
        if seen is None or not seen.has[columns].all():
            return None
        return seen if np.abs(place - seen.at).max(initial=0.0) <= within else None

    def keep(
        self, change: Hashable, place: np.ndarray, columns: np.ndarray, predicted: np.ndarray, slopes: np.ndarray
    ) -> Place:
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
        has = np.zeros(self._count, dtype=bool)
        has[columns] = True
        slopes = slopes[:, : place.size].copy()
        seen = Place(at=place.copy(), columns=columns, has=has, predicted=predicted, slopes=slopes)
        self._last[change] = seen
        while len(self._last) > MOST:
            del self._last[next(iter(self._last))]
        return seen
