"""The watch of one point on an open meter: what the terminal and the page both begin."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from analysis.app.jobs import pass_so_far
from analysis.app.survey import limits_of

if TYPE_CHECKING:
    from acquisition.instruments import Bench, Meter
    from acquisition.records import Event, Reading, Stretch, SurveyStep
    from acquisition.store import Job
    from acquisition.watching import Watching
    from analysis.chassis import Chassis, ChassisModel


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchChoice:
    """What is to be watched, and for how long.

    Parameters
    ----------
    point : str
        A point of the chassis, by any of its names.
    minutes : float, optional
        For how long; until it is ended where left out.
    above_v, below_v : float, optional
        Limits of the person's own, volts.
    settled_min : float
        Minutes over which a settled value moves less than a hundredth.
    mains_v : float, optional
        Mains, volts rms.
    supply_v : float, optional
        Unloaded high tension, where no rails tell.
    """

    point: str
    minutes: float | None = None
    above_v: float | None = None
    below_v: float | None = None
    settled_min: float = 5.0
    mains_v: float | None = None
    supply_v: float | None = None


@dataclass(frozen=True, slots=True)
class _Keeper:
    job: Job
    name: str
    seen: Callable[[Stretch], None]

    def stretch(self, stretch: Stretch) -> None:
        self.job.add_watched(self.name, [stretch])
        self.seen(stretch)

    def event(self, event: Event) -> None:
        self.job.add_event(self.name, event)

    def reading(self, reading: Reading) -> None:
        self.job.add_reading(self.name, reading)


def step_to_watch(chassis: Chassis, model: ChassisModel | None, bench: Bench, choice: WatchChoice) -> SurveyStep:
    """Find the point of a choice, and see that it may be watched.

    Parameters
    ----------
    chassis, model
        As they stand in the pass.
    bench : Bench
        Ratings.
    choice : WatchChoice
        What was asked for.

    Raises
    ------
    UsageError
        There is no such point, a meter on DC tells nothing there, or it is beyond the ratings.
    """
    from analysis.chassis.plan import survey_plan

    point = choice.point
    if choice.above_v is not None and choice.below_v is not None and choice.above_v <= choice.below_v:
        upper, lower = f"{choice.above_v:g} V", f"{choice.below_v:g} V"
        raise click.UsageError(f"the upper limit, {upper}, is not above the lower one, {lower}: exchange them")
    for minutes in (choice.minutes, choice.settled_min):
        if minutes is not None and not math.isfinite(minutes):
            raise click.UsageError(f"expected minutes as a number, got {minutes}; without --minutes q ends it")
    plan = survey_plan(chassis, model, mains_v=choice.mains_v, supply_v=choice.supply_v)
    steps = {step.point: step for step in plan.steps}
    if point not in steps:  # another name of one that a survey goes to
        node = chassis.node_names.get(point)
        point = next((name for name in steps if node is not None and chassis.node_names.get(name) == node), point)
    if point not in steps:
        raise click.UsageError(f"no point {point}; there are {' '.join(sorted(steps))}")
    step = steps[point]
    if step.heater:
        raise click.UsageError(f"{point} is a heater pin: its volts are AC, and the meter reads DC")
    if refused := limits_of(bench, mains_known=choice.mains_v is not None).refusal(step):
        raise click.UsageError(f"{refused}; it is not watched")
    return step


def watch_of(
    step: SurveyStep,
    chassis: Chassis,
    bench: Bench,
    meter: Meter,
    job: Job,
    name: str,
    choice: WatchChoice,
    seen: Callable[[Stretch], None] = lambda stretch: None,
) -> Watching:
    """Make the watch of a point ready on an open meter.

    Parameters
    ----------
    step : SurveyStep
        From `step_to_watch`.
    chassis : Chassis
        As it stands in the pass.
    bench : Bench
        Ratings.
    meter : Meter
        Open.
    job : Job
        Where everything is kept.
    name : str
        The pass, begun.
    choice : WatchChoice
        What was asked for.
    seen : callable
        Takes each stretch once it is kept.
    """
    from acquisition.clock import SystemClock, utc_without_steps
    from acquisition.watching import Course, Watching, WatchOptions

    def std_v(sample: object) -> float:
        return meter.std_v(sample)  # type: ignore[arg-type]  # the samples of this meter are its own

    return Watching(
        step,
        limits_of(bench, mains_known=choice.mains_v is not None),
        Course(60.0 * choice.settled_min),
        _Keeper(job, name, seen),
        std_v,
        utc_without_steps(SystemClock()),
        WatchOptions(
            watch_s=math.inf if choice.minutes is None else 60.0 * choice.minutes,
            above_v=math.inf if choice.above_v is None else choice.above_v,
            below_v=-math.inf if choice.below_v is None else choice.below_v,
            mains_v=choice.mains_v,
            instrument=meter.identity,
        ),
        _dissipation(chassis, job, name, step.point),
    )


def _dissipation(chassis: Chassis, job: Job, name: str, point: str) -> Callable[[float], Sequence[str]]:
    """What a power tube dissipates with the volts of now at the point, and all else as it was read last."""
    from acquisition.records import Reading
    from analysis.idle import idle_of, over_ratings

    others = [reading for reading in pass_so_far(job, name).readings if reading.point != point]
    work = job.work_done(name)
    now = Reading(point=point, quantity="dc_v", value=0.0, quality="good")

    def told(value_v: float) -> Sequence[str]:
        return tuple(over_ratings(idle_of(chassis, [*others, replace(now, value=value_v)], work)).values())

    return told
