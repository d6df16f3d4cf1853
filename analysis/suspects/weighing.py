"""Posterior probability of every hypothesis from any subset of readings.

Two rounds. First every hypothesis is scored with the slopes of the healthy chassis, compressed to their largest
directions. Then the best are refined: own slopes, and Gauss-Newton steps through the model itself, so that a far
operating point, a high mains or a strong tube is followed and not extrapolated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from acquisition.records import Reading

from .data import Data, Refined, Weighed
from .error_scales import own_scale, shared_errors, shift_error
from .evidence import FREEDOM, fit, freedom_of, log_evidence, log_student
from .panel import Change, Panel
from .refining import refine
from .variables import MODEL_ERRORS, columns_to_variables, difference, reading_noise, to_variable

HEALTHY_PRIOR = 0.25
"""Belief before any reading that nothing is wrong. Common practice, no source: a chassis comes to the bench
because something
is, but every repair ends with a pass that should be healthy."""

DIRECTIONS = 30
"""Directions of healthy spread kept in the first round; what is dropped widens each reading's own spread."""

KEEP_FAULTS, KEEP_CELLS, KEEP_ALL = 26, 3, 60

ROUNDS = 4
"""How often hypotheses that turn out to matter are refined after all."""

HEALTHY_STEPS = 12

POLISH_WITHIN = 7.0
"""Hypotheses within this logarithm of the best are started again from its place."""

RETAKEN, RETAKE_MISFIT, RETAKE_WITHIN, RETAKES, RETAKE_GAIN = 6, 2.0, 3.0, 2, 0.5
"""So many faults are followed again, next severities too, with slopes taken where they are: those that fit so much
worse than perfectly (logarithm) that a perfect fit would bring them within the third of the leader; as often as the
fourth, while they gain the last. Without, a leaking coupling capacitor that makes the next grid conduct lost 70."""

POLISH_ROUNDS = 2
"""Once more where the first round put another in the lead."""

LEADING = 8
"""Hypotheses that are worth a large-signal solution."""


def log_priors(panel: Panel, changes: Sequence[Change]) -> np.ndarray:
    """Logarithm of the prior of each single hypothesis, shape (C,).

    Parameters
    ----------
    panel : Panel
        For the faults.
    changes : sequence of Change
        Single or healthy.
    """
    total = sum(f.weight for f in panel.faults)
    result = np.empty(len(changes))
    for row, change in enumerate(changes):
        result[row] = np.log(HEALTHY_PRIOR if not change.faults else 1 - HEALTHY_PRIOR)
        for index, value in zip(change.faults, change.values, strict=True):
            fault = panel.faults[index]
            result[row] += np.log(fault.weight / total * fault.chances[fault.values.index(value)])
    return result


def first_round(panel: Panel, data: Data) -> np.ndarray:
    """Evidence of every hypothesis with the slopes of the healthy chassis, shape (C,).

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings.
    """
    rows = data.columns
    shifted = panel.shifted[:, rows]
    scale = own_scale(panel, rows, data.noise, shifted)
    healthy = panel.healthy_slopes[rows][None]
    every = np.concatenate([healthy, shared_errors(panel, rows, healthy, shifted[:1])], axis=2)[0]
    left, size, _ = np.linalg.svd(every / scale[0][:, None], full_matrices=False)
    kept = (left[:, :DIRECTIONS] * size[:DIRECTIONS]) * scale[0][:, None]
    dropped = ((left[:, DIRECTIONS:] * size[DIRECTIONS:]) ** 2).sum(axis=1) * scale[0] ** 2
    # What the hypotheses share about their shifts is left out of the directions here, and so counts as each
    # reading's own.
    wide = np.sqrt(scale**2 + dropped + shift_error(panel, rows, shifted) ** 2)
    residual = np.nan_to_num(difference(data.quantities, data.measured, shifted), nan=1e3)
    slopes = np.concatenate(
        [np.broadcast_to(kept, (len(shifted), *kept.shape)), panel.severity_slopes[:, rows, None]], axis=2
    )
    freedom = freedom_of(data.quantities)
    found = fit(residual, slopes, wide, freedom, rounds=3)
    left_over = residual - np.einsum("cmq,cq->cm", slopes, found.unknowns)
    evidence = log_evidence(left_over, wide, freedom, slopes, found)
    return np.where(np.isnan(shifted).any(axis=1), -np.inf, evidence)


