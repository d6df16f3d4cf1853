"""How far the DC of grids may be from the model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acquisition.records import Measurand

from ..chassis import ChassisModel
from ..chassis.sensitivities import slopes_of
from .variables import from_variable, slope_of_variable

GRID_ERROR_V = 0.015
"""How far the DC of a grid may be from the model: grid current near zero bias differs from tube to tube (bench
practice E19 allows a healthy grid -0.05 V and more on a large grid leak)."""

TIED = 0.9
"""A point is tied to a grid where grid current moves it by at least this share of what it moves the grid, and no
further than the inverse."""


def grid_errors(model: ChassisModel, measurands: Sequence[Measurand], centre: np.ndarray) -> np.ndarray:
    """Own error of DC readings on grids and behind grid stoppers, in the compared variable, shape (M,).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        M of them; those that are no DC, or not tied to a grid, get zero.
    centre : ndarray, shape (M,)
        Compared variables of the median healthy chassis; NaN where the model does not know it.
    """
    points, result = model.points, np.zeros(len(measurands))
    grids = {p.section: p for p in points.values() if p.function == "grid" and p.node}
    nodes = {p.node for p in grids.values()}
    gas = [p for key, p in model.parameters.items() if key.endswith(".gas") and p.section in grids]
    steady = [i for i, m in enumerate(measurands) if m.quantity == "dc_v" and np.isfinite(centre[i])]
    if not gas or not steady:
        return result
    wanted = [Measurand(point=grids[p.section].name, quantity="dc_v") for p in gas]
    wanted += [measurands[i] for i in steady]
    moves = {p.key: np.array([p.nominal]) for p in gas}
    slopes = slopes_of(model, model.nominal(), moves, wanted, model.supplied({}))[1][0]
    own, moved = np.abs(np.diagonal(slopes)), np.abs(slopes[len(gas) :])
    tied = ((moved > TIED * own) & (moved * TIED < own)).any(axis=1)
    for index, follows in zip(steady, tied, strict=True):
        point = points.get(measurands[index].point)  # none is the ground
        if follows or (point is not None and point.node in nodes):
            volts = float(from_variable("dc_v", centre[index]))
            result[index] = GRID_ERROR_V * slope_of_variable("dc_v", volts)
    return result
