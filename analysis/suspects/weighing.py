"""Posterior probability of every hypothesis from any subset of readings.

First every hypothesis is scored with the slopes of the nominal chassis (`first_round`), and once more beside the
healthy chassis where that explains the readings (`second_round`). The best are refined: own slopes, and steps of
Gauss and Newton through the model itself, so that a far operating point, a high mains or a strong tube is followed
and not extrapolated; the leading ones from more than one place, since a search ends where it gave up a reading.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from acquisition.records import Reading

from ..inference.changes import Change
from ..inference.data import Data, Refined, Weighed
from ..inference.error_scales import own_scale
from ..inference.evidence import FREEDOM, log_student
from ..inference.panel import Panel
from ..inference.refining import refine
from ..inference.variables import MODEL_ERRORS, canonical, columns_to_variables, reading_noise, to_variable
from .crossing import beyond_nulls
from .first_round import HOPELESS, choose, first_round
from .neighbours import beside_leaders
from .second_round import NEAR_BEST, second_round, unmoved
from .severities import complete, leader, standing

SEARCHES, GAINED = 3, 0.5
"""How often all is judged again where the healthy chassis gained so much (logarithm) from another place."""

ROUNDS = 4
"""How often hypotheses that turn out to matter are refined after all."""

HEALTHY_STEPS, LOST = (12, 4), 75.0
"""Steps of the healthy chassis, and where the first round leaves it further behind than the second (logarithm)."""

KEPT_WITHIN = 7.0
"""Hypotheses that were within this logarithm of the best are followed again after the next reading."""

POLISH_WITHIN = 15.0
"""Hypotheses within this logarithm of the best are started again from its place."""

PLACES, PLACE_WITHIN, PLACES_APART = 3, 6.0, 0.3
"""From how many places; those of hypotheses within this logarithm of the best, so far from each other (standard
deviations of the unknown that differs most)."""

STILL_HEALTHY = 3.0
"""How far (standard deviations) the part of a fault may be off to be tried as a healthy one."""

LIKELY_CHANCE = 0.05
"""Hypotheses at least so likely are looked at where they stand, however near they were seen."""

MATTERS, MATTERS_BESIDE = 0.001, 0.003
"""Hypotheses at least so likely are followed; the second round tells well enough what fainter ones are worth."""

LEADING, WORTH, STILL_LIKELY = 8, 0.003, 3.0
"""How many faults are worth a large-signal solution, how likely their best severity must be, and how far behind
that (logarithm) another may be to be solved too."""


def weigh(panel: Panel, data: Data, prior: np.ndarray, before: Weighed | None = None) -> Weighed:
    """Posterior of every single hypothesis.

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings; may be none, and then the prior comes back.
    prior : ndarray, shape (C,)
        Logarithm of the prior of every hypothesis, from `log_priors`.
    before : Weighed, optional
        Posterior from fewer readings: hypotheses start from where they ended then.
    """
    if not data.readings:
        return normalised(Weighed(changes=panel.changes, log_weight=prior, prior=prior))
    blind = _blind(panel, data)
    first = first_round(panel, data, prior, blind, before)
    least = -np.inf if before is None else float((prior + first).max()) - HOPELESS
    chosen = [c for c in choose(panel, prior + first, least) if c.faults]
    starts: dict[Change, np.ndarray] = {}
    refined: dict[Change, Refined] = {}
    if before is not None and Change() in before.refined:
        starts = {change: found.unknowns for change, found in before.refined.items()}
        chosen = list(dict.fromkeys([*(c for c in _lasting(panel, before) if c.faults), *chosen]))
    if starts:
        chosen = list(dict.fromkeys([Change(), *chosen]))
    else:
        steps = HEALTHY_STEPS[int((prior + first)[0] < (prior + first).max() - LOST)]
        refined |= refine(panel, data, [Change()], steps=steps, starts=starts)
    healthy = refined[Change()].unknowns if Change() in refined else starts.get(Change())
    if healthy is not None:
        place = healthy[: len(panel.unknowns)]
        starts = {panel.changes[i]: place for i in np.flatnonzero(panel.mild)} | starts
    refined |= refine(panel, data, [c for c in chosen if c not in refined], starts=starts)
    evidence, matters = first, MATTERS
    for _ in range(SEARCHES):
        plain, score = refined.get(Change()), _scores(panel, prior, evidence, refined, blind)
        if plain is not None and score[0] > score.max() - NEAR_BEST:
            evidence, blind = second_round(panel, data, plain, first)
            matters, place = MATTERS_BESIDE, plain.unknowns[: len(panel.unknowns)]
            starts |= dict.fromkeys((c for c in panel.changes if c not in refined), place)
        for _ in range(ROUNDS):
            score = _scores(panel, prior, evidence, refined, blind)
            if not (overlooked := _overlooked(panel, score, refined, blind, matters)):
                break
            refined |= refine(panel, data, overlooked, starts=starts)
        leading = leader(panel, prior, refined)
        new_lead = before is None or not before.refined or leading.faults != _lead_of(before).faults
        if new_lead:
            _polish(panel, data, prior, refined)
        if plain is None or refined[Change()].evidence < plain.evidence + GAINED:
            break
    if new_lead:
        refined |= beside_leaders(panel, data, prior, refined, blind)
    complete(panel, data, prior, refined, blind, ROUNDS)
    _settle(panel, data, _scores(panel, prior, evidence, refined, blind), refined)
    score = _scores(panel, prior, evidence, refined, blind)
    return normalised(
        Weighed(
            changes=panel.changes,
            log_weight=score,
            prior=prior,
            refined=refined,
            first=first,
            columns=np.unique(data.columns),
        )
    )


def glance(panel: Panel, data: Data, prior: np.ndarray, before: Weighed | None) -> Weighed:
    """Posterior of every single hypothesis without a look at the model: what `weigh` comes to, roughly and at once.

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings, at least one.
    prior : ndarray, shape (C,)
        As `weigh`.
    before : Weighed or None
        Posterior from fewer readings. Hypotheses that mattered there are followed with the slopes they were last
        looked at with, however far that leads; those that come up now with the slopes of the healthy chassis.
    """
    blind = _blind(panel, data)
    evidence = first_round(panel, data, prior, blind, before)
    starts = {} if before is None else {c: before.refined[c].unknowns for c in _lasting(panel, before)}
    ahead = choose(panel, prior + evidence, float((prior + evidence).max()) - KEPT_WITHIN)
    chosen = list(dict.fromkeys([*starts, *ahead]))
    refined = refine(panel, data, chosen, starts=starts, within=np.inf)
    score = _scores(panel, prior, evidence, refined, blind)
    return normalised(Weighed(changes=panel.changes, log_weight=score, prior=prior, refined=refined))


def _lasting(panel: Panel, before: Weighed) -> list[Change]:
    """Hypotheses followed through the model that are not far behind, and the healthy chassis."""
    near = before.log_weight > before.log_weight.max() - KEPT_WITHIN
    return [c for c in before.refined if len(c.faults) < 2 and (near[panel.index[c]] or not c.faults)]


def _lead_of(weighed: Weighed) -> Change:
    """The heaviest hypothesis that was followed through the model."""
    score = dict(zip(weighed.changes, weighed.log_weight.tolist(), strict=True))
    return max(weighed.refined, key=lambda change: score[change])


def _scores(
    panel: Panel, prior: np.ndarray, first: np.ndarray, refined: Mapping[Change, Refined], blind: np.ndarray
) -> np.ndarray:
    evidence = first.copy()
    if Change() in refined:
        evidence[blind] = refined[Change()].evidence
    for change, result in refined.items():
        evidence[panel.index[change]] = result.evidence
    return np.asarray(prior + evidence)


def _polish(panel: Panel, data: Data, prior: np.ndarray, refined: dict[Change, Refined]) -> None:
    """Start the leading hypotheses again from where the best of them ended, and the next best; keep what gains.

    All hypotheses share the healthy unknowns, so a place that serves one may serve the others, and a hypothesis
    must not lose because its own steps stopped early or gave up another reading.
    """
    for place in beyond_nulls(panel, data, refined[leader(panel, prior, refined)]):
        _try_from(panel, data, prior, refined, place)
    count = len(panel.unknowns)
    left: list[np.ndarray] = []
    for _ in range(PLACES):
        score = standing(panel, prior, refined)
        least = max(score.values()) - PLACE_WITHIN
        ahead = [c for c in sorted(score, key=lambda change: -score[change]) if score[c] > least]
        apart = (
            change
            for change in ahead
            if all(np.abs(refined[change].unknowns[:count] - place).max() > PLACES_APART for place in left)
        )
        best = next(apart, None)
        if best is None:
            return
        left.append(_place(panel, best, refined[best]))
        _try_from(panel, data, prior, refined, left[-1], best)


def _try_from(
    panel: Panel,
    data: Data,
    prior: np.ndarray,
    refined: dict[Change, Refined],
    place: np.ndarray,
    ended_there: Change | None = None,
) -> None:
    """Start the leading hypotheses again from one place, except the one that ended there; keep what gains.

    The best severity of each fault leads, and where that gained its others follow.
    """
    count = len(panel.unknowns)
    score = standing(panel, prior, refined)
    best = max(score, key=lambda change: score[change])
    near = [c for c in score if score[c] > score[best] - POLISH_WITHIN or not c.faults]
    heads = {c.faults: c for c in sorted(near, key=lambda change: score[change])}
    starts = {c: np.append(place, refined[c].unknowns[count:]) for c in heads.values() if c != ended_there}
    gained = _keep_better(refined, refine(panel, data, list(starts), starts=starts, rival=refined[best].height))
    ends = {change.faults: refined[change].unknowns[:count] for change in gained}
    starts = {c: ends[c.faults] for c in near if c.faults in ends and c not in heads.values()}
    _keep_better(refined, refine(panel, data, list(starts), starts=starts, rival=refined[best].height))


def _keep_better(refined: dict[Change, Refined], again: Mapping[Change, Refined]) -> list[Change]:
    """Keep what came out better; those that gained what matters."""
    gains = {c: found.evidence - refined[c].evidence for c, found in again.items()}
    refined |= {c: again[c] for c, gain in gains.items() if gain > 0}
    return [c for c, gain in gains.items() if gain > GAINED]


def _place(panel: Panel, change: Change, found: Refined) -> np.ndarray:
    """Healthy unknowns where a hypothesis ended, shape (P,), and its fault where a healthy part may be so."""
    place = found.unknowns[: len(panel.unknowns)].copy()
    for order, (index, value) in enumerate(zip(change.faults, change.values, strict=True)):
        fault = panel.faults[index]
        if (own := panel.unknown_at.get(fault.key)) is not None:
            z = panel.unknowns[own].z_of(value * math.exp(fault.cell_log * found.unknowns[len(place) + order]))
            place[own] = z if abs(z) < STILL_HEALTHY else 0.0
    return place


def _settle(panel: Panel, data: Data, score: np.ndarray, refined: dict[Change, Refined]) -> None:
    """Look at those that are likely where they stand, not near by."""
    likely = score > np.logaddexp.reduce(score) + math.log(LIKELY_CHANCE)
    chosen = [change for change in refined if likely[panel.index[change]]]
    starts = {change: refined[change].unknowns for change in chosen}
    refined |= refine(panel, data, chosen, starts=starts, within=0.0)


def weigh_distortion(panel: Panel, readings: Sequence[Reading], weighed: Weighed) -> Weighed:
    """Add readings that cost a large-signal solution.

    Parameters
    ----------
    panel : Panel
        The model.
    readings : sequence of Reading
        Distortion readings; the last of a measurand wins.
    weighed : Weighed
        Posterior without them.

    Notes
    -----
    Solved for the leading faults, each at its most likely severity and at the farthest one that is still likely;
    severities between and beyond follow. Faults that were not solved go as the healthy chassis, which one that is
    not refuted so far is like.
    """
    readings = list({canonical(reading.measurand): reading for reading in readings}.values())
    places = _worth_solving(panel, weighed) if readings else {}
    if not places:
        return weighed
    changes = list(places)
    width = len(panel.unknowns) + max(1, *(len(c.faults) for c in changes))
    unknowns = np.zeros((len(changes) + 1, width))
    for row, place in enumerate(places.values()):
        unknowns[row, : place.size] = place
    measurands = [r.measurand for r in readings]
    table = panel.model.predict(panel.values([*changes, Change()], unknowns), measurands)
    predicted = columns_to_variables(measurands, table)
    error = MODEL_ERRORS["thd_pct"]
    measured = to_variable("thd_pct", np.array([r.value for r in readings]))
    shift = np.abs(predicted[:-1] - predicted[-1])
    scale = np.sqrt(reading_noise(readings) ** 2 + error.base**2 + (error.of_shift * shift) ** 2)
    gain = log_student(measured - predicted[:-1], scale, np.full(len(readings), FREEDOM))
    solved = {change: float(g) for change, g in zip(changes, gain, strict=True) if np.isfinite(g)}
    if not solved:
        return weighed
    usual = solved.get(Change(), sum(solved.values()) / len(solved))
    gained = [_at_severity(change, solved, usual) for change in weighed.changes]
    return normalised(replace(weighed, log_weight=weighed.log_weight + np.array(gained)))


def _worth_solving(panel: Panel, weighed: Weighed) -> dict[Change, np.ndarray]:
    """The best severity of each leading fault and its farthest, and where to solve them."""
    score = weighed.log_weight
    heads: dict[tuple[int, ...], Change] = {}
    for row in np.argsort(-score):
        if score[row] > math.log(WORTH) and (change := weighed.changes[row]) in weighed.refined:
            heads.setdefault(change.faults, change)
        if len(heads) == LEADING:
            break
    places = {head: weighed.refined[head].unknowns for head in heads.values()}
    for head in heads.values():
        same = (c for c in panel.changes if c.faults == head.faults)
        likely = [c for c in same if score[panel.index[c]] > score[panel.index[head]] - STILL_LIKELY]
        far = max(likely, key=lambda change: abs(_severity(change) - _severity(head)))
        if far not in places:
            own = np.append(places[head][: len(panel.unknowns)], 0.0)
            places[far] = weighed.refined[far].unknowns if far in weighed.refined else own
    return places


def _severity(change: Change) -> float:
    """Logarithm of what its fault sets; zero for the healthy chassis."""
    return sum(math.log(abs(value)) for value in change.values)


def _at_severity(change: Change, solved: Mapping[Change, float], usual: float) -> float:
    """What was found for the fault of a hypothesis, between and beyond the severities solved, or what is usual."""
    same = sorted((_severity(c), gain) for c, gain in solved.items() if c.faults == change.faults)
    return float(np.interp(_severity(change), *np.array(same).T)) if same else usual


def _blind(panel: Panel, data: Data) -> np.ndarray:
    """Hypotheses that leave these readings as the nominal chassis has them, shape (C,)."""
    nominal = panel.shifted[:1, data.columns]
    scale = own_scale(panel, data.columns, data.noise, nominal)[0]
    return unmoved(data, panel.shifted[:, data.columns], panel.centre[data.columns], scale)


def _overlooked(
    panel: Panel,
    score: np.ndarray,
    refined: Mapping[Change, Refined],
    blind: np.ndarray,
    least: float,
    most: int = 24,
) -> list[Change]:
    """Hypotheses that matter, move the readings, and are not refined yet."""
    chance = np.exp(score - np.logaddexp.reduce(score))
    order = [
        i for i in np.argsort(-chance) if chance[i] > least and not blind[i] and panel.changes[i] not in refined
    ]
    return [panel.changes[i] for i in order[:most]]


def normalised(weighed: Weighed) -> Weighed:
    """Bring the weights to a sum of one.

    Parameters
    ----------
    weighed : Weighed
        With any constant in its logarithms.
    """
    finite = np.where(np.isfinite(weighed.log_weight), weighed.log_weight, -1e9)
    total = finite.max() + np.log(np.exp(finite - finite.max()).sum())
    return replace(weighed, log_weight=finite - total, log_total=weighed.log_total + float(total))


def mixed(one: Weighed, other: Weighed, share: float) -> Weighed:
    """Two posteriors of the same panel in one, from readings understood in two ways.

    Parameters
    ----------
    one, other : Weighed
        Single hypotheses of both stand first, in the order of the panel; details are those of the first.
    share : float
        Probability of the first.
    """
    share, singles = float(np.clip(share, 1e-12, 1.0 - 1e-12)), len(one.prior)
    both = [one.log_weight[:singles] + math.log(share), other.log_weight[:singles] + math.log1p(-share)]
    pairs = {
        change: weight + math.log(part)
        for weighed, part in ((other, 1.0 - share), (one, share))
        for change, weight in zip(weighed.changes[singles:], weighed.log_weight[singles:].tolist(), strict=True)
    }
    return normalised(
        replace(
            one,
            changes=(*one.changes[:singles], *pairs),
            log_weight=np.append(np.logaddexp(*both), list(pairs.values())),
        )
    )
