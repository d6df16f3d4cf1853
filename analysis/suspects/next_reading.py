"""Which reading to take next: the one expected to say most about the fault, per effort.

The value of a reading is the mutual information between the fault and what the meter would show, in bits (D.
Lindley, Ann. Math. Stat. 27 (1956) 986; from memory). Rules of choice from bench practice, Appendix B: never a grid
if a cathode or a current ratio can tell; among equals the lower voltage; power-off ohms when one part is suspected
and no live reading can tell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquisition.records import Measurand

from ..inference.changes import Change
from ..inference.data import Data, Refined, Weighed
from ..inference.error_scales import own_scale
from ..inference.evidence import posterior_covariance
from ..inference.panel import Panel
from ..inference.places import NEAR
from ..inference.variables import MODEL_ERRORS, from_variable, slope_of_variable
from ..uncertainty import NOISE
from .candidates import effort
from .words import place_of, show

LIGHTEST = np.log(1e-4)
"""Logarithm of the least probability of a hypothesis that a next reading is chosen for."""

ENOUGH_BITS = 0.05
"""Below this a live reading does not tell the suspects apart. Common practice, no source."""

LEAST_SHOWN_V = 5e-4
"""DC volts below this are told as none: half a digit of a usual meter."""

WORTH_OPENING = 0.05
"""Below this probability no part is measured with power off. Common practice, no source."""

SLIGHT = 0.02
"""Of two suspects that a reading tells from the leading one, the second is named from this share on."""

GRID_STEPS = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A reading worth taking.

    Parameters
    ----------
    point, quantity : str
        Where and what.
    bits : float
        Expected information about the fault.
    why : str
        What each outcome would mean.
    freq_hz : float, optional
        For gain and phase.
    pulled : tuple of str
        Sockets whose tubes are to be out for it, beside those that are.
    """

    point: str
    quantity: str
    bits: float
    why: str
    freq_hz: float | None = None
    pulled: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """``DC volts at N1``."""
        measurand = Measurand(point=self.point, quantity=self.quantity, freq_hz=self.freq_hz)
        out = f" with {', '.join(self.pulled)} out" if self.pulled else ""
        return place_of(measurand, dc="DC volts at ") + out


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerOff:
    """A part worth measuring with power off, where no live reading tells the suspects apart.

    Parameters
    ----------
    part : str
        Which.
    bits : float
        Expected information about the fault.
    what : str
        What to measure, and how.
    """

    part: str
    bits: float
    what: str


def with_power_off(chance: Mapping[str, float], what: Mapping[str, str], count: int = 2) -> list[PowerOff]:
    """Parts to measure with power off, the most telling first.

    Parameters
    ----------
    chance : mapping of str to float
        Probability that a part is at fault. Its measurement answers yes or no, which is worth the entropy of that
        answer (C. Shannon, Bell Syst. Tech. J. 27 (1948) 379).
    what : mapping of str to str
        What to measure of each.
    count : int
        How many at most.
    """
    found = []
    for part, p in chance.items():
        if p >= WORTH_OPENING:
            bits = -sum(q * np.log2(q) for q in (p, 1.0 - p) if q > 0.0)
            found.append(PowerOff(part=part, bits=round(float(bits), 3), what=what[part]))
    return sorted(found, key=lambda one: (-one.bits, -chance[one.part]))[:count]


