"""Slopes of compared variables by the unknowns and severities of hypotheses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.supplied import Supplied

from ..chassis import ChassisModel
from ..chassis.sensitivities import slopes_of
from ..faults import Fault
from .unknowns import Unknown
from .variables import columns_to_variables, slopes_to_variables


def slopes_at(
    model: ChassisModel,
    varied: Sequence[Unknown],
    wide: np.ndarray,
    faults: Sequence[Sequence[Fault]],
    unknowns: np.ndarray,
    wanted: Sequence[Measurand],
    values: dict[str, np.ndarray],
    supplied: Supplied,
) -> tuple[np.ndarray, np.ndarray]:
    """What some samples at rest would read, and its exact slopes.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    varied : sequence of Unknown
        P of them.
    wide : ndarray, shape (S, P)
        How many times its usual spread each has.
    faults : sequence of sequences of Fault
        Of each of S samples.
    unknowns : ndarray, shape (S, P + K)
        See `Panel.values`.
    wanted : sequence of Measurand
        M of them.
    values : mapping
        What `Panel.values` gives.
    supplied : Supplied
        The chassis at rest for these.

    Returns
    -------
    shown : ndarray, shape (S, M)
        Compared variables.
    slopes : ndarray, shape (S, M, P + K)
        Their derivatives by the unknowns and the severities; zero where there is no operating point.
    """
    count, known = len(faults), len(varied)
    # A tube that is out of its socket moves nothing.
    there = [n for n, u in enumerate(varied) if u.key in model.parameters]
    moves = {varied[n].key: varied[n].move(values[varied[n].key]) * wide[:, n] for n in there}
    severe: dict[str, np.ndarray] = {}
    for row, own_faults in enumerate(faults):
        for fault in (fault for fault in own_faults if fault.key in model.parameters):
            severe.setdefault(fault.key, np.zeros(count, dtype=bool))[row] = True
    of_severity = {key: np.broadcast_to(values[key], (count,)) for key in severe}
    # A part that a fault has changed no longer varies with its tolerance.
    for key in severe.keys() & moves.keys():
        moves[key] = np.where(severe[key], of_severity[key], moves[key])
    moves |= {key: value for key, value in of_severity.items() if key not in moves}
    shown, by_move = slopes_of(model, values, moves, wanted, supplied)
    by_move = np.nan_to_num(by_move * slopes_to_variables(wanted, shown)[..., None])
    place = {key: row for row, key in enumerate(moves)}
    slopes = np.zeros((count, len(wanted), unknowns.shape[1]))
    slopes[..., there] = by_move[..., [place[varied[n].key] for n in there]]
    for row, own_faults in enumerate(faults):
        for order, fault in enumerate(own_faults):
            if fault.key in place and known + order < unknowns.shape[1]:
                slopes[row, :, known + order] = by_move[row, :, place[fault.key]] * fault.cell_log
            slopes[row, :, [n for n, u in enumerate(varied) if u.key == fault.key]] = 0.0
    return columns_to_variables(wanted, shown), slopes
