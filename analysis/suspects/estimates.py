"""What a suspect part would measure: the severity of its fault, with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acquisition.quantities import format_value

from ..faults import Fault
from ..inference.changes import Change
from ..inference.data import Weighed
from ..inference.evidence import posterior_covariance
from ..inference.panel import Panel
from ..inference.sides import side_of

WIDER, LEAST = 1.6, 0.1
"""An estimate's interval is taken wider by this factor and never narrower than this (logarithm, one standard
deviation): the slope of the fault itself carries the error of the equations, which the fit does not see."""

EXCLUDED = 1.92
"""A severity whose evidence lies this far below the best (logarithm) is ruled out at 95 %: half the quantile of
chi-squared with one degree of freedom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What the suspect part would measure.

    Parameters
    ----------
    value, low, high : float
        Median and 95 % interval, in ``unit``.
    unit : str
        ``ohm farad henry A`` or ``x`` for a multiple of normal.
    bound : str
        ``above`` or ``below`` where the readings would let the part be worse without end (an open, a short):
        then only ``low`` or only ``high`` says something. Otherwise empty.
    """

    value: float
    low: float
    high: float
    unit: str
    bound: str = ""

    @property
    def text(self) -> str:
        """``1.2 Mohm, 0.8 Mohm to 1.9 Mohm``, or ``above 30 Mohm``."""

        def show(value: float) -> str:
            unit = {"farad": "F", "henry": "H"}.get(self.unit, self.unit)
            return f"{value:.2g} x normal" if self.unit == "x" else format_value(value, unit)

        if self.bound:
            return f"{self.bound} {show(self.low if self.bound == 'above' else self.high)}"
        last = f"{self.high:.2g}" if self.unit == "x" else show(self.high)
        low = f"{self.low:.2g}" if self.unit == "x" else show(self.low)
        return f"{show(self.value)}, {low} to {last}"


def estimate_of(panel: Panel, weighed: Weighed, fault: Fault) -> Estimate | None:
    """What the part of a fault would measure, over all severities and all other faults beside it.

    Low and open, or leaky and shorted, are ranges of one scale: what the part measures does not stop where the
    word for it changes.

    Parameters
    ----------
    panel : Panel
        The model.
    weighed : Weighed
        Posterior.
    fault : Fault
        Which fault.

    Returns
    -------
    Estimate or None
        None where the fault has no amount.
    """
    shown = fault.shown
    if not shown:
        return None
    ranges = dict.fromkeys(change.faults[0] for change in panel.scales[fault.scale])
    akin = {i: panel.faults[i] for i in ranges if panel.faults[i].shown == shown}
    cells = [(i, f, value) for i, f in akin.items() for value in f.values]
    singles = [panel.index[Change(faults=(i,), values=(value,))] for i, _, value in cells]
    rows = singles + [
        n for n in range(len(panel.changes), len(weighed.changes)) if akin.keys() & weighed.changes[n].faults
    ]
    faults = [next(akin[i] for i in weighed.changes[row].faults if i in akin) for row in rows]
    # The same error of the slopes makes one severity look surer against the next.
    weight = np.exp((weighed.log_weight[rows] - weighed.log_weight[rows].max()) / WIDER**2)
    means, spreads = [], []
    for row, own in zip(rows, faults, strict=True):
        change = weighed.changes[row]
        order = [panel.faults[i] for i in change.faults].index(own)
        mean, spread = math.log(abs(change.values[order])), own.cell_log
        refined = weighed.refined.get(change)
        if refined is not None and own.cell_log > 0:
            place = len(panel.unknowns) + order
            whole = posterior_covariance(refined.slopes[None], refined.weights[None])[0]
            mean += own.cell_log * refined.unknowns[place]
            spread = math.hypot(WIDER * own.cell_log * math.sqrt(whole[place, place]), LEAST)
        means.append(mean)
        spreads.append(max(spread, 1e-4))
    nominal = abs(panel.model.parameters[fault.key].nominal)
    edge, worse = max((side_of(panel, i) for i in akin), key=lambda side: -side[0] * side[1])
    low, middle, high = np.exp(_quantiles(weight / weight.sum(), np.array(means), np.array(spreads), edge, worse))
    evidence = weighed.log_weight[singles] - weighed.prior[singles]
    ahead = worse * np.log(np.abs([value for _, _, value in cells]))
    worst = int(ahead.argmax())
    bound, last = _bound(cells[worst][1], low, high, bool(evidence[worst] > evidence.max() - EXCLUDED))
    if bound == "above":
        low = min(low, last)
    elif bound == "below":
        high = max(high, last)
    if shown == "1/ohm":
        turned = {"above": "below", "below": "above"}.get(bound, "")
        return Estimate(value=1 / middle, low=1 / high, high=1 / low, unit="ohm", bound=turned)
    if shown == "x":
        return Estimate(value=middle / nominal, low=low / nominal, high=high / nominal, unit="x", bound=bound)
    return Estimate(value=float(middle), low=float(low), high=float(high), unit=shown, bound=bound)


def _bound(fault: Fault, low: float, high: float, open_: bool) -> tuple[str, float]:
    """Whether an interval runs to the severe end of what is tried, and where the last resolved severity ends there.

    Parameters
    ----------
    fault : Fault
        For its severities, from least to most severe.
    low, high : float
        Interval, in the unit of the parameter.
    open_ : bool
        The readings do not rule out the most severe.

    Returns
    -------
    side : str
        ``above`` where worse is more, ``below`` where worse is less, empty where the interval ends before.
    edge : float
        The mildest value that the most severe cell stands for.
    """
    if fault.fault not in ("open", "shorted", "heater short") or len(fault.values) < 2:
        return "", 0.0
    last, before = abs(fault.values[-1]), abs(fault.values[-2])
    width = math.exp(fault.cell_log / 1.2)  # cells lie 1/0.6 of their spread apart
    if last > before:
        return ("above", before * width) if open_ or high >= before * width else ("", 0.0)
    return ("below", before / width) if open_ or low <= before / width else ("", 0.0)


def _quantiles(weight: np.ndarray, mean: np.ndarray, spread: np.ndarray, edge: float, side: float) -> np.ndarray:
    """Quantiles 2.5, 50 and 97.5 % of a mixture of normals, of its part on one side of an edge.

    Parameters
    ----------
    weight, mean, spread : ndarray, shape (N,)
        Of the normals.
    edge, side : float
        Where the part begins, and whether it lies above (1) or below (-1).
    """
    from scipy.special import ndtr

    lowest, highest = (mean - 4 * spread).min(), (mean + 4 * spread).max()
    if side > 0:
        lowest, highest = max(lowest, edge), max(highest, edge)
    else:
        lowest, highest = min(lowest, edge), min(highest, edge)
    grid = np.linspace(lowest, highest, 2000)
    level = (weight[:, None] * ndtr((grid - mean[:, None]) / spread[:, None])).sum(axis=0)
    level -= level[0]
    return np.interp(
        [0.025, 0.5, 0.975], level / level[-1] if level[-1] > 0 else np.linspace(0, 1, grid.size), grid
    )
