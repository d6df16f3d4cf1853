"""The interval a healthy chassis would show at each measurand, given the rails and mains actually measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquisition.records import Measurand, Reading

from .model import ChassisModel


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


def bands(
    model: ChassisModel,
    measurands: Sequence[Measurand],
    readings: Sequence[Reading] = (),
    level: float = 0.95,
    *,
    mains_v: float | None = None,
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
        Readings of the pass; those of rail nodes (``dc_v``) condition the supply.
    level : float
        Probability inside the band.
    mains_v : float, optional
        Mains measured during the pass.
    count, seed : int
        Samples drawn, and the seed.

    Returns
    -------
    list of Band
        One for each measurand.
    """
    raise NotImplementedError
