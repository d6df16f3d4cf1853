"""From readings to a ranked answer: suspects with probability, estimate and reason, and what to read next."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Reading

from ..chassis import ChassisModel
from ..faults import Fault
from ..inference.changes import Change
from ..inference.data import Data, Refined, Weighed, collect
from ..inference.panel import Panel
from ..inference.places import NEAR
from ..inference.refining import refine
from ..inference.standings import tail_of, told_apart
from ..inference.variables import LAST, canonical
from ..work import repaired, values_found
from .answer import Diagnosis, Suspect
from .artefacts import Artefact, artefacts
from .because import Healthy, explain, healthy_view
from .candidates import beyond_ratings, candidates, cold_candidates, is_cold, open_columns
from .controls import elsewhere
from .estimates import estimate_of
from .next_reading import (
    ENOUGH_BITS,
    Outlook,
    look_ahead,
    propose,
    separating,
    with_power_off,
)
from .other_tubes import OtherTubes
from .pairs import DOUBT_BELOW, best_single, misfit_chance, try_pairs, with_pairs
from .prior import log_priors, usual_round
from .pulling import with_tube_out
from .remarks import doubt, left_out, out_of_tolerance, unseen_by_dc
from .slips import LISTED, SLIP, weigh_slips
from .weighing import KEPT_WITHIN, glance, weigh, weigh_distortion

ALIKE_ODDS = 10.0
"""Two faults are look-alikes on the readings taken where their evidence differs by less than this factor, or where
the odds after all, belief in each beforehand included, are less. Evidence between 3 and 10 is `worth a mention` on
the scale of Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773 (from memory)."""


SUBSTITUTE = "a substitute tube, power off to change it, then these readings again"
"""What settles whether a tube is at fault that was out of its socket already."""


def _leading_pairs(weighed: Weighed) -> dict[Change, Refined]:
    """Pairs that are not far behind the best."""
    least = weighed.log_weight.max() - KEPT_WITHIN
    rows = [row for row in np.flatnonzero(weighed.log_weight > least) if len(weighed.changes[row].faults) > 1]
    return {weighed.changes[row]: weighed.refined[weighed.changes[row]] for row in rows}


class Diagnoser:
    """Weighs the faults of one chassis, reading after reading.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        What is expected to be read: predictions are made ready for these and for what could be proposed.
    work : sequence of Event
        Done on it, see `analysis.work`: values found replace the nominal ones, and once a part or a tube was
        changed a healthy chassis is likelier.
    limit_v, probe_limit_v : float, optional
        Lowest rating of meter and lead, of scope and probe; points that could exceed it are not proposed.
    dc_only : bool
        Propose DC readings only.
    beside : sequence of ChassisModel, optional
        The same chassis with more out of circuit, for readings that `analysis.inference.standings.told_apart`
        names.
    now : ChassisModel, optional
        One of these, where the chassis stands so when the next reading is taken.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand] = (),
        work: Sequence[Event] = (),
        limit_v: float | None = None,
        probe_limit_v: float | None = None,
        dc_only: bool = False,
        beside: Sequence[ChassisModel] = (),
        now: ChassisModel | None = None,
    ) -> None:
        import scipy.special  # noqa: F401  (loading it takes longer than an answer, which needs it)

        self.model = model
        self.limits_v = (limit_v, probe_limit_v)
        self.dc_only = dc_only
        self.measured = values_found(model.parameters, work)
        usual = usual_round(model)
        self._now = now or model
        tail = tail_of(model.chassis, self._now.chassis.pulled)
        able = [told_apart(m, tail) for m in candidates(self._now, dc_only)] if tail else []
        able += [told_apart(m, tail) for m in cold_candidates(self._now)] if is_cold(measurands) else []
        self.panel = Panel(model, [*measurands, *usual, *able], self.measured, beside=beside)
        self._beyond = beyond_ratings(self._now, limit_v, probe_limit_v, dc_only)
        self._prior = log_priors(self.panel, usual, repaired(work))
        self._before: tuple[frozenset[Reading], Weighed] | None = None
        self._last: tuple[Data, Weighed] | None = None
        self._pairs: dict[Change, Refined] = {}

    def expects(self, measurands: Sequence[Measurand]) -> bool:
        """Whether predictions are ready for all of these.

        Parameters
        ----------
        measurands : sequence of Measurand
            Those without predictions are left out of an answer.
        """
        return all(canonical(m) in self.panel.columns for m in measurands if m.quantity not in LAST)

    def diagnose(self, readings: Sequence[Reading]) -> Diagnosis:
        """Rank the suspects.

        Parameters
        ----------
        readings : sequence of Reading
            Of one pass, in any order; those not of judged quality, without a column or without their drive are
            left out and noted.
        """
        judged, data = self._collected(readings)
        distorted = [r for r in judged if r.quantity in LAST]
        notes, healthy = self._notes(readings, data), self._healthy(data)
        singles = weigh(self.panel, data, self._prior, self._fewer(data))
        self._before = (frozenset(data.readings), singles)
        weighed, doubt = self._whole(data, singles, distorted)
        self._pairs = _leading_pairs(weighed) if doubt else {}
        slips = artefacts(self.panel, data, singles, healthy) if healthy is not None else []

        def again(right: Data) -> tuple[Weighed, str]:
            return self._whole(right, weigh(self.panel, right, self._prior), distorted)

        found = weigh_slips(data, weighed, doubt, slips, again)
        self._last = found.data, found.weighed
        others = self._others.weigh(self.panel, found.data, found.weighed)
        chance = min(sum(other.probability for other in others), 1.0)
        notes += [] if chance > 0.5 else found.notes
        answer = self._answer(found.data, found.weighed, notes, found.listed)
        suspects = [replace(one, probability=one.probability * (1.0 - chance)) for one in answer.suspects]
        suspects += [
            Suspect(
                part=other.sockets[0], section="", fault=other.fault, probability=other.probability, estimate=None,
                because=other.because, separates=other.separates,
            )
            for other in others
            if other.probability > LISTED
        ]  # fmt: skip
        return replace(
            answer,
            healthy_probability=answer.healthy_probability * (1.0 - chance),
            suspects=tuple(sorted(suspects, key=lambda one: -one.probability)),
        )

    def with_tube_out(self, diagnosis: Diagnosis) -> Diagnosis:
        """The last answer, with the reading that pulling a suspected tube would pay for.

        Parameters
        ----------
        diagnosis : Diagnosis
            From `diagnose`.
        """
        if self._last is None or not self._last[0].readings or is_cold(self._last[0].readings):
            return diagnosis
        out = with_tube_out(self.panel, *self._last, diagnosis.next, self.limits_v[0], self._now)
        return replace(diagnosis, tube_out=tuple(out))

    @cached_property
    def _others(self) -> OtherTubes:
        return OtherTubes(self.model, self.measured, [standing.model for standing in self.panel.standings[1:]])

    def _whole(self, data: Data, weighed: Weighed, distorted: Sequence[Reading]) -> tuple[Weighed, str]:
        """Add distortion and, where one fault alone does not explain the readings, pairs; what to say then."""
        weighed = weigh_distortion(self.panel, distorted, weighed)
        best = best_single(weighed)
        if best is None or misfit_chance(best, data) >= DOUBT_BELOW:
            return weighed, ""
        weighed = try_pairs(self.panel, data, weighed)
        return weighed, doubt(self.panel, weighed, data)

    def _healthy(self, data: Data) -> Healthy | None:
        return healthy_view(self.panel, data) if data.readings else None

    def glance(self, readings: Sequence[Reading]) -> Diagnosis | None:
        """Rank the suspects roughly and at once, from where the last answer left them.

        Parameters
        ----------
        readings : sequence of Reading
            As `diagnose`; those of distortion do not count yet.

        Returns
        -------
        Diagnosis or None
            None where there is nothing to go on: no reading, or readings that neither one fault explains nor two
            that were tried before.
        """
        _, data = self._collected(readings)
        if not data.readings:
            return None
        before = self._fewer(data)
        weighed, notes = glance(self.panel, data, self._prior, before), self._notes(readings, data)
        if before is not None and self._pairs:
            starts = {pair: found.unknowns for pair, found in self._pairs.items()}
            pairs = refine(self.panel, data, list(starts), starts=starts, within=math.inf)
            weighed = with_pairs(self.panel, weighed, pairs)
            notes.append(doubt(self.panel, weighed, data))
        lead = weighed.refined.get(weighed.changes[int(weighed.log_weight.argmax())])
        if lead is not None and misfit_chance(lead, data) < DOUBT_BELOW:
            return None
        return self._answer(data, weighed, notes, [], within=math.inf)

    def _collected(self, readings: Sequence[Reading]) -> tuple[list[Reading], Data]:
        judged = [r for r in readings if r.quality in JUDGED_QUALITIES and not r.measurand.lacks_drive]
        return judged, collect(self.panel, judged)

    def _answer(
        self,
        data: Data,
        weighed: Weighed,
        notes: Sequence[str],
        slips: Sequence[tuple[Artefact, float]],
        within: float = NEAR,
    ) -> Diagnosis:
        """What the weights say; slips with their probability, ``within`` as `Panel.look`."""
        healthy = self._healthy(data)
        healthy_chance = float(weighed.probability[[not c.faults for c in weighed.changes]].sum())
        lead = self._leads(weighed)
        columns = open_columns(self.panel, data, *self.limits_v, dc_only=self.dc_only, now=self._now)
        also = [weighed.changes[rows[0]] for rows in lead.values()]
        outlook = look_ahead(self.panel, data, weighed, columns, also, within=within)
        suspects = self._suspects(data, weighed, healthy, lead, outlook)
        suspects += [
            Suspect(
                part=slip.point, section="", fault=SLIP + slip.name, probability=chance, estimate=None,
                because=slip.because, separates=slip.separates,
            )
            for slip, chance in slips
        ]  # fmt: skip
        live = propose(self.panel, outlook)
        parts: dict[str, float] = {}
        for suspect in suspects[: len(lead)]:
            parts[suspect.part] = min(parts.get(suspect.part, 0.0) + suspect.probability, 1.0)
        faults = [self.panel.fault_of(weighed.changes[rows[0]], key) for key, rows in lead.items()]
        settled_by = self._settled_by(data)
        what = {fault.part: settled_by(fault) for fault in reversed(faults)}
        told = any(proposal.bits >= ENOUGH_BITS for proposal in live)
        return Diagnosis(
            healthy_probability=healthy_chance,
            suspects=tuple(sorted(suspects, key=lambda s: -s.probability)),
            next=tuple(live),
            notes=(*notes, *elsewhere(self.panel, weighed)),
            power_off=() if told or not data.readings else tuple(with_power_off(parts, what)),
        )

    def _settled_by(self, data: Data) -> Callable[[Fault], str]:
        """What settles a fault: of a tube that was out for some of the readings, pulling it again tells no more."""
        read, there = set(data.columns.tolist()), self.model.chassis.sockets.keys() - set(self.model.chassis.pulled)
        stood = [standing for standing in self.panel.standings[1:] if read & standing.plain.keys()]
        out = {name for standing in stood for name in standing.model.chassis.pulled if name in there}
        return lambda fault: SUBSTITUTE if fault.part in out else fault.separate

    def _fewer(self, data: Data) -> Weighed | None:
        """The last answer, where it came from some of these readings: from none there is nothing to go on."""
        if self._before is None or not self._before[0] or not self._before[0] <= set(data.readings):
            return None
        return self._before[1]

    def _notes(self, readings: Sequence[Reading], data: Data) -> list[str]:
        known = out_of_tolerance(self.model, self.measured)
        dc_alone = bool(data.readings) and set(data.quantities) == {"dc_v"}
        return [*known, *left_out(readings, data), *(self._unseen if dc_alone else ()), *self._beyond]

    @cached_property
    def _unseen(self) -> list[str]:
        return unseen_by_dc(self.panel)

    def _leads(self, weighed: Weighed) -> dict[tuple[str, str, str], list[int]]:
        """Hypotheses of each fault worth listing, most probable fault first, heaviest hypothesis first."""
        groups: dict[tuple[str, str, str], list[int]] = {}
        for row in np.argsort(-weighed.log_weight):
            for index in weighed.changes[row].faults:
                fault = self.panel.faults[index]
                groups.setdefault((fault.part, fault.section, fault.fault), []).append(int(row))
        chance = weighed.probability
        total = {key: float(chance[rows].sum()) for key, rows in groups.items()}
        ranked = sorted(total, key=lambda key: -total[key])
        return {key: groups[key] for n, key in enumerate(ranked[:20]) if total[key] >= LISTED or n < 3}

    def _suspects(
        self,
        data: Data,
        weighed: Weighed,
        healthy: Healthy | None,
        groups: Mapping[tuple[str, str, str], list[int]],
        outlook: Outlook | None,
    ) -> list[Suspect]:
        total = {key: float(weighed.probability[rows].sum()) for key, rows in groups.items()}
        lead = {key: rows[0] for key, rows in groups.items()}
        # Single faults stand first, in the order of the panel; what was believed of a pair is left out.
        alone = {key: [row for row in rows if row < self._prior.size] for key, rows in groups.items()}
        believed = {key: np.logaddexp.reduce(self._prior[rows]) for key, rows in alone.items()}
        support = {key: math.log(max(total[key], 1e-300)) - float(believed[key]) for key in groups}
        odds = {key: math.log(max(total[key], 1e-300)) for key in groups}
        plain, settled_by = weighed.refined.get(Change()), self._settled_by(data)
        result = []
        for key in groups:
            change = weighed.changes[lead[key]]
            fault = self.panel.fault_of(change, key)
            refined = weighed.refined.get(change)
            because = explain(self.panel, data, healthy, fault, refined, plain) if healthy else "no readings yet"
            alike = self._alike((support, odds), lead, key) if healthy else []
            separates = settled_by(fault)
            if alike:
                live = separating(self.panel, outlook, change, weighed.changes[lead[alike[0]]])
                separates = f"no live reading the model knows tells them apart; {separates}"
                if live is not None:
                    separates = f"{live.text} ({live.why})"
            result.append(
                Suspect(
                    part=fault.part,
                    section=fault.section,
                    fault=fault.fault,
                    probability=total[key],
                    estimate=estimate_of(self.panel, weighed, fault),
                    because=because,
                    alike=tuple(self.panel.fault_of(weighed.changes[lead[k]], k).label for k in alike),
                    separates=separates,
                )
            )
        return result

    def _alike(
        self,
        measures: Sequence[Mapping[tuple[str, str, str], float]],
        lead: Mapping[tuple[str, str, str], int],
        key: tuple[str, str, str],
    ) -> list[tuple[str, str, str]]:
        """Faults of other parts that are nearly as well off by any measure, severities taken together."""
        return [
            other
            for other, row in lead.items()
            # Two faults at once share one hypothesis: they are not each other's look-alikes.
            if row != lead[key]
            and other[:2] != key[:2]
            and any(abs(measure[other] - measure[key]) < math.log(ALIKE_ODDS) for measure in measures)
        ]
