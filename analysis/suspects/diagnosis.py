"""From readings to a ranked answer: suspects with probability, estimate and reason, and what to read next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Reading

from ..chassis import ChassisModel
from ..faults import Fault
from .because import Healthy, explain, healthy_view
from .evidence import posterior_covariance
from .next_reading import Proposal, candidates, propose, separating
from .panel import LAST, Panel
from .weighing import Data, Weighed, collect, weigh, weigh_distortion

LISTED = 0.002
"""Probability from which a suspect is listed."""

ALIKE_ODDS = 10.0
"""Two faults whose evidence differs by less than this factor are look-alikes on the readings taken. Between 3 and 10 is
`worth a mention` on the scale of Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773 (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What the suspect part would measure.

    Parameters
    ----------
    value, low, high : float
        Median and 95 % interval, in ``unit``.
    unit : str
        ``ohm farad henry A`` or ``x`` for a multiple of normal.
    """

    value: float
    low: float
    high: float
    unit: str

    @property
    def text(self) -> str:
        """``1.2 Mohm, 0.8 Mohm to 1.9 Mohm``."""
        unit = {"farad": "F", "henry": "H", "x": "x normal"}.get(self.unit, self.unit)
        if self.unit == "x":
            return f"{self.value:.2g} x normal, {self.low:.2g} to {self.high:.2g}"
        return (
            f"{format_value(self.value, unit)}, {format_value(self.low, unit)} to {format_value(self.high, unit)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A fault with its probability.

    Parameters
    ----------
    part, section, fault : str
        As `Fault`.
    probability : float
        Given all readings.
    estimate : Estimate, optional
        What the part would measure, where that means something.
    because : str
        Why, with numbers.
    alike : tuple of str
        Other faults these readings hardly tell from this one.
    separates : str
        What does tell them apart.
    """

    part: str
    section: str
    fault: str
    probability: float
    estimate: Estimate | None
    because: str
    alike: tuple[str, ...] = ()
    separates: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """The answer for one pass.

    Parameters
    ----------
    healthy_probability : float
        That nothing is wrong with any part the model knows.
    suspects : tuple of Suspect
        Most probable first.
    next : tuple of Proposal
        Most telling reading first.
    notes : tuple of str
        Whether one fault explains the readings, measured parts out of tolerance, readings left out.
    """

    healthy_probability: float
    suspects: tuple[Suspect, ...]
    next: tuple[Proposal, ...]
    notes: tuple[str, ...] = field(default=())


def measured_parts(model: ChassisModel, events: Sequence[Event]) -> dict[str, tuple[float, float]]:
    """Parameters measured with power off, from the events of a pass; the last one wins.

    Parameters
    ----------
    model : ChassisModel
        For its keys.
    events : sequence of Event
        ``part_measured`` with a value; a missing uncertainty is taken as 1 %.
    """
    result = {}
    for event in events:
        if event.kind == "part_measured" and event.value and event.value > 0 and event.subject in model.parameters:
            result[event.subject] = (event.value, event.std or 0.01 * event.value)
    return result


class Diagnoser:
    """Weighs the faults of one chassis, reading after reading.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        What is expected to be read: predictions are made ready for these and for what could be proposed.
    events : sequence of Event
        ``part_measured`` events replace nominal values.
    limit_v : float, optional
        Lowest rating of lead, probe and instrument; points that could exceed it are not proposed.
    dc_only : bool
        Propose DC readings only.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand] = (),
        events: Sequence[Event] = (),
        limit_v: float | None = None,
        dc_only: bool = False,
    ) -> None:
        self.model = model
        self.limit_v = limit_v
        self.dc_only = dc_only
        self.measured = measured_parts(model, events)
        self.panel = Panel(model, [*measurands, *candidates(model, dc_only)], self.measured)

    def diagnose(self, readings: Sequence[Reading]) -> Diagnosis:
        """Rank the suspects.

        Parameters
        ----------
        readings : sequence of Reading
            Of one pass, in any order; those not of judged quality or without a column are left out and noted.
        """
        judged = [r for r in readings if r.quality in JUDGED_QUALITIES]
        data = collect(self.panel, judged)
        weighed = weigh_distortion(self.panel, [r for r in judged if r.quantity in LAST], weigh(self.panel, data))
        healthy = healthy_view(self.panel, data) if data.readings else None
        suspects = self._suspects(data, weighed, healthy)
        proposals = propose(self.panel, data, weighed, self.limit_v, dc_only=self.dc_only)
        chance = weighed.probability
        return Diagnosis(
            healthy_probability=float(chance[[not c.faults for c in weighed.changes]].sum()),
            suspects=tuple(suspects),
            next=tuple(proposals),
            notes=tuple(self._notes(readings, data)),
        )

    def _notes(self, readings: Sequence[Reading], data: Data) -> list[str]:
        notes = []
        for key, (value, _) in self.measured.items():
            parameter = self.model.parameters[key]
            if parameter.sigma and abs(math.log(value / parameter.nominal) - parameter.shift) > 4 * parameter.sigma:
                unit = {"ohm": "ohm", "F": "F", "H": "H"}.get(parameter.unit, "")
                notes.append(
                    f"{key} was measured as {format_value(value, unit)}, drawn as {format_value(parameter.nominal, unit)}: "
                    "out of tolerance, and taken into account"
                )
        unknown = {r.point for r in readings if r.quantity not in LAST} - {r.point for r in data.readings}
        if unknown:
            notes.append(f"not used: {', '.join(sorted(unknown))}")
        return notes

    def _suspects(self, data: Data, weighed: Weighed, healthy: Healthy | None) -> list[Suspect]:
        chance = weighed.probability
        groups: dict[tuple[str, str, str], list[int]] = {}
        for row, change in enumerate(weighed.changes):
            if len(change.faults) == 1:
                fault = self.panel.faults[change.faults[0]]
                groups.setdefault((fault.part, fault.section, fault.fault), []).append(row)
        total = {key: float(chance[rows].sum()) for key, rows in groups.items()}
        ranked = sorted(total, key=lambda key: -total[key])
        listed = [key for n, key in enumerate(ranked) if total[key] >= LISTED or n < 3][:20]
        lead = {key: max(groups[key], key=lambda row: weighed.log_weight[row]) for key in listed}
        result = []
        for key in listed:
            change = weighed.changes[lead[key]]
            fault = self.panel.faults[change.faults[0]]
            refined = weighed.refined.get(change)
            because = explain(self.panel, data, healthy, fault, refined) if healthy else "no readings yet"
            alike = self._alike(weighed, lead, key) if healthy else []
            result.append(
                Suspect(
                    part=fault.part,
                    section=fault.section,
                    fault=fault.fault,
                    probability=total[key],
                    estimate=self._estimate(weighed, groups[key]),
                    because=because,
                    alike=tuple(self.panel.faults[weighed.changes[lead[k]].faults[0]].label for k in alike),
                    separates=self._separates(data, weighed, lead, key, alike),
                )
            )
        return result

    def _evidence(self, weighed: Weighed, row: int) -> float:
        refined = weighed.refined.get(weighed.changes[row])
        return refined.evidence if refined else -np.inf

    def _alike(
        self, weighed: Weighed, lead: Mapping[tuple[str, str, str], int], key: tuple[str, str, str]
    ) -> list[tuple[str, str, str]]:
        mine = self._evidence(weighed, lead[key])
        if not np.isfinite(mine):
            return []
        return [
            other
            for other, row in lead.items()
            if other[:2] != key[:2] and abs(self._evidence(weighed, row) - mine) < math.log(ALIKE_ODDS)
        ]

    def _separates(
        self,
        data: Data,
        weighed: Weighed,
        lead: Mapping[tuple[str, str, str], int],
        key: tuple[str, str, str],
        alike: Sequence[tuple[str, str, str]],
    ) -> str:
        change = weighed.changes[lead[key]]
        fault: Fault = self.panel.faults[change.faults[0]]
        if not alike or not data.readings:
            return fault.separate
        other = weighed.changes[lead[alike[0]]]
        live = separating(self.panel, weighed, data, change, other)
        if live is None:
            return f"no live reading the model knows tells them apart; {fault.separate}"
        return f"{live.quantity} at {live.point} ({live.why})"

    def _estimate(self, weighed: Weighed, rows: Sequence[int]) -> Estimate | None:
        faults = [self.panel.faults[weighed.changes[row].faults[0]] for row in rows]
        shown = faults[0].shown
        if not shown:
            return None
        weight = np.exp(weighed.log_weight[rows] - weighed.log_weight[rows].max())
        means, spreads = [], []
        for row, fault in zip(rows, faults, strict=True):
            change = weighed.changes[row]
            mean, spread = math.log(abs(change.values[0])), fault.cell_log
            refined = weighed.refined.get(change)
            if refined is not None and fault.cell_log > 0:
                place = len(self.panel.unknowns)
                whole = posterior_covariance(refined.slopes[None], refined.weights[None])[0]
                mean += fault.cell_log * refined.unknowns[place]
                spread *= math.sqrt(whole[place, place])
            means.append(mean)
            spreads.append(max(spread, 1e-4))
        low, middle, high = np.exp(_quantiles(weight / weight.sum(), np.array(means), np.array(spreads)))
        nominal = abs(self.model.parameters[faults[0].key].nominal)
        if shown == "1/ohm":
            return Estimate(value=1 / middle, low=1 / high, high=1 / low, unit="ohm")
        if shown == "x":
            return Estimate(value=middle / nominal, low=low / nominal, high=high / nominal, unit="x")
        return Estimate(value=float(middle), low=float(low), high=float(high), unit=shown)


def _quantiles(weight: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Quantiles 2.5, 50 and 97.5 % of a mixture of normals."""
    from scipy.special import ndtr

    grid = np.linspace((mean - 4 * spread).min(), (mean + 4 * spread).max(), 2000)
    level = (weight[:, None] * ndtr((grid - mean[:, None]) / spread[:, None])).sum(axis=0)
    return np.interp([0.025, 0.5, 0.975], level, grid)
