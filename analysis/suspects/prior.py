"""Belief in every hypothesis before any reading.

An amplifier comes to the bench because of something that somebody noticed, and a part is changed because something
showed. A fault counts beforehand by how often it is met, times the chance that its severity stands out of what a
healthy chassis scatters by, somewhere in the usual round of readings: a resistor that a source of low resistance
shorts anyway, or a bypass capacitor of half its value where nothing hears it, is a fault on paper.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acquisition.records import Measurand, Reading

from ..chassis import ChassisModel
from ..inference.error_scales import own_scale, scatter_slopes
from ..inference.panel import Panel
from ..inference.variables import canonical, difference, from_variable, reading_noise
from .candidates import candidates

HEALTHY_AS_FOUND, HEALTHY_REPAIRED = 0.2, 0.6
"""Belief before any reading that nothing is wrong: as a chassis comes in, and once a part or a tube was changed.
Common practice, no source: most of what comes to a bench has something wrong, and most repairs, not all, succeed at
once."""

HEARD_HZ = (30.0, 1000.0, 15000.0)
"""Where the whole amplifier is listened to. Common practice, no source."""

STANDS_OUT = 1.96
"""Standard deviations beyond which a set of readings does not look healthy: a test at 5 %."""

FAR = 10.0
"""What stands for the shift of a hypothesis that has no operating point, in the compared variable."""


def usual_round(model: ChassisModel) -> list[Measurand]:
    """What an ordinary bench would read of a chassis: every candidate, and the response from input to output.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    """
    signal = model.chassis.signal
    whole = [f"{a}>{b}" for a, b in zip(signal.inputs, signal.outputs, strict=True)] if signal else []
    heard = [Measurand(point=channel, quantity="gain", freq_hz=hertz) for channel in whole for hertz in HEARD_HZ]
    return [*candidates(model), *heard]


def log_priors(panel: Panel, usual: Sequence[Measurand], repaired: bool = False) -> np.ndarray:
    """Logarithm of the prior of each single hypothesis of the panel, shape (C,); together they are certain.

    Parameters
    ----------
    panel : Panel
        Its hypotheses are the healthy chassis, then every severity of every fault in turn.
    usual : sequence of Measurand
        From `usual_round`, columns of the panel.
    repaired : bool
        Whether a part or a tube was changed since the chassis came in.
    """
    healthy = HEALTHY_REPAIRED if repaired else HEALTHY_AS_FOUND
    cells = np.array([f.weight * chance for f in panel.faults for chance in f.chances])
    cells *= noticed(panel, usual)[1:]
    return np.asarray(np.log(np.concatenate([[healthy], (1.0 - healthy) * cells / cells.sum()])))


def noticed(panel: Panel, usual: Sequence[Measurand]) -> np.ndarray:
    """Chance that readings of each hypothesis do not look like those of a healthy chassis, shape (C,).

    Parameters
    ----------
    panel : Panel
        Predictions.
    usual : sequence of Measurand
        As `log_priors`.

    Notes
    -----
    The power of a two-sided test at 5 % along the shift of the hypothesis. Its distance is that of P. Mahalanobis
    (Proc. Nat. Inst. Sci. India 2 (1936) 49; from memory) with the covariance of healthy readings: parts and tubes
    within their tolerance, a usual meter, the model's own error. A fault that shifts nothing keeps 5 %.
    """
    from scipy.special import ndtr

    columns = {panel.columns[canonical(m)] for m in usual}
    rows = np.array(sorted(column for column in columns if panel.usable[column]), dtype=int)
    centre = panel.centre[rows]
    readings = [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(from_variable(m.quantity, at)))
        for m, at in zip((panel.measurands[row] for row in rows), centre, strict=True)
    ]
    own = own_scale(panel, rows, reading_noise(readings, panel.usual_gains), centre[None])[0]
    together = scatter_slopes(panel, rows, panel.healthy_slopes[rows], centre)
    shift = difference(panel.quantities[rows], panel.shifted[:, rows], centre)
    shift = np.nan_to_num(shift, nan=FAR)
    spread = together @ together.T + np.diag(own**2)
    apart = np.sqrt(np.einsum("cm,cm->c", shift, np.linalg.solve(spread, shift.T).T))
    return np.asarray(ndtr(apart - STANDS_OUT) + ndtr(-apart - STANDS_OUT))
