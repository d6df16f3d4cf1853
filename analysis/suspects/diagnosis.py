"""From readings to a ranked answer: suspects with probability, estimate and reason, and what to read next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Reading

from ..chassis import ChassisModel
from ..faults import Fault
from .artefacts import artefacts
from .because import Healthy, explain, healthy_view
from .data import Data, Weighed, collect, values_found
from .evidence import posterior_covariance
from .next_reading import Proposal, candidates, propose, separating
from .pairs import DOUBT_BELOW, best_single, misfit_chance, try_pairs
from .panel import LAST, Change, Panel
from .weighing import weigh, weigh_distortion

LISTED = 0.002
"""Probability from which a suspect is listed."""

ALIKE_ODDS = 10.0
"""Two faults whose evidence differs by less than this factor are look-alikes on the readings taken. Between 3
and 10 is
`worth a mention` on the scale of Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773 (from memory)."""


WIDER, LEAST = 1.6, 0.1
"""An estimate's interval is taken wider by this factor and never narrower than this (logarithm, one standard
deviation): the
slope of the fault itself carries the error of the equations, which the fit does not see."""


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
    return values_found(model.parameters, [event for event in events if event.kind == "part_measured"])


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
    limit_v, probe_limit_v : float, optional
        Lowest rating of meter and lead, of scope and probe; points that could exceed it are not proposed.
    dc_only : bool
        Propose DC readings only.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand] = (),
        events: Sequence[Event] = (),
        limit_v: float | None = None,
        probe_limit_v: float | None = None,
        dc_only: bool = False,
    ) -> None:
        self.model = model
        self.limits_v = (limit_v, probe_limit_v)
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
        notes = self._notes(readings, data)
        best = best_single(weighed)
        if best is not None and misfit_chance(best, data) < DOUBT_BELOW:
            weighed = try_pairs(self.panel, data, weighed)
            notes.append(self._doubt(weighed))
        healthy = healthy_view(self.panel, data) if data.readings else None
        doubtful = artefacts(self.panel, data, weighed, healthy) if healthy is not None else []
        chance = weighed.probability
        healthy_chance = float(chance[[not c.faults for c in weighed.changes]].sum())
        weights = [healthy_chance * math.exp(min(a.log_weight, 300.0)) for a in doubtful]
        total = 1.0 + sum(weights)
        suspects = self._suspects(data, weighed, healthy)
        suspects = [replace(s, probability=s.probability / total) for s in suspects]
        suspects += [
            Suspect(
                part=a.point, section="", fault=f"artefact: {a.name}", probability=w / total, estimate=None,
                because=a.because, separates=f"read {a.point} again, probe factor and pin checked",
            )
            for a, w in zip(doubtful, weights, strict=True)
            if w / total > LISTED
        ]  # fmt: skip
        return Diagnosis(
            healthy_probability=healthy_chance / total,
            suspects=tuple(sorted(suspects, key=lambda s: -s.probability)),
            next=tuple(propose(self.panel, data, weighed, *self.limits_v, dc_only=self.dc_only)),
            notes=tuple(notes),
        )

    def _doubt(self, weighed: Weighed) -> str:
        """What to say when no single fault explains the readings."""
        pairs = [i for i in np.argsort(-weighed.log_weight) if len(weighed.changes[i].faults) == 2]
        both = float(weighed.probability[pairs].sum()) if pairs else 0.0
        text = "one fault alone does not explain these readings well"
        if pairs and both > 0.5:
            names = " with ".join(self.panel.faults[f].label for f in weighed.changes[pairs[0]].faults)
            return f"{text}; two together do better: {names} (two faults: {both:.0%})"
        return f"{text}, and no pair tried does better: look for a wrong reading or part, or a drawing that differs"

    def _notes(self, readings: Sequence[Reading], data: Data) -> list[str]:
        notes = []
        for key, (value, _) in self.measured.items():
            parameter = self.model.parameters[key]
            if parameter.sigma and abs(math.log(value / parameter.nominal) - parameter.shift) > 4 * parameter.sigma:
                unit = {"ohm": "ohm", "F": "F", "H": "H"}.get(parameter.unit, "")
                notes.append(
                    f"{key} was measured as {format_value(value, unit)}, "
                    f"drawn as {format_value(parameter.nominal, unit)}: out of tolerance, and taken into account"
                )
        unknown = {r.point for r in readings if r.quantity not in LAST} - {r.point for r in data.readings}
        if unknown:
            notes.append(f"not used: {', '.join(sorted(unknown))}")
        return notes

    def _suspects(self, data: Data, weighed: Weighed, healthy: Healthy | None) -> list[Suspect]:
        chance = weighed.probability
        groups: dict[tuple[str, str, str], list[int]] = {}
        for row, change in enumerate(weighed.changes):
            for index in change.faults:
                fault = self.panel.faults[index]
                groups.setdefault((fault.part, fault.section, fault.fault), []).append(row)
        total = {key: float(chance[rows].sum()) for key, rows in groups.items()}
        ranked = sorted(total, key=lambda key: -total[key])
        listed = [key for n, key in enumerate(ranked) if total[key] >= LISTED or n < 3][:20]
        lead = {key: max(groups[key], key=lambda row: weighed.log_weight[row]) for key in listed}
        plain = weighed.refined.get(Change())
        result = []
        for key in listed:
            change = weighed.changes[lead[key]]
            fault = self._fault(change, key)
            refined = weighed.refined.get(change)
            because = explain(self.panel, data, healthy, fault, refined, plain) if healthy else "no readings yet"
            alike = self._alike(weighed, lead, key) if healthy else []
            result.append(
                Suspect(
                    part=fault.part,
                    section=fault.section,
                    fault=fault.fault,
                    probability=total[key],
                    estimate=self._estimate(weighed, groups[key], key),
                    because=because,
                    alike=tuple(self._fault(weighed.changes[lead[k]], k).label for k in alike),
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
            # Two faults at once share one hypothesis: they are not each other's look-alikes.
            if row != lead[key]
            and other[:2] != key[:2]
            and abs(self._evidence(weighed, row) - mine) < math.log(ALIKE_ODDS)
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
        fault = self._fault(change, key)
        if not alike or not data.readings:
            return fault.separate
        other = weighed.changes[lead[alike[0]]]
        live = separating(self.panel, weighed, data, change, other, *self.limits_v)
        if live is None:
            return f"no live reading the model knows tells them apart; {fault.separate}"
        return f"{live.quantity} at {live.point} ({live.why})"

    def _fault(self, change: Change, key: tuple[str, str, str]) -> Fault:
        """The fault of a hypothesis that belongs to a part, section and word."""
        return next(f for f in (self.panel.faults[i] for i in change.faults) if (f.part, f.section, f.fault) == key)

    def _estimate(self, weighed: Weighed, rows: Sequence[int], key: tuple[str, str, str]) -> Estimate | None:
        faults = [self._fault(weighed.changes[row], key) for row in rows]
        shown = faults[0].shown
        if not shown:
            return None
        weight = np.exp(weighed.log_weight[rows] - weighed.log_weight[rows].max())
        means, spreads = [], []
        for row, fault in zip(rows, faults, strict=True):
            change = weighed.changes[row]
            order = [self.panel.faults[i] for i in change.faults].index(fault)
            mean, spread = math.log(abs(change.values[order])), fault.cell_log
            refined = weighed.refined.get(change)
            if refined is not None and fault.cell_log > 0:
                place = len(self.panel.unknowns) + order
                whole = posterior_covariance(refined.slopes[None], refined.weights[None])[0]
                mean += fault.cell_log * refined.unknowns[place]
                spread = math.hypot(WIDER * fault.cell_log * math.sqrt(whole[place, place]), LEAST)
            means.append(mean)
            spreads.append(max(spread, 1e-4))
        low, middle, high = np.exp(_quantiles(weight / weight.sum(), np.array(means), np.array(spreads)))
        bound, edge = _bound(faults[0], low, high)
        if bound == "above":
            low = min(low, edge)
        elif bound == "below":
            high = max(high, edge)
        nominal = abs(self.model.parameters[faults[0].key].nominal)
        if shown == "1/ohm":
            turned = {"above": "below", "below": "above"}.get(bound, "")
            return Estimate(value=1 / middle, low=1 / high, high=1 / low, unit="ohm", bound=turned)
        if shown == "x":
            return Estimate(value=middle / nominal, low=low / nominal, high=high / nominal, unit="x", bound=bound)
        return Estimate(value=float(middle), low=float(low), high=float(high), unit=shown, bound=bound)


def _bound(fault: Fault, low: float, high: float) -> tuple[str, float]:
    """Whether an interval runs to the severe end of what is tried, and where the last resolved severity ends there.

    Parameters
    ----------
    fault : Fault
        For its severities, from least to most severe.
    low, high : float
        Interval, in the unit of the parameter.

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
        return ("above", before * width) if high >= last else ("", 0.0)
    return ("below", before / width) if low <= last else ("", 0.0)


def _quantiles(weight: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Quantiles 2.5, 50 and 97.5 % of a mixture of normals."""
    from scipy.special import ndtr

    grid = np.linspace((mean - 4 * spread).min(), (mean + 4 * spread).max(), 2000)
    level = (weight[:, None] * ndtr((grid - mean[:, None]) / spread[:, None])).sum(axis=0)
    return np.interp([0.025, 0.5, 0.975], level, grid)
