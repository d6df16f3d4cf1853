"""How far a stage can be driven: onset of clipping or of grid current, which side first, power and distortion.

The onset is found from the fitted harmonics and the fall of the gain, not by eye. The criterion is part of every
result, because "clipping" without one is a matter of taste (IEC 60268-3 asks for a stated distortion).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..response import magnitude_covariance
from .step import Step, side_of

STEP_DB = 2.0
"""Rise of the drive from one record to the next."""

LOWERED, LOWERINGS = 4.0, 6
"""Where the first drive bends the wave already, it is divided by so much, so many times at most."""

CLEAN_SHARE = 0.3
"""Share of the criterion's distortion below which the first drive is small enough."""

HELPED = 0.9
"""A smaller drive is gentler where it has less than this share of the distortion, or the gain that this lost."""

TOLD_BELOW = 0.1
"""A wave whose distortion by noise alone is above this, or above the criterion, tells nothing of clipping."""

APART = 0.7
"""Steps of outputs that differ by more tell how fast distortion rises."""

MOST_UNKNOWN = 0.9
"""Largest share of a fall of the gain that its uncertainty counts as."""

INPUT_BENT = 0.01
"""Distortion that the input gains on the way to the onset, from which grid current is spoken of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """When a stage counts as clipping; whichever is met first as the drive rises.

    Parameters
    ----------
    thd_ratio : float
        Total harmonic distortion at the output, 0.05 for 5 %.
    fall_db : float
        Loss of gain against the largest at smaller drives.
    """

    thd_ratio: float = 0.05
    fall_db: float = 1.0

    def __str__(self) -> str:
        return f"distortion {100 * self.thd_ratio:g} % or gain down by {self.fall_db:g} dB, whichever comes first"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Headroom:
    """Result of raising the drive.

    Parameters
    ----------
    criterion : Criterion
        When it counts as clipping.
    steps : tuple of Step
        Sorted by drive.
    reached : bool
        The criterion was met; otherwise the figures below are those of the largest drive taken.
    limited_by : str
        Why the drive was not raised further.
    in_pp_v, out_pp_v, out_std_v : float
        Fundamental at the onset, volts peak to peak, interpolated between two steps; the uncertainty of the
        output holds the distance of the steps, the scale of the scope, and what noise and a change of range leave
        open of the fall of the gain.
    side : str
        ``upper``, ``lower``, ``both`` or ``unclear``: where the output flattens first.
    grid_current : bool
        The input is bent as well, flattened at its positive peaks: the source is loaded there.
    """

    criterion: Criterion
    steps: tuple[Step, ...]
    reached: bool
    limited_by: str
    in_pp_v: float
    out_pp_v: float
    out_std_v: float
    side: str
    grid_current: bool

    @property
    def bent_when_small(self) -> Step | None:
        """Smallest drive that tells, where it meets the criterion's distortion already: that is no clipping."""
        small = next((step for step in self.steps if _is_told(step, self.criterion)), None)
        return small if small is not None and small.thd_out >= self.criterion.thd_ratio else None

    def power_w(self, load_ohm: float) -> float:
        """Power of the fundamental into a load at the onset.

        Parameters
        ----------
        load_ohm : float
            Resistance across the output, in ohms.

        Returns
        -------
        float
            Watts; ``Vpp^2 / (8 R)`` of a sine.
        """
        return self.out_pp_v**2 / (8.0 * load_ohm)

    def power_std_w(self, load_ohm: float) -> float:
        """Standard uncertainty of `power_w`, in watts; the load is taken as it is stated.

        Parameters
        ----------
        load_ohm : float
            Resistance across the output, in ohms.
        """
        return 2.0 * self.out_pp_v * self.out_std_v / (8.0 * load_ohm)

    def thd_at_power(self, power_w: float, load_ohm: float) -> tuple[float, float] | None:
        """Distortion at a stated power.

        Parameters
        ----------
        power_w, load_ohm : float
            Watts of the fundamental, ohms.

        Returns
        -------
        tuple of float, or None
            Ratio and its floor at the smallest drive that gives the power, interpolated over the logarithm of the
            output; None outside the outputs reached. Far beyond clipping the fundamental may fall again.
        """
        wanted = math.log(math.sqrt(8.0 * power_w * load_ohm))
        levels = [math.log(step.gain.out_pp_v) for step in self.steps]
        if not levels or not levels[0] <= wanted <= max(levels):
            return None
        above = next(i for i, level in enumerate(levels) if level >= wanted)
        span = slice(max(0, above - 1), above + 1)
        thd, floor = (
            float(np.interp(wanted, levels[span], [getattr(step, name) for step in self.steps[span]]))
            for name in ("thd_out", "thd_floor")
        )
        return thd, floor


