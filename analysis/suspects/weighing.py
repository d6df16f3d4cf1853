"""Posterior probability of every hypothesis from any subset of readings.

Two rounds. First every hypothesis is scored with the slopes of the healthy chassis, compressed to their largest
directions. Then the best are refined: own slopes, and Gauss-Newton steps through the model itself, so that a far
operating point, a high mains or a strong tube is followed and not extrapolated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from acquisition.records import Reading

from .evidence import FREEDOM, Fit, fit, freedom_of, log_evidence, log_student
from .panel import SLOW, Change, Panel, canonical
from .variables import MODEL_ERRORS, SLOPE_ERROR, columns_to_variables, difference, reading_noise, to_variable

HEALTHY_PRIOR = 0.25
"""Belief before any reading that nothing is wrong. Common practice, no source: a chassis comes to the bench
because something
is, but every repair ends with a pass that should be healthy."""

DIRECTIONS = 30
"""Directions of healthy spread kept in the first round; what is dropped widens each reading's own spread."""

KEEP_FAULTS, KEEP_CELLS, KEEP_ALL = 26, 3, 60
HALVINGS = 4
ROUNDS = 4
"""How often hypotheses that turn out to matter are refined after all."""

SETTLED = 0.05
"""A gain in log probability below this ends the steps."""

OFF_CENTRE = 1.2
"""A severity this many standard deviations from the centre of its cell belongs to another cell."""

HEALTHY_STEPS = 12
POLISH_WITHIN = 7.0
"""Hypotheses within this logarithm of the best are started again from its place."""

LEADING = 8
"""Hypotheses that are worth a large-signal solution."""

REACH = 3.0
"""No unknown is followed further than this many standard deviations in one step."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Data:
    """Readings in the compared variable, ready for arithmetic.

    Parameters
    ----------
    readings : tuple of Reading
        Those that are judged.
    columns : ndarray of int, shape (M,)
        Column of the panel for each.
    quantities : ndarray of str, shape (M,)
        What each is.
    measured : ndarray, shape (M,)
        Compared variables.
    noise : ndarray, shape (M,)
        Meter's standard deviation in the compared variable.
    """

    readings: tuple[Reading, ...]
    columns: np.ndarray
    quantities: np.ndarray
    measured: np.ndarray
    noise: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """Hypotheses with their evidence.

    Parameters
    ----------
    changes : tuple of Change
        Every hypothesis of the panel, then pairs if tried.
    log_weight : ndarray, shape (C,)
        Logarithm of the posterior, normalised over all.
    refined : mapping of Change to Refined
        Details of those that were refined.
    """

    changes: tuple[Change, ...]
    log_weight: np.ndarray
    refined: Mapping[Change, Refined] = field(default_factory=dict)

    @property
    def probability(self) -> np.ndarray:
        """Posterior probability of each hypothesis, shape (C,)."""
        return np.asarray(np.exp(self.log_weight))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refined:
    """One hypothesis at its most probable unknowns.

    Parameters
    ----------
    unknowns : ndarray, shape (P + K,)
        z of every unknown, and the standardised severities.
    shared : ndarray, shape (E,)
        Shared errors of meter and model.
    predicted : ndarray, shape (M,)
        Compared variables there, shared errors not included.
    slopes : ndarray, shape (M, P + K + E)
        Derivatives, shared errors included.
    scale : ndarray, shape (M,)
        Scale of each reading's own error.
    weights : ndarray, shape (M,)
        Precision given to each reading.
    evidence : float
        Logarithm.
    """

    unknowns: np.ndarray
    shared: np.ndarray
    predicted: np.ndarray
    slopes: np.ndarray
    scale: np.ndarray
    weights: np.ndarray
    evidence: float

    @property
    def expected(self) -> np.ndarray:
        """Compared variables with shared errors included, shape (M,)."""
        result: np.ndarray = self.predicted + self.slopes[:, -len(self.shared) :] @ self.shared
        return result


def collect(panel: Panel, readings: Sequence[Reading]) -> Data:
    """Bring readings into the compared variable; the last reading of a measurand wins.

    Parameters
    ----------
    panel : Panel
        Must have a column for each.
    readings : sequence of Reading
        Readings to judge.
    """
    latest = {canonical(reading.measurand): reading for reading in readings}
    kept = tuple(reading for m, reading in latest.items() if m in panel.columns and panel.usable[panel.columns[m]])
    values = [to_variable(r.quantity, np.array(r.value)) for r in kept]
    return Data(
        readings=kept,
        columns=np.array([panel.columns[canonical(r.measurand)] for r in kept], dtype=int),
        quantities=np.array([r.quantity for r in kept]),
        measured=np.array(values, dtype=float).reshape(len(kept)),
        noise=reading_noise(kept),
    )


DC_SHIFT_ERROR = 0.25
"""Largest error about a shift of DC volts: a quarter of what is left, or 0.1 V where nothing is left."""

SHARED_SHARE = 0.9
"""Share (in quadrature) of the error about a shift that readings of one kind at one place have in common: if
the model misses
how far a signal falls, it misses it at every frequency."""


def shift_error(panel: Panel, columns: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """Standard deviation of the model about how far a hypothesis moves each reading, shape (C, M).

    Parameters
    ----------
    panel : Panel
        For the healthy reading.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    """
    quantities = panel.quantities[columns]
    of_shift = np.array([MODEL_ERRORS[q].of_shift for q in quantities])
    of_square = np.array([MODEL_ERRORS[q].of_square for q in quantities])
    shift = np.abs(np.nan_to_num(difference(quantities, shifted, panel.centre[columns][None, :])))
    error = np.hypot(of_shift * shift, of_square * shift**2)
    return np.asarray(np.where(quantities == "dc_v", np.minimum(error, DC_SHIFT_ERROR), error))


def own_scale(panel: Panel, columns: np.ndarray, noise: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """Scale of each reading's own error: meter, model, and its part of the model's error about the shift, shape
    (C, M).

    Parameters
    ----------
    panel : Panel
        For the healthy reading.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    noise : ndarray, shape (M,)
        Meter's part.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    """
    quantities = panel.quantities[columns]
    base = np.hypot([MODEL_ERRORS[q].base for q in quantities], panel.grid_error[columns])
    own = np.where(quantities == "dc_v", 1.0, np.sqrt(1.0 - SHARED_SHARE**2)) * shift_error(panel, columns, shifted)
    return np.asarray(np.sqrt(noise**2 + base**2 + own**2))


