"""How far a stage can be driven: onset of clipping or of grid current, which side first, power and distortion.

The onset is found from the fitted harmonics and the fall of the gain, not by eye. The criterion is part of every
result, because "clipping" without one is a matter of taste (IEC 60268-3 asks for a stated distortion).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.records import Capture

from .gain import ChannelAccuracy, Gain, gain_of
from .sinefit import SineFit, distortion, fit_capture

STEP_DB = 2.0
"""Rise of the drive from one record to the next."""

LOWERED, LOWERINGS = 4.0, 6
"""Where the first drive bends the wave already, it is divided by so much, so many times at most."""

CLEAN_SHARE = 0.3
"""Share of the criterion's distortion below which a drive serves as the small signal that gain is compared with."""

INPUT_BENT = 0.01
"""Distortion that the input gains on the way to the onset, from which grid current is spoken of."""

HARMONICS = 9

KEPT_AS = "headroom"
"""First word of the note of captures taken while the drive was raised; the rest names the run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """When a stage counts as clipping; whichever is met first.

    Parameters
    ----------
    thd_ratio : float
        Total harmonic distortion at the output, 0.05 for 5 %.
    fall_db : float
        Loss of gain against small signals.
    """

    thd_ratio: float = 0.05
    fall_db: float = 1.0

    def __str__(self) -> str:
        return f"distortion {100 * self.thd_ratio:g} % or gain down by {self.fall_db:g} dB, whichever comes first"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """What was seen at one drive.

    Parameters
    ----------
    drive_pp_v : float
        Generator setting, volts peak to peak.
    gain : Gain
        With input and output amplitudes.
    thd_in, thd_out, thd_std, thd_floor : float
        Distortion ratios; the last two of the output: standard uncertainty, and what noise alone would show.
    harmonics : tuple of float
        Amplitudes at the output in volts peak, fundamental first.
    dwell : float
        How much longer the output stays near its upper than near its lower end, -1 to 1: above 0 the upper side
        is flattened, below 0 the lower.
    in_dwell : float
        The same of the input.
    """

    drive_pp_v: float
    gain: Gain
    thd_in: float
    thd_out: float
    thd_std: float
    thd_floor: float
    harmonics: tuple[float, ...]
    dwell: float
    in_dwell: float


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
        Fundamental at the onset, volts peak to peak, interpolated between two steps; the uncertainty holds the
        distance of the steps, their noise and the scale of the scope.
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

    def thd_at_power(self, power_w: float, load_ohm: float) -> tuple[float, float] | None:
        """Distortion at a stated power.

        Parameters
        ----------
        power_w, load_ohm : float
            Watts of the fundamental, ohms.

        Returns
        -------
        tuple of float, or None
            Ratio and its floor, interpolated over the logarithm of the output; None outside the drives taken.
        """
        wanted = math.log(math.sqrt(8.0 * power_w * load_ohm))
        levels = [math.log(step.gain.out_pp_v) for step in self.steps]
        if not levels or not levels[0] <= wanted <= levels[-1]:
            return None
        thd = np.interp(wanted, levels, [step.thd_out for step in self.steps])
        return float(thd), float(np.interp(wanted, levels, [step.thd_floor for step in self.steps]))


def step_of(source: Capture, output: Capture, drive_pp_v: float, accuracy: ChannelAccuracy | None = None) -> Step:
    """Gain, harmonics and shape of one pair of records.

    Parameters
    ----------
    source, output : Capture
        Of one single shot.
    drive_pp_v : float
        Generator setting.
    accuracy : ChannelAccuracy, optional
        As `gain_of`.

    Raises
    ------
    FitFailed
        As `gain_of`.
    """
    gain = gain_of(source, output, accuracy, harmonics=HARMONICS)
    fits = [fit_capture(capture, gain.freq_hz, harmonics=HARMONICS) for capture in (source, output)]
    tables = [distortion(fit) for fit in fits]
    return Step(
        drive_pp_v=drive_pp_v,
        gain=gain,
        thd_in=tables[0].thd_ratio,
        thd_out=tables[1].thd_ratio,
        thd_std=tables[1].thd_std,
        thd_floor=tables[1].floor_ratio,
        harmonics=tuple(h.amplitude_v for h in tables[1].harmonics),
        dwell=_dwell(fits[1]),
        in_dwell=_dwell(fits[0]),
    )


def steps_kept(
    captures: Sequence[Capture], source: str, output: str, accuracy: ChannelAccuracy | None = None
) -> list[list[Step]]:
    """Steps computed again from the captures that a job keeps.

    Parameters
    ----------
    captures : sequence of Capture
        As the pass holds them.
    source, output : str
        Input and output point.
    accuracy : ChannelAccuracy, optional
        As `gain_of`.

    Returns
    -------
    list of list of Step
        One list a run.
    """
    runs: dict[str, dict[int, dict[str, Capture]]] = {}
    for capture in captures:
        way, _, run = capture.note.partition(" ")
        if way == KEPT_AS and capture.point in {source, output}:
            runs.setdefault(run, {}).setdefault(capture.shot, {})[capture.point] = capture
    return [
        [
            step_of(shot[source], shot[output], shot[output].drive_pp_v or 0.0, accuracy)
            for shot in shots.values()
            if source in shot and output in shot
        ]
        for shots in runs.values()
    ]


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
    for _ in range(LOWERINGS):
        if step.thd_out < CLEAN_SHARE * limit.thd_ratio:
            break
        drive /= LOWERED
        step = take(drive)
        yield step
    small = below = step
    rise = 10.0 ** (STEP_DB / 20.0)
    while not is_clipping(step, small, limit):
        if drive >= most_pp_v or step.gain.out_pp_v * rise > most_out_pp_v:
            return
        below = step
        drive = min(drive * rise, most_pp_v)
        step = take(drive)
        yield step
    if step is small:
        return
    low, high = below.drive_pp_v, step.drive_pp_v
    for _ in range(refine):
        middle = math.sqrt(low * high)
        step = take(middle)
        yield step
        low, high = (low, middle) if is_clipping(step, small, limit) else (middle, high)


def is_clipping(step: Step, small: Step, criterion: Criterion) -> bool:
    """Whether a step meets the criterion.

    Parameters
    ----------
    step, small : Step
        The one asked about, and the one of the smallest drive.
    criterion : Criterion
        Limits.
    """
    return step.thd_out >= criterion.thd_ratio or _fall_db(step, small) >= criterion.fall_db


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
    small = ordered[0]
    first = next((i for i, step in enumerate(ordered) if is_clipping(step, small, limit)), None)
    at = ordered[-1] if first is None else ordered[first]
    # Of the errors of the gain only those of the output channel concern the output's volts.
    scale = math.sqrt(sum(item.std**2 for item in at.gain.fixed if not item.unit and "output" in item.name))
    if not first:
        in_pp, out_pp, gap = at.gain.in_pp_v, at.gain.out_pp_v, 0.0
    else:
        before = ordered[first - 1]
        share = _share(before, at, small, limit)
        in_pp = before.gain.in_pp_v * (at.gain.in_pp_v / before.gain.in_pp_v) ** share
        out_pp = before.gain.out_pp_v * (at.gain.out_pp_v / before.gain.out_pp_v) ** share
        gap = abs(at.gain.out_pp_v - before.gain.out_pp_v) / math.sqrt(12.0)
    return Headroom(
        criterion=limit,
        steps=ordered,
        reached=first is not None,
        limited_by="the criterion" if first is not None else limited_by,
        in_pp_v=in_pp,
        out_pp_v=out_pp,
        out_std_v=math.hypot(gap, scale * out_pp),
        side=side_of(at.dwell - small.dwell) if first is not None else "unclear",
        grid_current=at.thd_in - small.thd_in > INPUT_BENT and at.in_dwell > 0.05,
    )


def _fall_db(step: Step, small: Step) -> float:
    if not (step.gain.magnitude and small.gain.magnitude):
        return 0.0
    return 20.0 * math.log10(small.gain.magnitude / step.gain.magnitude)


def _share(before: Step, at: Step, small: Step, limit: Criterion) -> float:
    """Where between two steps the criterion is met, 0 to 1, by whichever measure gets there first."""
    measures = (
        (before.thd_out, at.thd_out, limit.thd_ratio),
        (_fall_db(before, small), _fall_db(at, small), limit.fall_db),
    )
    return min(((c - a) / (b - a) for a, b, c in measures if b >= c > a), default=1.0)


def _dwell(fit: SineFit) -> float:
    turn = np.linspace(0.0, 1.0, 2048, endpoint=False)
    orders = np.arange(1, fit.phasors_v.size + 1)
    return dwell_of((np.exp(2j * np.pi * np.outer(turn, orders)) @ fit.phasors_v).real)


def dwell_of(wave: np.ndarray) -> float:
    """Time near the upper end against time near the lower end of one period, -1 to 1.

    Parameters
    ----------
    wave : ndarray, shape (N,)
        One period in volts.

    Notes
    -----
    Independent of level, offset and coupling, which an excursion measured from the mean is not: a capacitor shifts
    the mean of a one-sided wave.
    """
    top, bottom = float(wave.max()), float(wave.min())
    if top <= bottom:
        return 0.0
    near = 0.15 * (top - bottom)
    above, below = float(np.mean(wave > top - near)), float(np.mean(wave < bottom + near))
    return (above - below) / (above + below)


def side_of(dwell: float) -> str:
    """Which side of the output flattens first: ``upper``, ``lower`` or ``both``.

    Parameters
    ----------
    dwell : float
        `dwell_of` at the onset minus that of a small signal.
    """
    if abs(dwell) < 0.05:
        return "both"
    return "upper" if dwell > 0 else "lower"