def raise_drive(
    take: Callable[[float], Step],
    *,
    start_pp_v: float,
    most_pp_v: float,
    most_out_pp_v: float = math.inf,
    criterion: Criterion | None = None,
    refine: int = 3,
) -> Iterator[Step]:
    """Raise the drive by steps until the criterion is met or a limit forbids more; then halve the last step.

    Where the first drive clips already, a smaller one is looked for first.

    Parameters
    ----------
    take : callable
        Measures at a generator amplitude in volts peak to peak.
    start_pp_v, most_pp_v : float
        First drive, and the limit of the drive by generator and ratings.
    most_out_pp_v : float
        Limit of the output, volts peak to peak: a step that would pass it is not taken.
    criterion : Criterion, optional
        When to stop.
    refine : int
        How often the interval that holds the onset is halved.

    Yields
    ------
    Step
        Each one as soon as it is measured, not sorted at the end of the search.
    """
    limit = criterion or Criterion()
    drive = min(start_pp_v, most_pp_v)
    step = take(drive)
    yield step
    taken = [step]
    for _ in range(LOWERINGS):
        if step.thd_out < CLEAN_SHARE * limit.thd_ratio or step.thd_floor > CLEAN_SHARE * limit.thd_ratio:
            break
        smaller = take(drive / LOWERED)
        yield smaller
        taken.append(smaller)
        gained_db = _fall_db(step, [smaller])
        helped = smaller.thd_out < HELPED * step.thd_out or gained_db > (1.0 - HELPED) * limit.fall_db
        if not (helped and _is_told(smaller, limit)):
            break  # it is not the drive that bends the wave
        step, drive = smaller, drive / LOWERED
    rise = 10.0 ** (STEP_DB / 20.0)
    below = step
    while not is_clipping(step, _smaller(step, taken), limit):
        if drive >= most_pp_v or step.gain.out_pp_v * rise > most_out_pp_v:
            return
        below = step
        drive = min(drive * rise, most_pp_v)
        step = take(drive)
        yield step
        taken.append(step)
    low, high = below.drive_pp_v, step.drive_pp_v
    for _ in range(refine):
        middle = math.sqrt(low * high)
        step = take(middle)
        yield step
        taken.append(step)
        low, high = (low, middle) if is_clipping(step, _smaller(step, taken), limit) else (middle, high)


def is_clipping(step: Step, smaller: Sequence[Step], criterion: Criterion) -> bool:
    """Whether a step meets the criterion because the drive has risen.

    Parameters
    ----------
    step : Step
        The one asked about.
    smaller : sequence of Step
        Those of smaller drives. A gap where two tubes hand over bends small waves more than large ones: what a
        stage does to all of them, or to smaller ones alone, is no clipping.
    criterion : Criterion
        Limits.
    """
    told = [one for one in smaller if _is_told(one, criterion)]
    if not told or not _is_told(step, criterion):
        return False
    bent = step.thd_out >= criterion.thd_ratio > min(one.thd_out for one in told)
    return bent or _fall_db(step, told) >= criterion.fall_db


