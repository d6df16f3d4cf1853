"""The interval a healthy chassis would show at each measurand, given the rails and mains actually measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquisition.records import Measurand, Reading, judged_dc

from .feeding import below_what_they_feed
from .model import ChassisModel

CORRECTIONS = 3
"""Rounds in which the supply of each sample is brought to the rails measured."""

AT_CONTACT_V, CONTACT_V = (-0.6, -0.1), (-1.3, 0.0)
"""A grid with no bias but its own current settles where its leak and the meter take no more. The law of grid
current has that between the first two; sheets define the onset by 0.3 uA, at up to -0.9 V (ECC83) and -1.3 V (EF86;
both from memory), and with a cold heater it is at 0 V. So a healthy one may be anywhere between the others."""

DISTORTED = 100
"""Samples whose distortion is worked out: it costs a hundred times what all else does, and so many tell a limit of
a band within 0.3 of the spread of healthy chassis (root of p (1 - p) / n over the density there), less than what no
fit of the curves controls (`inference.variables.MODEL_ERRORS`)."""

UNKNOWN_STD_RATIO = 0.01
"""Relative uncertainty of a rail reading that carries none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What a healthy chassis would show.

    Parameters
    ----------
    expected : float
        Median of the healthy readings, in the unit of the quantity.
    low, high : float
        Limits of the interval.
    std : float
        Standard deviation of the healthy readings.
    """

    expected: float
    low: float
    high: float
    std: float


def pairs(rng: np.random.Generator, count: int) -> np.ndarray:
    """Normal deviates in pairs of opposite sign (antithetic variates).

    Where one chassis of a pair reads more than the middle one, the other reads less: chance moves their median
    little, so that the same is expected of equal tubes, and the limits are told as well as without.

    Parameters
    ----------
    rng : Generator
        Source of randomness.
    count : int
        How many.
    """
    half = rng.standard_normal((count + 1) // 2)
    return np.stack([half, -half], axis=1).ravel()[:count]


def healthy_values(
    model: ChassisModel,
    count: int,
    rng: np.random.Generator,
    readings: Sequence[Reading] = (),
    mains_v: float | None = None,
    measured: Mapping[str, tuple[float, float]] | None = None,
) -> dict[str, np.ndarray]:
    """Draw healthy chassis whose supply shows what was measured.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    count : int
        Samples S.
    rng : Generator
        Source of randomness.
    readings : sequence of Reading
        The ``dc_v`` readings of rails among them set the supply; the others can only show that one of these is
        wrong.
    mains_v : float, optional
        Mains measured, volts rms.
    measured : mapping of str to (value, std), optional
        Part values found with power off, by parameter key.

    Returns
    -------
    dict of str to ndarray, shape (S,)
        As `ChassisModel.draw` gives.
    """
    values = model.draw(count, rng, measured, pairs)
    if mains_v is not None:
        values["mains"] = np.full(count, mains_v / model.chassis.mains_v)
    rails = _rail_readings(model, readings)
    if not rails:
        return values
    aims = {}
    for reading in rails:
        std = UNKNOWN_STD_RATIO * abs(reading.value) if reading.std is None else reading.std
        aims[reading.point] = reading.value + std * pairs(rng, count)
    for _ in range(CORRECTIONS):
        rest = model.operating_point(values)
        for rail, aim in aims.items():
            shown = rest.node_v(model.chassis.node_names[rail])
            # A rail follows its EMF nearly in proportion; what is left over shrinks from round to round.
            ratio = np.where(np.abs(shown) > 1e-3, aim / np.where(shown == 0.0, 1.0, shown), 1.0)
            values[f"{rail}.emf"] = values[f"{rail}.emf"] * np.nan_to_num(ratio, nan=1.0)
    return values


def _rail_readings(model: ChassisModel, readings: Sequence[Reading]) -> list[Reading]:
    """The readings that set the supply: not those of rails that several points they feed contradict."""
    found = [reading for reading in judged_dc(readings) if reading.point in model.chassis.rails]
    doubtful = below_what_they_feed(model.chassis, readings) if found else {}
    return [reading for reading in found if len(doubtful.get(reading.point, ())) < 2]


def bands(
    model: ChassisModel,
    measurands: Sequence[Measurand],
    readings: Sequence[Reading] = (),
    level: float = 0.95,
    *,
    mains_v: float | None = None,
    measured: Mapping[str, tuple[float, float]] | None = None,
    count: int = 400,
    seed: int = 1,
) -> list[Band]:
    """Bands of a healthy chassis.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        What is, or could be, read.
    readings : sequence of Reading
        Readings of the pass; those of rails (``dc_v``) set the supply of every sample.
    level : float
        Probability inside the band.
    mains_v : float, optional
        Mains measured during the pass.
    measured : mapping of str to (value, std), optional
        Part values found with power off, by parameter key.
    count, seed : int
        Samples drawn, and the seed.

    Returns
    -------
    list of Band
        One for each measurand; NaN where no sample has an operating point. Of distortion the first ``DISTORTED``
        samples alone are asked. A rail is compared with what the drawing
        and the mains let it be, not with itself.
    """
    values = healthy_values(model, count, np.random.default_rng(seed), readings, mains_v, measured)
    shown = shown_by(model, values, measurands, count)
    set_by = {reading.point for reading in _rail_readings(model, readings)}
    rails = [i for i, m in enumerate(measurands) if m.quantity == "dc_v" and m.point in set_by]
    if rails:
        free = healthy_values(model, count, np.random.default_rng(seed), (), mains_v, measured)
        shown[:, rails] = model.predict(free, [measurands[i] for i in rails])
    return bands_of(model, shown, measurands, level)


def shown_by(
    model: ChassisModel, values: Mapping[str, np.ndarray], measurands: Sequence[Measurand], count: int
) -> np.ndarray:
    """What samples of a chassis show, distortion of the first ``DISTORTED`` of them alone.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    values : mapping of str to ndarray, shape (S,)
        From `healthy_values`.
    measurands : sequence of Measurand
        M of them.
    count : int
        S.

    Returns
    -------
    ndarray, shape (S, M)
        NaN where a sample has no operating point, or was not asked.
    """
    bent = np.array([m.quantity == "thd_pct" for m in measurands], dtype=bool)
    shown = np.full((count, len(measurands)), np.nan)
    for columns, rows in ((np.flatnonzero(~bent), count), (np.flatnonzero(bent), min(count, DISTORTED))):
        some = {key: value[:rows] for key, value in values.items()}
        if columns.size:
            shown[:rows, columns] = model.predict(some, [measurands[column] for column in columns.tolist()])
    return shown


def bands_of(model: ChassisModel, shown: np.ndarray, measurands: Sequence[Measurand], level: float) -> list[Band]:
    """Bands of samples of a chassis, with what the model knows roughly only.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    shown : ndarray, shape (S, M)
        What the samples show.
    measurands : sequence of Measurand
        What of.
    level : float
        Share of healthy chassis between the limits.
    """
    found = (band_of(shown[:, place], measurand, level) for place, measurand in enumerate(measurands))
    return [_at_contact(model, measurand, band) for measurand, band in zip(measurands, found, strict=True)]


def _at_contact(model: ChassisModel, measurand: Measurand, band: Band) -> Band:
    """Widen the band of a grid that rests at its contact potential, which the model knows roughly only."""
    if measurand.quantity != "dc_v" or not AT_CONTACT_V[0] < band.expected < AT_CONTACT_V[1]:
        return band
    circuit = model.circuit
    if model.node(measurand.point) in {tube.cathode for tube in circuit.tubes} | {s.a for s in circuit.supplies}:
        return band
    return replace(band, low=min(band.low, CONTACT_V[0]), high=max(band.high, CONTACT_V[1]))


def band_of(shown: np.ndarray, measurand: Measurand, level: float = 0.95) -> Band:
    """Summarize samples of one measurand.

    Parameters
    ----------
    shown : ndarray, shape (S,)
        Predictions; NaN is left out.
    measurand : Measurand
        What they are of: phases are taken around their mean direction.
    level : float
        Probability inside the band.
    """
    good = shown[np.isfinite(shown)]
    if good.size == 0:
        return Band(expected=np.nan, low=np.nan, high=np.nan, std=np.nan)
    if measurand.quantity == "phase_deg":
        middle = float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(good))))))
        good = middle + (good - middle + 180.0) % 360.0 - 180.0
    low, expected, high = np.quantile(good, [0.5 - level / 2.0, 0.5, 0.5 + level / 2.0])
    return Band(expected=float(expected), low=float(low), high=float(high), std=float(np.std(good)))
