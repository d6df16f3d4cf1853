"""What a search knows of places: readings and slopes near them, the likelihood along one unknown, the best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linear:
    """Readings near N places: slopes by the unknowns that count, and of errors that readings share.

    Parameters
    ----------
    shown : ndarray, shape (N, M)
        Predictions at the places.
    design : ndarray, shape (N, M, A + E)
        Slopes by the unknowns that count, then by the shared errors.
    """

    shown: np.ndarray
    design: np.ndarray

    def picked(self, rows: Sequence[int] | np.ndarray) -> Linear:
        """Some of the places."""
        return Linear(shown=self.shown[rows], design=self.design[rows])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """Log likelihood along one unknown.

    Parameters
    ----------
    places : ndarray, shape (G,)
        Where it was held, rising; the best place is one of them.
    value : ndarray, shape (G,)
        Log likelihood; minus infinity where nothing works.
    reached : ndarray, shape (G, P)
        All unknowns there.
    """

    places: np.ndarray
    value: np.ndarray
    reached: np.ndarray

    def joined(self, other: Profile) -> Profile:
        """Both, in order of the places; of two searches that held the unknown at one place, the higher."""
        places = np.concatenate([self.places, other.places])
        value = np.concatenate([self.value, other.value])
        order = np.lexsort((-value, places))
        order = order[np.unique(places[order], return_index=True)[1]]
        return Profile(
            places=places[order],
            value=value[order],
            reached=np.concatenate([self.reached, other.reached])[order],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Peak:
    """The most probable state of everything.

    Parameters
    ----------
    at : ndarray, shape (P,)
        Unknowns.
    value : float
        Log likelihood, with the prior of the unknowns and of the shared errors.
    near : Linear
        Slopes there.
    """

    at: np.ndarray
    value: float
    near: Linear
