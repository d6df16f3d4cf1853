"""How far a reading may lie from a hypothesis: meter, model, and how wrong the model is about the shift itself."""

from __future__ import annotations

import numpy as np

from ..chassis.predicting import DEFAULT_FREQ_HZ
from .panel import Panel
from .variables import MODEL_ERRORS, MU_ERROR, difference

DC_SHIFT_ERROR = 0.25
"""Largest error about a shift of DC volts: a quarter of what is left, or 0.1 V where nothing is left."""

SHARED_SHARE = 0.9
"""Share (in quadrature) of the error about a shift that readings of one kind at one place have in common: if the
model misses how far a signal falls, it misses it at every frequency."""

TILT_A_DECADE = 0.01
"""Standard deviation of what two probes with their channels differ by, a decade of frequency (common practice, no
source: a probe that looks compensated may be out by 2 %). A sweep of thirty points would call it a capacitor."""


def _shift_errors(panel: Panel, columns: np.ndarray, shifted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Error in proportion to a shift, and to its square, shapes (C, M)."""
    quantities = panel.quantities[columns]
    of_shift = np.array([MODEL_ERRORS[q].of_shift for q in quantities])
    of_square = np.array([MODEL_ERRORS[q].of_square for q in quantities])
    shift = np.abs(np.nan_to_num(difference(quantities, shifted, panel.centre[columns][None, :])))
    shift = np.hypot(shift, panel.moved_by_standing[columns])
    even = of_shift * shift
    return np.where(quantities == "dc_v", np.minimum(even, DC_SHIFT_ERROR), even), of_square * shift**2


def shared_of_shift(panel: Panel, columns: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """What readings of one kind at one place have in common of the model's error about a shift, shape (C, M).

    Parameters
    ----------
    panel : Panel
        For the healthy reading.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.

    Returns
    -------
    ndarray, shape (C, M)
        Standard deviation; the rest of that error is in `own_scale`. Volts share none: each point has its own.
    """
    even, _ = _shift_errors(panel, columns, shifted)
    return np.asarray(np.where(panel.quantities[columns] == "dc_v", 0.0, SHARED_SHARE * even))


def own_scale(panel: Panel, columns: np.ndarray, noise: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """Scale of each reading's own error: meter, model, and its part of the model's error about the shift, shape
    (C, M).

    Parameters
    ----------
    panel : Panel
        For the healthy reading.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    noise : ndarray, shape (M,)
        Meter's part.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    """
    quantities = panel.quantities[columns]
    base = np.hypot([MODEL_ERRORS[q].base for q in quantities], panel.grid_error[columns])
    even, square = _shift_errors(panel, columns, shifted)
    own = np.where(quantities == "dc_v", 1.0, np.sqrt(1.0 - SHARED_SHARE**2)) * even
    # What is left of a signal that all but vanishes came by stray paths, which differ at every frequency.
    of_model = own**2 + square**2
    gain = _gain_beside(panel, columns)
    of_model[:, gain >= 0] += of_model[:, gain[gain >= 0]]
    return np.asarray(np.sqrt(noise**2 + base**2 + of_model))


def _gain_beside(panel: Panel, columns: np.ndarray) -> np.ndarray:
    """Where among the columns the gain of the same stage and frequency as a phase stands, or -1, shape (M,).

    An error of a complex gain is as large across as along: what the model may miss of its size, as a share, it may
    miss of its phase in radians.
    """
    place = np.full(len(panel.measurands) + 1, -1)
    place[columns] = np.arange(len(columns))
    return np.asarray(place[panel.gain_beside[columns]])


def farther(panel: Panel, columns: np.ndarray, measured: np.ndarray, predicted: np.ndarray) -> np.ndarray:
    """Reading or prediction, whichever lies farther from the nominal chassis, shape (C, M).

    Parameters
    ----------
    panel : Panel
        For the nominal reading.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    measured : ndarray, shape (M,)
        Readings in the compared variable.
    predicted : ndarray, shape (C, M)
        Predictions of the hypotheses.

    Notes
    -----
    The error about a shift goes by the shift that was read, the same for every hypothesis that explains it, by its
    fault or by its tubes; and by the shift a hypothesis predicts where that is the larger.
    """
    quantities, centre = panel.quantities[columns], panel.centre[columns]
    read, said = (np.abs(np.nan_to_num(difference(quantities, at, centre))) for at in (measured, predicted))
    return np.where(said > read, predicted, measured)


def scatter_slopes(panel: Panel, columns: np.ndarray, slopes: np.ndarray, predicted: np.ndarray) -> np.ndarray:
    """Slopes of one hypothesis by all that readings scatter with together, shape (M, P + E).

    Parameters
    ----------
    panel : Panel
        For what each column is.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    slopes : ndarray, shape (M, P)
        Of the predictions, by unknowns of unit spread.
    predicted : ndarray, shape (M,)
        Where.
    """
    return np.concatenate([slopes, shared_errors(panel, columns, slopes[None], predicted[None])[0]], axis=1)


def shared_errors(panel: Panel, columns: np.ndarray, slopes: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """Slopes of errors that several readings share, shape (C, M, E); the age of all resistors is one of them.

    One gain error of the meter on all DC readings and of the scope on all its readings, one of the ripple
    calculation, one a stage over all its frequencies, all with their part of the error about the shift; what two
    probes and their channels differ by from low frequencies to high; and for each tube its small-signal mu against
    what DC says.

    Parameters
    ----------
    panel : Panel
        For what each column is.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    slopes : ndarray, shape (C, M, P)
        Derivatives by the healthy unknowns.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    """
    measurands = [panel.plain[c] for c in columns]  # what the model misses of a stage it misses with a tube out too
    quantities = panel.quantities[columns]
    about_shift = shared_of_shift(panel, columns, shifted)
    parts = []
    for quantity, error in MODEL_ERRORS.items():
        places = (
            {m.point for m in measurands if m.quantity == quantity} if quantity in ("gain", "phase_deg") else {""}
        )
        for place in sorted(places):
            mask = np.array([m.quantity == quantity and place in ("", m.point) for m in measurands])
            if error.shared and mask.any():
                parts.append(mask * np.hypot(error.shared, about_shift))
    gain = quantities == "gain"
    hertz = [m.freq_hz or DEFAULT_FREQ_HZ for m in measurands]
    decades = np.where(gain, np.log10(np.array(hertz) / DEFAULT_FREQ_HZ), 0.0)
    if gain.any() and np.ptp(decades[gain]):
        parts.append(np.broadcast_to(TILT_A_DECADE * decades, about_shift.shape))
    alternating = quantities != "dc_v"
    for index, unknown in enumerate(panel.unknowns):
        if unknown.section and unknown.key.endswith(".mu"):
            tube = slopes[:, :, index] * alternating * (MU_ERROR / unknown.sigma)
            parts.append(np.broadcast_to(tube, about_shift.shape))
    if panel.aging.any():
        parts.append(slopes[:, :, : panel.aging.size] @ panel.aging)
    return np.stack(parts, axis=2) if parts else np.zeros((*about_shift.shape, 0))