def shared_errors(panel: Panel, columns: np.ndarray, slopes: np.ndarray, shifted: np.ndarray) -> np.ndarray:
    """Slopes of errors that several readings share, shape (C, M, E).

    One gain error of the meter on all DC readings and of the scope on all its readings, one of the ripple
    calculation, one a stage over all its frequencies, all with their part of the error about the shift; and for
    each
    tube its small-signal slope and mu against what DC says.

    Parameters
    ----------
    panel : Panel
        For what each column is.
    columns : ndarray of int, shape (M,)
        Columns of the panel.
    slopes : ndarray, shape (C, M, P)
        Derivatives by the healthy unknowns.
    shifted : ndarray, shape (C, M)
        Predictions of the hypotheses.
    """
    measurands = [panel.measurands[c] for c in columns]
    quantities = panel.quantities[columns]
    about_shift = SHARED_SHARE * shift_error(panel, columns, shifted)
    parts = []
    for quantity, error in MODEL_ERRORS.items():
        places = (
            {m.point for m in measurands if m.quantity == quantity} if quantity in ("gain", "phase_deg") else {""}
        )
        for place in sorted(places):
            mask = np.array([m.quantity == quantity and place in ("", m.point) for m in measurands])
            if error.shared and mask.any():
                size = error.shared if quantity == "dc_v" else np.hypot(error.shared, about_shift)
                parts.append(np.broadcast_to(mask * size, about_shift.shape))
    alternating = quantities != "dc_v"
    for index, unknown in enumerate(panel.unknowns):
        ending = unknown.key.partition(".")[2]
        if unknown.section and ending in SLOPE_ERROR:
            tube = slopes[:, :, index] * alternating * (SLOPE_ERROR[ending] / unknown.sigma)
            parts.append(np.broadcast_to(tube, about_shift.shape))
    return np.stack(parts, axis=2) if parts else np.zeros((*about_shift.shape, 0))


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