def choose(panel: Panel, score: np.ndarray) -> list[Change]:
    """Hypotheses worth refining: the best severities of the best faults, and always the healthy chassis.

    Parameters
    ----------
    panel : Panel
        For the faults.
    score : ndarray, shape (C,)
        Evidence and prior of every hypothesis of the panel.
    """
    best: dict[int, list[int]] = {}
    for index in np.argsort(-score):
        change = panel.changes[index]
        if change.faults and np.isfinite(score[index]):
            cells = best.setdefault(change.faults[0], [])
            if len(cells) < KEEP_CELLS and (not cells or score[index] > score[cells[0]] - 8.0):
                cells.append(int(index))
    chosen = [0]
    for cells in list(best.values())[:KEEP_FAULTS]:
        chosen += cells
    return [panel.changes[index] for index in chosen[:KEEP_ALL]]


def weigh(panel: Panel, data: Data) -> Weighed:
    """Posterior of every single hypothesis.

    Parameters
    ----------
    panel : Panel
        Predictions.
    data : Data
        Readings; may be none, and then the prior comes back.
    """
    prior = log_priors(panel, panel.changes)
    if not data.readings:
        return normalised(Weighed(changes=panel.changes, log_weight=prior))
    evidence = first_round(panel, data)
    blind = _blind(panel, data)
    refined = refine(panel, data, [Change()], steps=HEALTHY_STEPS, exact=True)
    if Change() in refined:
        place = refined[Change()].unknowns[: len(panel.unknowns)]
        mild = {change: place for change in panel.changes if panel.is_mild(change)}
    else:
        mild = {}
    chosen = [c for c in choose(panel, prior + evidence) if c.faults]
    refined |= refine(panel, data, chosen, starts=mild)
    for _ in range(ROUNDS):
        score = _scores(panel, prior, evidence, refined, blind)
        overlooked = _overlooked(panel, score, refined, blind)
        if not overlooked:
            break
        refined |= refine(panel, data, overlooked, starts=mild)
    _complete(panel, data, prior, refined, blind)
    _polish(panel, data, prior, refined)
    return normalised(
        Weighed(changes=panel.changes, log_weight=_scores(panel, prior, evidence, refined, blind), refined=refined)
    )


def _scores(
    panel: Panel, prior: np.ndarray, first: np.ndarray, refined: Mapping[Change, Refined], blind: np.ndarray
) -> np.ndarray:
    evidence = first.copy()
    if Change() in refined:
        evidence[blind] = refined[Change()].evidence
    for change, result in refined.items():
        evidence[panel.index[change]] = result.evidence
    return np.asarray(prior + evidence)


def _complete(
    panel: Panel, data: Data, prior: np.ndarray, refined: dict[Change, Refined], blind: np.ndarray
) -> None:
    """Refine every severity of the leading fault, so that its estimate does not end where the first round
    stopped looking."""
    best = max(refined, key=lambda change: prior[panel.index[change]] + refined[change].evidence)
    if not best.faults:
        return
    fault = panel.faults[best.faults[0]]
    place = refined[best].unknowns[: len(panel.unknowns)]
    cells = [Change(faults=best.faults, values=(value,)) for value in fault.values]
    missing = [c for c in cells if c not in refined and not blind[panel.index[c]]]
    refined |= refine(panel, data, missing, starts=dict.fromkeys(missing, place), exact=len(missing) < 8)


def _polish(panel: Panel, data: Data, prior: np.ndarray, refined: dict[Change, Refined]) -> None:
    """Start the leading hypotheses again from where the best of them ended; keep what gains.

    All hypotheses share the healthy unknowns, so a place that serves one may serve the others, and a hypothesis
    must not lose
    because its own steps stopped early.
    """
    best: Change | None = None
    for turn in range(POLISH_ROUNDS):
        score = {change: prior[panel.index[change]] + r.evidence for change, r in refined.items()}
        before, best = best, max(score, key=lambda change: score[change])
        if best == before:
            break
        place = refined[best].unknowns[: len(panel.unknowns)]
        near = [c for c in score if c != best and (not c.faults or score[c] > score[best] - POLISH_WITHIN)]
        starts = {c: np.concatenate([place, refined[c].unknowns[len(panel.unknowns) :]]) for c in near}
        _keep(refined, refine(panel, data, near, starts=starts, exact=True))
        if turn == 0:
            _retake(panel, data, score, refined, place)


def _keep(refined: dict[Change, Refined], found: Mapping[Change, Refined]) -> list[Change]:
    """Take over what gained; the changes that gained much."""
    gains = {c: result.evidence - (refined[c].evidence if c in refined else -np.inf) for c, result in found.items()}
    for change, result in found.items():
        if gains[change] > 0.0:
            refined[change] = result
    return [change for change, gain in gains.items() if gain > RETAKE_GAIN]


