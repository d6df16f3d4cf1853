"""Readings ready for arithmetic, and hypotheses with their evidence: what the steps of the diagnosis hand on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from acquisition.records import RELATIVE_QUANTITIES, Measurand, Reading

from .changes import Change
from .panel import Panel
from .variables import canonical, difference, reading_noise, to_variable

SAME_DRIVE = 0.01
"""Drives that differ by less are one that the generator rounded."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Data:
    """Readings in the compared variable, ready for arithmetic.

    Parameters
    ----------
    readings : tuple of Reading
        Those that are judged.
    columns : ndarray of int, shape (M,)
        Column of the panel for each.
    quantities : ndarray of str, shape (M,)
        What each is.
    measured : ndarray, shape (M,)
        Compared variables.
    noise : ndarray, shape (M,)
        Meter's standard deviation in the compared variable.
    """

    readings: tuple[Reading, ...]
    columns: np.ndarray
    quantities: np.ndarray
    measured: np.ndarray
    noise: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """Hypotheses with their evidence.

    Parameters
    ----------
    changes : tuple of Change
        Every hypothesis of the panel, then pairs if tried.
    log_weight : ndarray, shape (C,)
        Logarithm of the posterior, normalised over all.
    prior : ndarray, shape (C without pairs,)
        Logarithm of the prior of the single hypotheses.
    refined : mapping of Change to Refined
        Details of those that were refined.
    first : ndarray, shape (C,)
        Evidence of the first round, or more where it could not matter.
    columns : ndarray of int
        Of the panel, that were read.
    log_total : float
        Logarithm of what the weights summed to before they were normalised: the evidence of all together.
    """

    changes: tuple[Change, ...]
    log_weight: np.ndarray
    prior: np.ndarray
    refined: Mapping[Change, Refined] = field(default_factory=dict)
    first: np.ndarray = field(default_factory=lambda: np.zeros(0))
    columns: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    log_total: float = 0.0

    @property
    def probability(self) -> np.ndarray:
        """Posterior probability of each hypothesis, shape (C,)."""
        return np.asarray(np.exp(self.log_weight))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refined:
    """One hypothesis at its most probable unknowns.

    Parameters
    ----------
    unknowns : ndarray, shape (P + K,)
        z of every unknown, and the standardised severities.
    shared : ndarray, shape (E,)
        Shared errors of meter and model.
    predicted : ndarray, shape (M,)
        Compared variables there, shared errors not included.
    slopes : ndarray, shape (M, P + K + E)
        Derivatives, shared errors included.
    scale : ndarray, shape (M,)
        Scale of each reading's own error.
    weights : ndarray, shape (M,)
        Precision given to each reading.
    height : float
        Log probability there of what is left of the readings, and of the unknowns.
    evidence : float
        Logarithm.
    """

    unknowns: np.ndarray
    shared: np.ndarray
    predicted: np.ndarray
    slopes: np.ndarray
    scale: np.ndarray
    weights: np.ndarray
    height: float
    evidence: float

    @property
    def expected(self) -> np.ndarray:
        """Compared variables with shared errors included, shape (M,)."""
        result: np.ndarray = self.predicted + self.slopes[:, -len(self.shared) :] @ self.shared
        return result

    def left(self, data: Data) -> np.ndarray:
        """What is left of each reading, over the scale of its own error, shape (M,).

        Parameters
        ----------
        data : Data
            The readings it was refined for.
        """
        return np.asarray(difference(data.quantities, data.measured, self.expected) / self.scale)


def collect(panel: Panel, readings: Sequence[Reading]) -> Data:
    """Bring readings into the compared variable; the last reading of a measurand wins, of a gain that at the
    smallest drive, for no linear circuit says what a stage does that was driven until it clips.

    Parameters
    ----------
    panel : Panel
        Must have a column for each.
    readings : sequence of Reading
        Readings to judge.
    """
    latest: dict[Measurand, Reading] = {}
    for reading in readings:
        key = canonical(reading.measurand)
        if key not in latest or not _is_driven_harder(reading, latest[key]):
            latest[key] = reading
    kept = tuple(reading for m, reading in latest.items() if m in panel.columns and panel.usable[panel.columns[m]])
    values = [to_variable(r.quantity, np.array(r.value)) for r in kept]
    return Data(
        readings=kept,
        columns=np.array([panel.columns[canonical(r.measurand)] for r in kept], dtype=int),
        quantities=np.array([r.quantity for r in kept]),
        measured=np.array(values, dtype=float).reshape(len(kept)),
        noise=reading_noise(kept, panel.usual_gains),
    )


def _is_driven_harder(reading: Reading, other: Reading) -> bool:
    if reading.quantity not in RELATIVE_QUANTITIES or reading.drive_pp_v is None or other.drive_pp_v is None:
        return False
    return reading.drive_pp_v > (1.0 + SAME_DRIVE) * other.drive_pp_v