def refine(
    panel: Panel,
    data: Data,
    changes: Sequence[Change],
    steps: int = 6,
    starts: Mapping[Change, np.ndarray] | None = None,
    exact: bool = False,
) -> dict[Change, Refined]:
    """Follow each hypothesis to its most probable unknowns through the model itself.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    changes : sequence of Change
        Hypotheses.
    steps : int
        Gauss-Newton steps.
    starts : mapping of Change to ndarray, optional
        Unknowns to start from, shape (P,) or with severities; zero when left out.
    exact : bool
        Compute slow quantities at every step, not only at the end.
    """
    if not changes:
        return {}
    rows, quantities = data.columns, data.quantities
    severities = max(len(c.faults) for c in changes)
    count = len(panel.unknowns) + severities
    unknowns = np.zeros((len(changes), count))
    origin = _start(panel, changes, unknowns, rows)
    predicted = origin
    if starts:
        for row, change in enumerate(changes):
            begin = starts.get(change, unknowns[row])
            unknowns[row, : begin.size] = begin
        predicted = panel.predict(changes, unknowns, rows)
        lost = np.isnan(predicted).any(axis=1)
        unknowns[lost], predicted[lost] = 0.0, origin[lost]
    alive = ~np.isnan(predicted).any(axis=1)
    changes = [c for c, ok in zip(changes, alive, strict=True) if ok]
    unknowns, predicted, origin = unknowns[alive], predicted[alive], origin[alive]
    if not changes:
        return {}
    scale = own_scale(panel, rows, data.noise, origin)
    freedom = freedom_of(quantities)
    slopes = panel.prior_slopes(changes, severities)[:, rows]
    design = np.concatenate([slopes, shared_errors(panel, rows, slopes, origin)], axis=2)
    shared = np.zeros((len(changes), design.shape[2] - count))
    found = Fit(unknowns=np.zeros(design.shape[::2]), weights=1 / scale**2)
    goodness = np.full(len(changes), -np.inf)
    quick = ~np.isin(quantities, () if exact else SLOW)
    for _ in range(steps):
        residual = difference(quantities, data.measured, predicted)
        target = residual + np.einsum("cmq,cq->cm", design[:, :, :count], unknowns)
        trial = fit(target, design, scale, freedom)
        move = trial.unknowns[:, :count] - unknowns
        move *= np.minimum(1.0, REACH / np.maximum(np.abs(move).max(axis=1), 1e-9))[:, None]
        for _ in range(HALVINGS):
            candidate = unknowns + move
            there = predicted + np.einsum("cmq,cq->cm", design[:, :, :count], candidate - unknowns)
            there[:, quick] = panel.predict(changes, candidate, rows[quick])
            aside = np.einsum("cmq,cq->cm", design[:, :, count:], trial.unknowns[:, count:])
            left = difference(quantities, data.measured, there) - aside
            value = log_student(np.nan_to_num(left, nan=1e3), scale, freedom)
            value -= 0.5 * ((candidate**2).sum(axis=1) + (trial.unknowns[:, count:] ** 2).sum(axis=1))
            worse = ~(value > goodness - 1e-6)
            if not worse.any():
                break
            move[worse] *= 0.3
        take = value > goodness - 1e-6
        _learn(design[:, :, :count], candidate - unknowns, difference(quantities, there, predicted))
        unknowns = np.where(take[:, None], candidate, unknowns)
        predicted = np.where(take[:, None], there, predicted)
        shared = np.where(take[:, None], trial.unknowns[:, count:], shared)
        weights = np.where(take[:, None], trial.weights, found.weights)
        found = Fit(unknowns=np.concatenate([unknowns, shared], axis=1), weights=weights)
        gained = np.where(take & np.isfinite(goodness), value - goodness, np.where(take, np.inf, 0.0))
        goodness = np.where(take, value, goodness)
        if take.all() and gained.max() < SETTLED:
            break
    if not quick.all():
        slow = panel.predict(changes, unknowns, rows[~quick])
        predicted[:, ~quick] = np.where(np.isnan(slow), predicted[:, ~quick], slow)
    left = difference(quantities, data.measured, predicted) - np.einsum("cmq,cq->cm", design[:, :, count:], shared)
    evidence = log_evidence(left, scale, freedom, design, found)
    return {
        change: Refined(
            unknowns=unknowns[i], shared=shared[i], predicted=predicted[i], slopes=design[i], scale=scale[i],
            weights=found.weights[i], evidence=float(evidence[i]),
        )
        for i, change in enumerate(changes)
    }  # fmt: skip


def _start(panel: Panel, changes: Sequence[Change], unknowns: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Predictions at z = 0, from the panel where it has them."""
    if all(change in panel.index for change in changes):
        return panel.shifted[[panel.index[change] for change in changes]][:, rows].copy()
    return panel.predict(changes, unknowns, rows)


def _learn(slopes: np.ndarray, move: np.ndarray, change: np.ndarray) -> None:
    """Correct slopes in place by what a step really did (Broyden's update), shapes (C, M, Q), (C, Q), (C, M)."""
    length = (move**2).sum(axis=1)
    use = (length > 1e-8) & np.isfinite(change).all(axis=1)
    missed = np.nan_to_num(change) - np.einsum("cmq,cq->cm", slopes, move)
    update = missed[:, :, None] * (move / np.maximum(length, 1e-12)[:, None])[:, None, :]
    slopes += np.where(use[:, None, None], update, 0.0)


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
    must not
    lose because its own steps stopped early.
    """
    score = {change: prior[panel.index[change]] + r.evidence for change, r in refined.items()}
    best = max(score, key=lambda change: score[change])
    place = refined[best].unknowns[: len(panel.unknowns)]
    near = [c for c in score if c != best and (not c.faults or score[c] > score[best] - POLISH_WITHIN)]
    starts = {}
    for change in near:
        starts[change] = np.concatenate([place, refined[change].unknowns[len(panel.unknowns) :]])
    for change, result in refine(panel, data, near, starts=starts, exact=True).items():
        if result.evidence > refined[change].evidence:
            refined[change] = result


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
