"""Slopes of compared variables by the unknowns and severities of hypotheses."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.supplied import Supplied

from ..chassis.sensitivities import slopes_of
from .variables import columns_to_variables, slopes_to_variables

if TYPE_CHECKING:
    from .panel import Change, Panel


def quick_slopes(
    panel: Panel,
    changes: Sequence[Change],
    unknowns: np.ndarray,
    wanted: Sequence[Measurand],
    values: dict[str, np.ndarray],
    supplied: Supplied,
) -> tuple[np.ndarray, np.ndarray]:
    """Quick quantities of some samples at rest, and their exact slopes.

    Parameters
    ----------
    panel : Panel
        For unknowns and faults.
    changes : sequence of Change
        S hypotheses.
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
    count, known = len(changes), len(panel.unknowns)
    moves = {u.key: u.move(values[u.key]) for u in panel.unknowns}
    severe: dict[str, np.ndarray] = {}
    for row, change in enumerate(changes):
        for index in change.faults:
            key = panel.faults[index].key
            held = severe.setdefault(key, np.zeros(count, dtype=bool))
            held[row] = True
    of_severity = {key: np.broadcast_to(values[key], (count,)) for key in severe}
    # A part that a fault has changed no longer varies with its tolerance.
    for key in severe.keys() & moves.keys():
        moves[key] = np.where(severe[key], of_severity[key], moves[key])
    moves |= {key: value for key, value in of_severity.items() if key not in moves}
    shown, by_move = slopes_of(panel.model, values, moves, wanted, supplied)
    by_move = np.nan_to_num(by_move * slopes_to_variables(wanted, shown)[..., None])
    place = {key: row for row, key in enumerate(moves)}
    slopes = np.zeros((count, len(wanted), unknowns.shape[1]))
    slopes[..., :known] = by_move[..., [place[u.key] for u in panel.unknowns]]
    for row, change in enumerate(changes):
        for order, index in enumerate(change.faults):
            fault = panel.faults[index]
            own = by_move[row, :, place[fault.key]]
            if known + order < unknowns.shape[1]:
                slopes[row, :, known + order] = own * fault.cell_log
            slopes[row, :, [n for n, u in enumerate(panel.unknowns) if u.key == fault.key]] = 0.0
    return columns_to_variables(wanted, shown), slopes
