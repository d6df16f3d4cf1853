"""The variables in which readings are compared, and how far reading and model may differ.

Volts, gains and ripple are compared as ``asinh(value / floor)``: a logarithm where the value is large, a plain
difference near zero, and signed. Phase is compared in radians. In these variables parts with tolerance act nearly
linearly and meter noise is nearly even.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquisition.records import Measurand, Reading

from ..chassis.predicting import DEFAULT_FREQ_HZ
from ..uncertainty import meter_std

FLOORS = {"dc_v": 0.4, "pp_v": 0.015, "rms_v": 0.005, "gain": 0.003, "ripple_pp_v": 0.01, "thd_pct": 0.2,
          "cold_ohm": 1.0}  # fmt: skip
"""Below the floor a quantity counts by its difference, above it by its ratio. Set where the absolute part of a
usual bench uncertainty (2 mV DC, 0.2 mV AC) meets the relative part (0.5 %, 1.5 %)."""


LAST = ("thd_pct",)
"""Quantities that cost a large-signal solution: weighed only for the hypotheses that lead without them."""


def canonical(measurand: Measurand) -> Measurand:
    """The measurand without what does not change its prediction, for use as a key.

    Parameters
    ----------
    measurand : Measurand
        As read.
    """
    if measurand.quantity in ("dc_v", "ripple_pp_v", "cold_ohm"):
        return Measurand(point=measurand.point, quantity=measurand.quantity)
    hertz = measurand.freq_hz or DEFAULT_FREQ_HZ
    if measurand.quantity in ("gain", "phase_deg"):
        return Measurand(point=measurand.point, quantity=measurand.quantity, freq_hz=hertz)
    return replace(measurand, freq_hz=hertz)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelError:
    """How far the model may be wrong about a healthy reading, after tubes and parts took their best values.

    Parameters
    ----------
    base : float
        Standard deviation in the compared variable (about a relative error; radians for phase).
    shared : float
        The part common to all readings of one kind at one place (all frequencies of one stage).
    of_shift : float
        Extra, as a share of how far a fault moves the reading: a computed shift is no better than the slope of the
        equations.
    of_square : float
        Extra, times the square of the shift: a signal that all but vanishes does so through stray paths and through
        the foot of the curves, where every law is out by far.
    """

    base: float
    shared: float
    of_shift: float
    of_square: float


MODEL_ERRORS = {
    "dc_v": ModelError(base=0.008, shared=0.003, of_shift=0.06, of_square=0.0),
    "pp_v": ModelError(base=0.03, shared=0.02, of_shift=0.06, of_square=0.03),
    "rms_v": ModelError(base=0.03, shared=0.02, of_shift=0.06, of_square=0.03),
    "gain": ModelError(base=0.015, shared=0.025, of_shift=0.06, of_square=0.03),
    "phase_deg": ModelError(base=0.025, shared=0.015, of_shift=0.08, of_square=0.05),
    "ripple_pp_v": ModelError(base=0.08, shared=0.08, of_shift=0.08, of_square=0.03),
    "thd_pct": ModelError(base=0.35, shared=0.0, of_shift=0.2, of_square=0.05),
    "cold_ohm": ModelError(base=0.005, shared=0.0, of_shift=0.01, of_square=0.0),
}
"""Evidence: KV and RR curves fitted tube by tube miss measured currents by 2 to 5 % above a tenth of full scale
(model_points section 3), which self-bias shrinks to a quarter in volts; computed gains miss published stage tables
by 0 to 8 % at normal supply volts (section 6), most of it taken up by the slope errors of each tube (`MU_ERROR`,
`unknowns.SLOPE_SIGMA`); ripple of a supply is 0.6 to 0.9 of its bound (bench practice F11). Distortion follows the
second derivative of the curves, which no published fit controls: a factor 1.4."""

MU_ERROR = 0.05
"""Relative standard deviation, tube by tube, of the small-signal mu against what the DC curve implies: fitted
curves miss published mu by 1 to 9 % (model_points section 2); measured mu at fixed current spreads 10 % (section 6,
ECC88). That of the current slope is `unknowns.SLOPE_SIGMA`."""


def to_variable(quantity: str, value: np.ndarray) -> np.ndarray:
    """Turn values of one quantity into the compared variable.

    Parameters
    ----------
    quantity : str
        A key of ``QUANTITIES``.
    value : ndarray
        In the unit of the quantity.

    Returns
    -------
    ndarray
        Of the same shape; radians for phase.
    """
    if quantity == "phase_deg":
        return np.asarray(np.radians(value))
    return np.arcsinh(np.asarray(value) / FLOORS[quantity])


def from_variable(quantity: str, variable: np.ndarray) -> np.ndarray:
    """Undo `to_variable`.

    Parameters
    ----------
    quantity : str
        A key of ``QUANTITIES``.
    variable : ndarray
        Compared variable.
    """
    if quantity == "phase_deg":
        return np.asarray(np.degrees(variable))
    return np.asarray(np.sinh(variable) * FLOORS[quantity])


def columns_to_variables(measurands: Sequence[Measurand], values: np.ndarray) -> np.ndarray:
    """Turn a table of values, shape (S, M), into compared variables column by column.

    Parameters
    ----------
    measurands : sequence of Measurand
        M measurands.
    values : ndarray, shape (S, M)
        In their units.
    """
    return _by_quantity(to_variable, measurands, values)


def _by_quantity(
    work: Callable[[str, np.ndarray], np.ndarray], measurands: Sequence[Measurand], values: np.ndarray
) -> np.ndarray:
    """Apply something to a table, shape (S, M), quantity by quantity."""
    result = np.empty_like(values)
    kinds = np.array([m.quantity for m in measurands])
    for quantity in set(kinds.tolist()):
        mask = kinds == quantity
        result[:, mask] = work(quantity, values[:, mask])
    return result


def slope_of_variable(quantity: str, value: float) -> float:
    """Derivative of the compared variable by the value.

    Parameters
    ----------
    quantity : str
        A key of ``QUANTITIES``.
    value : float
        Where.
    """
    return float(_slope(quantity, np.array(value)))


def _slope(quantity: str, value: np.ndarray) -> np.ndarray:
    if quantity == "phase_deg":
        return np.full(value.shape, np.pi / 180.0)
    return np.asarray(1.0 / np.hypot(value, FLOORS[quantity]))


def slopes_to_variables(measurands: Sequence[Measurand], values: np.ndarray) -> np.ndarray:
    """Derivative of each compared variable by its value, for a table of values, shape (S, M).

    Parameters
    ----------
    measurands : sequence of Measurand
        M measurands.
    values : ndarray, shape (S, M)
        In their units.
    """
    return _by_quantity(_slope, measurands, values)


NO_STAGE, TIMES_USUAL = 3000.0, 50.0
"""No stage amplifies so much, and none so many times what it should (common practice, no source): such a ratio is
one to a signal that is hardly there. Several stages in a row may well amplify more than the first."""

SAYS_NOTHING = 1e6
"""Noise of a reading beyond which it says no less: volts from a microvolt to a megavolt lie within 20."""

GRID_PULL_V = 0.3
"""A healthy tube may pull its resting grid so far below the chassis, by an amount that no drawing tells (common
practice, no source): a small negative rest voltage says nothing about parts."""


def reading_noise(
    readings: Sequence[Reading], usual_gains: Mapping[tuple[str, float | None], float] | None = None
) -> np.ndarray:
    """Standard deviation of the meter's part in the compared variable, shape (M,).

    Parameters
    ----------
    readings : sequence of Reading
        M readings. A signal that is hardly there is worth little: the uncertainty of a phase grows as the gain read
        at the same place and frequency nears the floor, that of both as it nears `NO_STAGE`.
    usual_gains : mapping of (point, hertz) to float, optional
        What the healthy chassis amplifies there.
    """
    gains = {canonical(r.measurand): abs(r.value) for r in readings if r.quantity == "gain"}
    noise = np.empty(len(readings))
    for index, reading in enumerate(readings):
        std = meter_std(reading)
        if reading.quantity == "dc_v" and -GRID_PULL_V < reading.value < 0.0:
            std = math.hypot(std, reading.value)
        parts = [std * slope_of_variable(reading.quantity, reading.value)]
        if reading.quantity in ("gain", "phase_deg"):
            beside = canonical(replace(reading.measurand, quantity="gain"))
            gain = gains.get(beside, 1.0)
            if reading.quantity == "phase_deg":
                parts.append(FLOORS["gain"] / max(gain, 1e-9))
            usual = (usual_gains or {}).get((beside.point, beside.freq_hz), 0.0)
            parts.append(gain / max(NO_STAGE, TIMES_USUAL * usual))
        noise[index] = min(math.hypot(*parts), SAYS_NOTHING)
    return noise


def difference(quantities: np.ndarray, measured: np.ndarray, predicted: np.ndarray) -> np.ndarray:
    """Measured less predicted in the compared variable; phases by the short way round.

    Parameters
    ----------
    quantities : ndarray of str, shape (M,)
        What each column is.
    measured : ndarray, shape (M,)
        Compared variables.
    predicted : ndarray, shape (..., M)
        Compared variables.
    """
    delta = measured - predicted
    phase = quantities == "phase_deg"
    if phase.any():
        delta[..., phase] = (delta[..., phase] + np.pi) % (2 * np.pi) - np.pi
    return np.asarray(delta)