def headroom_of(
    steps: Sequence[Step], criterion: Criterion | None = None, limited_by: str = "the limit of the drive"
) -> Headroom:
    """Onset of clipping from the steps that were taken.

    Parameters
    ----------
    steps : sequence of Step
        At least one, any order.
    criterion : Criterion, optional
        As `raise_drive`.
    limited_by : str
        Why the drive was not raised further, where the criterion was not met.

    Raises
    ------
    ValueError
        No steps.
    """
    limit = criterion or Criterion()
    if not steps:
        raise ValueError("no drive was taken")
    ordered = tuple(sorted(steps, key=lambda step: step.drive_pp_v))
    first = next((i for i, step in enumerate(ordered) if is_clipping(step, ordered[:i], limit)), None)
    at = ordered[-1] if first is None else ordered[first]
    small = [step for step in ordered[:first] if _is_told(step, limit)]
    gentle = min(small, key=lambda step: step.thd_out, default=ordered[0])
    # Of the errors of the gain only those of the output channel concern the output's volts.
    scale = math.sqrt(sum(item.std**2 for item in at.gain.fixed if not item.unit and "output" in item.name))
    if first is None:
        in_pp, out_pp, gap = at.gain.in_pp_v, at.gain.out_pp_v, 0.0
    else:
        before = ordered[first - 1]
        share = _share(before, at, small, limit)
        in_pp = before.gain.in_pp_v * (at.gain.in_pp_v / before.gain.in_pp_v) ** share
        out_pp = before.gain.out_pp_v * (at.gain.out_pp_v / before.gain.out_pp_v) ** share
        gap = abs(at.gain.out_pp_v - before.gain.out_pp_v) / math.sqrt(12.0)
        gap = math.hypot(gap, out_pp * _by_fall(at, small, limit))
    return Headroom(
        criterion=limit,
        steps=ordered,
        reached=first is not None,
        limited_by="the criterion" if first is not None else limited_by,
        in_pp_v=in_pp,
        out_pp_v=out_pp,
        out_std_v=math.hypot(gap, scale * out_pp),
        side=side_of(at.dwell - gentle.dwell) if first is not None else "unclear",
        grid_current=at.thd_in - gentle.thd_in > INPUT_BENT and at.in_dwell > 0.05,
    )


def _is_told(step: Step, limit: Criterion) -> bool:
    """Whether there is enough of a wave to see it bent."""
    return step.thd_floor < min(TOLD_BELOW, limit.thd_ratio)


def _smaller(step: Step, taken: Sequence[Step]) -> list[Step]:
    return [one for one in taken if one.drive_pp_v < step.drive_pp_v]


def _fall_db(step: Step, smaller: Sequence[Step]) -> float:
    """How far the gain is below the largest at smaller drives."""
    largest = max((one.gain.magnitude for one in smaller), default=0.0)
    if not (step.gain.magnitude and largest):
        return 0.0
    return 20.0 * math.log10(largest / step.gain.magnitude)


def _by_fall(at: Step, smaller: Sequence[Step], limit: Criterion) -> float:
    """Relative standard uncertainty of the output at the onset because noise, and scales of two ranges that do not
    cancel, leave open how far the gain has fallen."""
    largest = max(smaller, key=lambda step: step.gain.magnitude)
    apart = np.array([1.0, -1.0])
    variance = float(apart @ magnitude_covariance([at.gain, largest.gain]) @ apart)
    std_db = 20.0 / math.log(10.0) * math.sqrt(max(0.0, variance))
    if _fall_db(at, smaller) + std_db < limit.fall_db:
        return 0.0  # distortion was there first
    # The gain falls about as distortion rises, and that no scale moves: it tells how fast with the output.
    size = at.gain.out_pp_v
    below = next((one for one in reversed(smaller) if one.gain.out_pp_v < APART * size), smaller[0])
    reach = math.log(max(size / below.gain.out_pp_v, 1.0))
    bend = math.log(max(at.thd_out / max(below.thd_out, below.thd_floor, 1e-9), 1.0))
    # The first fall that seems to be enough counts, so that most errors lie on the side of less.
    less = -math.log(1.0 - min(MOST_UNKNOWN, std_db / limit.fall_db))
    return reach * min(1.0, less / bend if bend else 1.0)


def _share(before: Step, at: Step, smaller: Sequence[Step], limit: Criterion) -> float:
    """Where between two steps the criterion is met, 0 to 1, by whichever measure gets there first."""
    measures = (
        (before.thd_out, at.thd_out, limit.thd_ratio),
        (_fall_db(before, smaller), _fall_db(at, smaller), limit.fall_db),
    )
    return min(((c - a) / (b - a) for a, b, c in measures if b >= c > a), default=1.0)
