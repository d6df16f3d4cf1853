"""Is the end of a run of samples a value that is there? Constant, line, exponential against the alternatives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..instruments.accuracy import AccuracyTable
from .scatter import correlation, restlessness, scatter_of
from .tails import fit_exponential, slower_tail, still_to_come

_NOISE_FACTORS = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
_EXPONENTIAL_RUNS = (5, 6, 8, 12, 18, 30, 48)
_MODELS = 3
HYPOTHESES = _MODELS * _NOISE_FACTORS.size
"""Models times noise levels tried on each run: what the threshold of the test is multiplied by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterFacts:
    """What the bench file knows about the meter.

    Parameters
    ----------
    accuracy : AccuracyTable
        Specification of every range.
    noise_digits : float
        Standard deviation of one conversion in digits, a quiet source connected.
    """

    accuracy: AccuracyTable
    noise_digits: float = 0.5

    def spec_std_v(self, value_v: float, resolution_v: float, range_v: float) -> float:
        """Standard uncertainty by the specification: rectangular, half-width / sqrt(3)."""
        return self.accuracy.for_range(range_v).std_v(value_v, resolution_v, range_v)

    def noise_std_v(self, resolution_v: float) -> float:
        """Standard deviation of one conversion: noise and rounding to a digit."""
        return resolution_v * math.hypot(self.noise_digits, 1.0 / math.sqrt(12.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Settings of the decision; the package docstring says why each is there.

    Parameters
    ----------
    alpha_open, alpha_bounce, alpha_vouched : float
        Probability, per run of samples, of taking a free lead or a bounce that behaves as modelled; and either of
        them when a key has said that the tip is on.
    band_floor_v, band_factor : float
        No-contact band: least half-width in volts, and factor on the learned peak of the free lead.
    hand_floor_v, hand_factor : float
        Level a free lead can reach with a hand near: least rms in volts, and factor on the learned rms.
    open_ratio, bounce_ratio : float
        Scatter of a free lead against its level; of a bounce against the step.
    tail_doubt : float
        Standard uncertainty of an extrapolated tail, as a part of it.
    sharpness : float
        Largest type A uncertainty as a part of the meter's specification.
    drift_ratio_per_s : float
        Fastest drift, against the value, that is still called a drifting supply.
    slowest_s : float
        Time constant that a constant could hide, in seconds, unless the plan names a slower node.
    settle_margin : float
        Factor on the time constant that the plan names: an electrolytic may have half as much again as is printed.
    longest_s : float
        Longest time constant that is extrapolated, in seconds.
    patience_s : float
        After so long without a reading it is offered as unsteady; where it stands, the key is asked for.
    lift_s : float
        So long a tip has to be off before the next touch is another one: a contact that chatters after its reading
        is no touch of the next point (common practice, no source).
    in_band_s : float
        So long, and for a block of samples, a value has to stand that jumped to a level of the free lead; with none
        in twice that it is taken for the free lead.
    longest_run : int
        Samples looked back at most.
    """

    alpha_open: float = 1e-7
    alpha_bounce: float = 1e-4
    alpha_vouched: float = 1e-3
    band_floor_v: float = 0.02
    band_factor: float = 2.0
    hand_floor_v: float = 0.05
    hand_factor: float = 10.0
    open_ratio: float = 0.02
    bounce_ratio: float = 0.29
    tail_doubt: float = 0.01
    sharpness: float = 0.5
    drift_ratio_per_s: float = 0.01
    slowest_s: float = 0.3
    settle_margin: float = 1.5
    longest_s: float = 2.0
    patience_s: float = 10.0
    lift_s: float = 0.3
    in_band_s: float = 1.0
    longest_run: int = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternatives:
    """Scatter under each alternative, and what the level alone says against a free lead.

    Parameters
    ----------
    bounce_v, open_v : float
        Standard deviation of the residuals in volts.
    level_evidence : float
        Natural logarithm of how unlikely the level is for a free lead.
    bounce_needed, open_needed : float
        Natural logarithm of the likelihood ratio that settles each question.
    """

    bounce_v: float
    open_v: float
    level_evidence: float
    bounce_needed: float
    open_needed: float

    def refuted(self, rss: np.ndarray, freedom: np.ndarray, floor_v: float) -> np.ndarray:
        """Whether both alternatives are refuted, each at the noise level that fits best.

        Parameters
        ----------
        rss : ndarray, shape (N,)
            Sum of squared recursive residuals of N runs.
        freedom : ndarray, shape (N,)
            Their number.
        floor_v : float
            The meter's own noise.
        """
        sigma = floor_v * _NOISE_FACTORS[:, None]
        freedom = np.maximum(freedom, 0.0)

        def ratio(wide_v: float) -> np.ndarray:
            wide = max(wide_v, 1e-12)
            rows = freedom * np.log(wide / sigma) - 0.5 * rss * (sigma**-2 - wide**-2)
            return np.asarray(rows.max(axis=0))

        bounce = ratio(self.bounce_v) >= self.bounce_needed
        return bounce & (ratio(self.open_v) + self.level_evidence >= self.open_needed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A value that is there.

    Parameters
    ----------
    value_v : float
        Constant; line at the last sample; asymptote of the exponential.
    type_a_v : float
        Standard uncertainty from spread, resolution and settling.
    drift_v_per_s : float
        Slope of the line, 0 for the other models.
    tail_v : float
        What the last sample still lacked of the asymptote.
    samples : int
        Length of the run.
    """

    value_v: float
    type_a_v: float
    drift_v_per_s: float
    tail_v: float
    samples: int


def judge_run(
    t_s: Sequence[float],
    value_v: Sequence[float],
    resolution_v: float,
    range_v: float,
    facts: MeterFacts,
    rules: Rules,
    against: Alternatives,
    node_s: float = 0.0,
    whole_only: bool = False,
) -> Verdict | None:
    """Decide on the samples since the tip was last seen away.

    Parameters
    ----------
    t_s, value_v : sequence of float
        Times in seconds and values in volts, one range, in order.
    resolution_v, range_v : float
        One digit and full scale of that range.
    facts, rules, against
        The meter, the settings, the alternatives.
    node_s : float
        Slowest time constant that the plan names for the node, in seconds, its tolerance included.
    whole_only : bool
        Only a constant over all samples given will do, as at the end of a hold.

    Returns
    -------
    Verdict or None
        None while no run of the last samples satisfies all conditions.
    """
    count = len(value_v)
    if count < 2:
        return None
    looked_back = count if whole_only else rules.longest_run
    t = np.array(t_s[-looked_back:])[::-1] - t_s[-1]
    y = np.array(value_v[-looked_back:])[::-1]
    slowest_s = max(rules.slowest_s, node_s)
    floor_v = facts.noise_std_v(resolution_v)
    sharp_v = max(rules.sharpness * facts.spec_std_v(value_v[-1], resolution_v, range_v), resolution_v)

    # Sums over the last n samples, for every n at once; times are counted back from the last sample.
    n = np.arange(1, y.size + 1, dtype=np.float64)
    shift = y[0]
    z = y - shift
    s_t, s_y = np.cumsum(t), np.cumsum(z)
    c_tt = np.cumsum(t * t) - s_t**2 / n
    c_yy = np.maximum(np.cumsum(z * z) - s_y**2 / n, 0.0)
    c_ty = np.cumsum(t * z) - s_t * s_y / n
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(c_tt > 0, c_ty / c_tt, 0.0)
        slope_std = np.where(c_tt > 0, floor_v / np.sqrt(c_tt), np.inf)
    mean = s_y / n
    line_rss = np.maximum(c_yy - slope * c_ty, 0.0)

    # A constant: longest run first, because it is the sharpest.
    enough = against.refuted(c_yy, n - 1, floor_v)
    if whole_only:
        enough[:-1] = False
    for size in np.flatnonzero(enough)[::-1] + 1:
        i = size - 1
        if -t[i] < node_s:
            break  # shorter than the node is slow: two samples may agree by chance on the way
        older = z[size : size + 8] - mean[i]
        scatter = max(
            scatter_of(c_yy[i], size - 1, floor_v),
            restlessness(older, older, y[0], may_be_tail=True),
        )
        if size > 2 and abs(slope[i]) > 3.0 * slope_std[i] * scatter / floor_v:
            continue
        spread = scatter * math.sqrt(correlation(y[:size] - shift - mean[i]) / size)
        # What a constant could hide: the slope of the line through the same samples, and its uncertainty.
        hidden = math.hypot(slope[i], slope_std[i] * scatter / floor_v) * slowest_s
        type_a = math.hypot(spread, hidden, resolution_v / math.sqrt(12.0))
        if type_a <= sharp_v:
            return Verdict(
                value_v=float(shift + mean[i]), type_a_v=type_a, drift_v_per_s=0.0, tail_v=0.0, samples=int(size)
            )

    if whole_only:
        return None
    # A line: a supply that drifts, not a value on its way.
    steepest = rules.drift_ratio_per_s * abs(y[0]) + resolution_v
    enough = against.refuted(line_rss, n - 2, floor_v) & (np.abs(slope) <= steepest)
    for size in np.flatnonzero(enough)[::-1] + 1:
        i = size - 1
        clean = line_rss[i] <= 4.0 * (size - 2) * floor_v**2
        if size < (5 if clean else 16) or -t[i] < slowest_s:
            continue
        older = z[size : size + 8] - mean[i] - slope[i] * (t[size : size + 8] - s_t[i] / size)
        scatter = max(scatter_of(line_rss[i], size - 2, floor_v), restlessness(older, older, y[0]))
        residuals = z[:size] - mean[i] - slope[i] * (t[:size] - s_t[i] / size)
        at_end = 1.0 / size + (s_t[i] / size) ** 2 / c_tt[i]
        spread = scatter * math.sqrt(at_end * correlation(residuals))
        type_a = math.hypot(spread, resolution_v / math.sqrt(12.0))
        if type_a <= sharp_v:
            type_a = math.hypot(type_a, still_to_come(t[:size], z[:size], slowest_s, scatter))
        if type_a <= sharp_v:
            return Verdict(
                value_v=float(shift + mean[i] - slope[i] * s_t[i] / size),
                type_a_v=type_a,
                drift_v_per_s=float(slope[i]),
                tail_v=0.0,
                samples=int(size),
            )
    return _exponential(t, z, shift, floor_v, sharp_v, resolution_v, rules, against, node_s)


def _exponential(
    t: np.ndarray,
    z: np.ndarray,
    shift: float,
    floor_v: float,
    sharp_v: float,
    resolution_v: float,
    rules: Rules,
    against: Alternatives,
    node_s: float,
) -> Verdict | None:
    """Extrapolate a single exponential whose time constant is fitted too (variable projection, Gauss-Newton)."""
    for size in _EXPONENTIAL_RUNS:
        if size > z.size:
            break
        found = fit_exponential(t[:size], z[:size], rules.longest_s)
        if found is None:
            continue
        asymptote, tail, rss, variance, rate = found
        if not against.refuted(np.array([rss]), np.array([size - 3.0]), floor_v)[0]:
            continue
        older = z[size : size + 8] - asymptote
        scatter = max(
            scatter_of(rss, size - 3, floor_v),
            restlessness(older, older + tail * np.exp(-rate * t[size : size + 8]), shift),
        )
        type_a = math.hypot(scatter * math.sqrt(variance), rules.tail_doubt * tail, resolution_v / math.sqrt(12.0))
        if type_a <= sharp_v and rate * node_s > 1.0:
            type_a = math.hypot(type_a, slower_tail(t[:size], z[:size], rate, node_s, asymptote, scatter))
        if type_a <= sharp_v:
            return Verdict(
                value_v=float(shift + asymptote),
                type_a_v=type_a,
                drift_v_per_s=0.0,
                tail_v=float(tail),
                samples=size,
            )
    return None
