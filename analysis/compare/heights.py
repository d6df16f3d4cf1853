"""How high a state of a chassis stands: the likelihood of the readings of one pass, with all their errors."""

from __future__ import annotations

import numpy as np

from ..inference.data import Data
from ..inference.error_scales import own_scale, shared_errors
from ..inference.evidence import fit, freedom_of, log_student
from ..inference.panel import Panel
from ..inference.variables import difference


class Heights:
    """The errors of some readings, and what they make of predictions.

    Parameters
    ----------
    panel : Panel
        The chassis.
    data : Data
        Readings of one pass.

    Attributes
    ----------
    direct : ndarray of bool, shape (M,)
        Readings of direct volts.
    freedom, scale : ndarray, shape (M,)
        Of each reading's own error.
    shared : ndarray, shape (1, M, E)
        Slopes by the errors that readings share.
    """

    def __init__(self, panel: Panel, data: Data) -> None:
        self._data = data
        self.freedom = freedom_of(data.quantities)
        self.direct = data.quantities == "dc_v"
        # What a capacitor does to signals is linear; volts that go through a tube's curve are less sure when far.
        shifted = np.where(self.direct, data.measured, panel.centre[data.columns])[None]
        self.scale = own_scale(panel, data.columns, data.noise, shifted)[0]
        centre = panel.centre[data.columns][None]
        self.shared = shared_errors(panel, data.columns, panel.healthy_slopes[data.columns][None], centre)

    @property
    def perfect(self) -> float:
        """Log likelihood where every reading is as predicted."""
        return float(log_student(np.zeros(self.scale.size), self.scale, self.freedom))

    def left(self, shown: np.ndarray) -> np.ndarray:
        """Readings less predictions, shape (S, M).

        Parameters
        ----------
        shown : ndarray, shape (S, M)
            Compared variables.
        """
        return difference(self._data.quantities, self._data.measured, shown)

    def weights(self, shown: np.ndarray) -> np.ndarray:
        """Precision that the Student-t gives to each reading beside predictions, shape (S, M).

        Parameters
        ----------
        shown : ndarray, shape (S, M)
            Compared variables.
        """
        squares = (self.left(shown) / self.scale) ** 2
        return np.asarray((self.freedom + 1) / (self.freedom + squares) / self.scale**2)

    def apart(self, shown: np.ndarray, other: np.ndarray) -> float:
        """Largest difference of two lists of readings, in their errors.

        Parameters
        ----------
        shown, other : ndarray, shape (M,)
            Compared variables.
        """
        return float(np.abs(difference(self._data.quantities, shown, other) / self.scale).max())

    def of(self, believed: np.ndarray, shown: np.ndarray) -> np.ndarray:
        """Log likelihood with the prior of the unknowns and of the most probable shared errors, shape (S,).

        Parameters
        ----------
        believed : ndarray, shape (S, Q)
            Unknowns about which there is a belief, in standard deviations.
        shown : ndarray, shape (S, M)
            Compared variables there; NaN where there is no operating point.
        """
        left = np.nan_to_num(self.left(shown), nan=1e3)
        scale, beside = np.broadcast_to(self.scale, left.shape), np.repeat(self.shared, len(left), axis=0)
        aside = fit(left, beside, scale, self.freedom).unknowns
        found = log_student(left - np.einsum("cmq,cq->cm", beside, aside), self.scale, self.freedom)
        prior = -0.5 * ((believed**2).sum(axis=1) + (aside**2).sum(axis=1))
        return np.asarray(np.where(np.isfinite(shown).all(axis=1), found + prior, -np.inf))