def information(groups: np.ndarray, weight: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Mutual information between group and reading, in bits, shape (M,).

    Parameters
    ----------
    groups : ndarray of int, shape (C,)
        Which fault each hypothesis belongs to, counted from 0.
    weight : ndarray, shape (C,)
        Probabilities; they are normalised.
    mean, spread : ndarray, shape (C, M)
        What each hypothesis expects to read.

    Examples
    --------
    >>> far = information(np.array([0, 1]), np.array([0.5, 0.5]), np.array([[0.0], [9.0]]), np.ones((2, 1)))
    >>> round(float(far[0]), 3)
    1.0
    """
    weight = weight / weight.sum()
    low = (mean - 5 * spread).min(axis=0)
    high = (mean + 5 * spread).max(axis=0)
    # Points are laid densely where the hypotheses are: quantiles of all their ranges, not an even ruler.
    offsets = np.linspace(-4.5, 4.5, max(9, GRID_STEPS // len(weight)))
    marks = (mean[:, None, :] + spread[:, None, :] * offsets[None, :, None]).reshape(-1, mean.shape[1])
    marks = np.sort(np.concatenate([marks, low[None], high[None]]), axis=0)
    step = np.gradient(marks, axis=0)
    density = np.exp(-0.5 * ((marks[None] - mean[:, None]) / spread[:, None]) ** 2) / (
        spread[:, None] * np.sqrt(2 * np.pi)
    )
    joint = np.zeros((groups.max() + 1, *marks.shape))
    np.add.at(joint, groups, weight[:, None, None] * density)
    total = joint.sum(axis=0)
    share = np.zeros(groups.max() + 1)
    np.add.at(share, groups, weight)
    with np.errstate(divide="ignore", invalid="ignore"):
        term = joint * np.log2(joint / (total * share[:, None, None]))
    bits: np.ndarray = (np.nan_to_num(term).sum(axis=0) * step).sum(axis=0)
    return np.asarray(np.maximum(bits, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlook:
    """What the leading hypotheses expect of readings not yet taken.

    Parameters
    ----------
    changes : tuple of Change
        C of them.
    weight : ndarray, shape (C,)
        Their probabilities.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    mean, spread : ndarray, shape (C, M)
        In the compared variable, meter and model error included.
    """

    changes: tuple[Change, ...]
    weight: np.ndarray
    columns: np.ndarray
    mean: np.ndarray
    spread: np.ndarray

    def picked(self, rows: Sequence[int], weight: np.ndarray) -> Outlook:
        """Some of the hypotheses, with other weights.

        Parameters
        ----------
        rows : sequence of int
            Which.
        weight : ndarray
            Of each.
        """
        changes = tuple(self.changes[row] for row in rows)
        return replace(self, changes=changes, weight=weight, mean=self.mean[rows], spread=self.spread[rows])


def look_ahead(
    panel: Panel,
    data: Data,
    weighed: Weighed,
    columns: np.ndarray,
    also: Sequence[Change] = (),
    most: int = 24,
    within: float = NEAR,
) -> Outlook | None:
    """Predict readings not yet taken under the leading hypotheses.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings already taken.
    weighed : Weighed
        Their posterior.
    columns : ndarray of int
        Columns of the panel to predict.
    also : sequence of Change
        Hypotheses to look at however light they are.
    most : int
        Hypotheses to look at.
    within : float
        As `Panel.look`.
    """
    order = [i for i in np.argsort(-weighed.log_weight)[:most] if weighed.log_weight[i] > LIGHTEST]
    rows_of = {change: row for row, change in enumerate(weighed.changes)} if also else {}
    order = list(dict.fromkeys([*order, *(rows_of[change] for change in also)]))
    changes = tuple(weighed.changes[i] for i in order)
    if not len(columns) or not changes:
        return None
    count = len(panel.unknowns) + max(1, *(len(change.faults) for change in changes))
    place = np.zeros((len(changes), count))
    covariance = np.repeat(np.eye(count)[None], len(changes), axis=0)
    for row, change in enumerate(changes):
        known: Refined | None = weighed.refined.get(change)
        if known is not None:
            width = min(count, known.unknowns.size)
            place[row, :width] = known.unknowns[:width]
            whole = posterior_covariance(known.slopes[None], known.weights[None])[0]
            covariance[row, :width, :width] = whole[:width, :width]
    predicted, slopes = panel.look(changes, place, columns, within=within)
    alive = ~np.isnan(predicted).any(axis=1)
    variance = np.einsum("cmq,cqr,cmr->cm", slopes, covariance, slopes)
    noise = np.empty(len(columns))
    for index, column in enumerate(columns):
        quantity = panel.quantities[column]
        value = float(from_variable(quantity, np.array(panel.centre[column])))
        relative, absolute = NOISE[quantity]
        noise[index] = np.hypot(relative * value, absolute) * slope_of_variable(quantity, value)
    shared = np.array([MODEL_ERRORS[q].shared for q in panel.quantities[columns]])
    spread = np.sqrt(variance + own_scale(panel, columns, noise, predicted) ** 2 + shared**2)
    return Outlook(
        changes=tuple(c for c, ok in zip(changes, alive, strict=True) if ok),
        weight=np.exp(weighed.log_weight[order])[alive],
        columns=columns,
        mean=predicted[alive],
        spread=spread[alive],
    )


def fault_groups(changes: Sequence[Change], panel: Panel) -> np.ndarray:
    """Number of the fault (part, section, word) behind each hypothesis; 0 is healthy, shape (C,).

    Parameters
    ----------
    changes : sequence of Change
        Hypotheses.
    panel : Panel
        For the faults.
    """
    labels: dict[str, int] = {"": 0}
    result = []
    for change in changes:
        label = " and ".join(panel.faults[i].label for i in change.faults)
        result.append(labels.setdefault(label, len(labels)))
    return np.array(result)


def propose(panel: Panel, outlook: Outlook | None, count: int = 3) -> list[Proposal]:
    """The most telling readings, best first.

    Parameters
    ----------
    panel : Panel
        The model.
    outlook : Outlook, optional
        From `look_ahead`.
    count : int
        How many.
    """
    if outlook is None:
        return []
    heavy = [row for row, weight in enumerate(outlook.weight) if weight > np.exp(LIGHTEST)]
    if not heavy:
        return []
    outlook = outlook.picked(heavy, outlook.weight[heavy])
    groups = fault_groups(outlook.changes, panel)
    used = np.unique(groups, return_inverse=True)[1]
    bits = information(used, outlook.weight, outlook.mean, outlook.spread)
    dc = _dc_volts(panel)
    cost = np.array(
        [effort(panel.model, panel.plain[c], dc.get(panel.measurands[c].points[-1], 0.0)) for c in outlook.columns]
    )
    order = np.argsort(-bits / cost)
    return [
        Proposal(
            point=panel.plain[outlook.columns[i]].point,
            quantity=panel.plain[outlook.columns[i]].quantity,
            freq_hz=panel.plain[outlook.columns[i]].freq_hz,
            bits=round(float(bits[i]), 3),
            why=_why(panel, outlook, used, int(i)),
        )
        for i in order[:count]
        if bits[i] > 1e-3
    ]


def _dc_volts(panel: Panel) -> Mapping[str, float]:
    return {
        m.point: float(from_variable("dc_v", panel.centre[i]))
        for i, m in enumerate(panel.measurands)
        if m.quantity == "dc_v"
    }


def _why(panel: Panel, outlook: Outlook, groups: np.ndarray, index: int) -> str:
    """What the leading fault would show, and the two that the reading tells best from it."""
    measurand = panel.measurands[outlook.columns[index]]
    first = int(np.argmax(np.bincount(groups, outlook.weight)))
    lead = int(np.argmax(np.where(groups == first, outlook.weight, 0.0)))
    told = telling(outlook.weight, outlook.mean[:, index], outlook.spread[:, index], lead)
    best = {int(groups[row]): int(row) for row in np.argsort(told, kind="stable") if groups[row] != first}
    others = sorted(best.values(), key=lambda row: -told[row])
    others = [row for row in others if told[row] > SLIGHT * told[others[0]]][:2]
    parts = []
    for row in (lead, *others):
        label = " and ".join(panel.faults[i].label for i in outlook.changes[row].faults) or "nothing wrong"
        value = float(from_variable(measurand.quantity, outlook.mean[row, index]))
        value = 0.0 if measurand.quantity == "dc_v" and abs(value) < LEAST_SHOWN_V else value
        parts.append(f"{label}: {show(measurand, value)}")
    return "; ".join(parts)


def telling(weight: np.ndarray, mean: np.ndarray, spread: np.ndarray, lead: int) -> np.ndarray:
    """How much a reading can say for each hypothesis against the leading one, in nats, shape (C,).

    Parameters
    ----------
    weight : ndarray, shape (C,)
        Probabilities.
    mean, spread : ndarray, shape (C,)
        What each hypothesis expects to read.
    lead : int
        Which hypothesis leads.

    Notes
    -----
    Half the squared distance in spreads is what the reading says for a hypothesis if it is true (S. Kullback and R.
    Leibler, Ann. Math. Stat. 22 (1951) 79, for equal spreads); more than its surprise, the logarithm of its
    probability, no reading has to say.

    Examples
    --------
    >>> telling(np.array([0.9, 0.09, 0.01]), np.array([1.0, 1.0, 8.0]), np.ones(3), 0).round(3).tolist()
    [0.0, 0.0, 0.046]
    """
    weight = weight / weight.sum()
    distance = (mean - mean[lead]) / spread
    return np.asarray(weight * np.minimum(0.5 * distance**2, -np.log(np.maximum(weight, 1e-300))))


def separating(panel: Panel, outlook: Outlook | None, first: Change, second: Change) -> Proposal | None:
    """The reading not yet taken that best tells two hypotheses apart, or None when none does.

    Parameters
    ----------
    panel : Panel
        The model.
    outlook : Outlook, optional
        From `look_ahead`.
    first, second : Change
        The two hypotheses.
    """
    if outlook is None or first not in outlook.changes or second not in outlook.changes:
        return None
    pair = outlook.picked([outlook.changes.index(c) for c in (first, second)], np.array([0.5, 0.5]))
    proposals = propose(panel, pair, count=1)
    return proposals[0] if proposals and proposals[0].bits >= ENOUGH_BITS else None