def _retake(
    panel: Panel, data: Data, score: Mapping[Change, float], refined: dict[Change, Refined], place: np.ndarray
) -> None:
    """Follow faults that could still matter from the leader's place and from their own, next severities too."""
    again = []
    for change in _hopeful(data, score, refined):
        again.append(change)
        if change.faults:
            values = panel.faults[change.faults[0]].values
            at = values.index(change.values[0])
            again += [
                Change(faults=change.faults, values=(v,))
                for v in (*values[max(at - 1, 0) : at], *values[at + 1 : at + 2])
            ]
    _keep(refined, refine(panel, data, again, starts=dict.fromkeys(again, place), exact=True, fresh=True))
    for _ in range(RETAKES):
        own = {c: refined[c].unknowns for c in again if c in refined}
        again = _keep(refined, refine(panel, data, list(own), starts=own, exact=True, fresh=True))


def _hopeful(data: Data, score: Mapping[Change, float], refined: Mapping[Change, Refined]) -> list[Change]:
    """The best severity of every fault that would matter, did it but fit perfectly; best first."""
    freedom = freedom_of(data.quantities)
    leader = max(score.values())
    leads: dict[tuple[int, ...], Change] = {}
    for change in sorted(score, key=lambda change: -score[change]):
        leads.setdefault(change.faults, change)
    hope = []
    for change in leads.values():
        found = refined[change]
        left = difference(data.quantities, data.measured, found.expected)
        misfit = 0.5 * float((found.unknowns**2).sum() + (found.shared**2).sum())
        misfit += float(log_student(0.0 * left, found.scale, freedom) - log_student(left, found.scale, freedom))
        if misfit > RETAKE_MISFIT and score[change] + misfit > leader - RETAKE_WITHIN:
            hope.append(change)
    return hope[:RETAKEN]


def weigh_distortion(panel: Panel, readings: Sequence[Reading], weighed: Weighed) -> Weighed:
    """Add readings that cost a large-signal solution, for the leading hypotheses only.

    Parameters
    ----------
    panel : Panel
        The model.
    readings : sequence of Reading
        Distortion readings.
    weighed : Weighed
        Posterior without them.
    """
    leading = [i for i in np.argsort(-weighed.log_weight)[:LEADING] if weighed.log_weight[i] > np.log(0.01)]
    leading = [i for i in leading if weighed.changes[i] in weighed.refined]
    if not readings or not leading:
        return weighed
    changes = [weighed.changes[i] for i in leading]
    width = len(panel.unknowns) + max(1, *(len(c.faults) for c in changes))
    unknowns = np.zeros((len(changes) + 1, width))
    for row, change in enumerate(changes):
        place = weighed.refined[change].unknowns
        unknowns[row, : place.size] = place
    measurands = [r.measurand for r in readings]
    table = panel.model.predict(panel.values([*changes, Change()], unknowns), measurands)
    predicted = columns_to_variables(measurands, table)
    error = MODEL_ERRORS["thd_pct"]
    measured = to_variable("thd_pct", np.array([r.value for r in readings]))
    shift = np.abs(predicted[:-1] - predicted[-1])
    scale = np.sqrt(reading_noise(readings) ** 2 + error.base**2 + (error.of_shift * shift) ** 2)
    gain = log_student(measured - predicted[:-1], scale, np.full(len(readings), FREEDOM))
    if np.isnan(gain).all():
        return weighed
    usual = float(np.nanmean(gain))
    log_weight = weighed.log_weight + usual
    log_weight[leading] += np.where(np.isnan(gain), 0.0, gain - usual)
    return normalised(replace(weighed, log_weight=log_weight))


def _blind(panel: Panel, data: Data) -> np.ndarray:
    """Hypotheses that leave these readings as a healthy chassis has them, shape (C,)."""
    shift = difference(data.quantities, panel.shifted[:, data.columns], panel.centre[data.columns])
    scale = own_scale(panel, data.columns, data.noise, panel.shifted[:1, data.columns])
    moved = np.where(np.isnan(shift), np.inf, np.abs(shift) / scale).max(axis=1)
    return np.asarray(moved < 0.3)


def _overlooked(
    panel: Panel, score: np.ndarray, refined: Mapping[Change, Refined], blind: np.ndarray, most: int = 24
) -> list[Change]:
    """Hypotheses that matter, move the readings, and are not refined yet."""
    chance = np.exp(score - np.logaddexp.reduce(score))
    order = [
        i for i in np.argsort(-chance) if chance[i] > 0.003 and not blind[i] and panel.changes[i] not in refined
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
    return replace(weighed, log_weight=finite - total)
