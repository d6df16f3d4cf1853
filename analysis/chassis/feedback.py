"""Does the feedback of a chassis, as drawn, add to the signal: a winding turned round makes it do so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.circuit.elimination import Rows
from analysis.circuit.network import stamp_tubes

if TYPE_CHECKING:
    from .model import ChassisModel

MIDBAND_HZ = 1000.0
"""Where no coupling capacitor and no leakage inductance turns a phase."""

IN_PHASE = 0.3
"""Imaginary over real part up to which a loop is one that adds: of a ring of stages with negative feedback the loci
stand off that axis by 36 degrees and more."""


def positive_feedback(model: ChassisModel) -> float:
    """How much of the signal the strongest loop returns in phase at 1 kHz; 0 where none does, 1 oscillates.

    Parameters
    ----------
    model : ChassisModel
        The chassis; its nominal values are looked at.

    Notes
    -----
    With the slopes of the tubes in a matrix G beside the passive parts P, the eigenvalues of ``1 + G/P`` are the
    characteristic loci of the return difference (MacFarlane and Postlethwaite 1977, from memory): at midband one
    loop that adds gives a real one below 1, below 0 where more comes back than went in.
    """
    supplied = model.supplied({})
    circuit, count = model.circuit, len(model.circuit.nodes)
    passive = _dense(circuit.ac_rows(supplied.table, 2j * np.pi * np.array([MIDBAND_HZ])), count)
    tubes: Rows = {node: {} for node in range(count)}
    stamp_tubes(tubes, circuit.tubes, supplied.rest.slopes)
    loci = np.linalg.eigvals(np.linalg.solve(passive, _dense(tubes, count)))
    adding = [-float(one.real) for one in loci if one.real < 0.0 and abs(one.imag) < IN_PHASE * abs(one.real)]
    return max(adding, default=0.0)


def _dense(rows: Rows, count: int) -> np.ndarray:
    matrix = np.zeros((count, count), dtype=complex)
    for i, row in rows.items():
        for j, value in row.items():
            matrix[i, j] = np.ravel(value)[0]
    return matrix
