"""How much less is known of tubes that a hypothesis leaves little current or few plate volts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.circuit.elements import GROUND

from ..chassis import ChassisModel
from .unknowns import FOOT_SIGMA, KNEE_MOST, KNEE_SIGMA, SLOPE_SIGMA, Unknown

GONE_A = 1e-7
"""Plate current below which a tube is cut off, whatever its law."""

TRIODE = 2
"""Electrodes beside the cathode."""


def widened(
    model: ChassisModel, unknowns: Sequence[Unknown], values: Mapping[str, np.ndarray], rests_v: np.ndarray
) -> np.ndarray:
    """How many times its usual spread each unknown has in each hypothesis, shape (C, P).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    unknowns : sequence of Unknown
        P of them.
    values : mapping of str to ndarray, shape (C,)
        Parameters of each of C hypotheses.
    rests_v : ndarray, shape (N, C)
        Where they rest, by node.
    """
    table, circuit = model.table(values), model.circuit
    volts = dict(enumerate(rests_v)) | {GROUND: np.zeros(1)}
    at = {unknown.key: place for place, unknown in enumerate(unknowns)}
    wide = np.ones((rests_v.shape[1], len(unknowns)))
    for tube in circuit.tubes:
        across = tuple(volts[node] - volts[tube.cathode] for node in tube.electrodes)
        plate_a = np.maximum(tube.currents(tube.specimen(table), across)[0][0], 0.0)
        lost = np.log((plate_a[0] + GONE_A) / (plate_a + GONE_A))
        slope, strength = (at[f"{tube.key}.{name}"] for name in ("slope", "strength"))
        wide[:, slope] += FOOT_SIGMA / SLOPE_SIGMA * np.maximum(lost, 0.0)
        if len(across) == TRIODE:
            low = np.clip(across[0][0] / np.maximum(across[0], 1e-3) - 1.0, 0.0, KNEE_MOST)
            wide[:, slope] += KNEE_SIGMA / SLOPE_SIGMA * low
            wide[:, strength] += KNEE_SIGMA / unknowns[strength].sigma * low
    return wide
