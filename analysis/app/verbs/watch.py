"""``stagewalk watch``: one point for minutes or hours, hands away: warm-up, burn-in, what comes and goes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from analysis.app.jobs import (
    begin_pass,
    bench_for,
    job_for,
    latest_pass,
    pass_so_far,
    pulled_in,
    told_of_mains,
)
from analysis.app.terminal import tell
from analysis.app.volts import ABOVE_ONE, ANY_VOLTS, MAINS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from acquisition.records import Event, Reading, Stretch, SurveyStep
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel

KEYS = "Keys: space goes on, and sets a mark while it watches; q ends."


@click.command("watch")
@click.argument("job_path", metavar="JOB")
@click.argument("point", metavar="POINT")
@click.option("--minutes", type=click.FloatRange(min=0.0, min_open=True), help="For how long; until q if left out.")
@click.option("--above", "above_v", type=ANY_VOLTS, metavar="V", help="Ring where it reads more than this.")
@click.option("--below", "below_v", type=ANY_VOLTS, metavar="V", help="Ring where it reads less than this.")
@click.option(
    "--settled", "settled_min", type=click.FloatRange(min=0.5), default=5.0, show_default=True, metavar="MIN",
    help="Minutes over which a settled value moves less than 1 %.",
)  # fmt: skip
@click.option("--chassis", "chassis_name", metavar="F", help="Chassis file or name, for a new job.")
@click.option(
    "--bench", "bench_name", metavar="B", help="Bench file or name; the one kept in the job when left out."
)
@click.option("--pass", "pass_name", metavar="NAME", help="Pass to begin or go on with; as-found for the first.")
@click.option("--mains", "mains_v", type=MAINS, help="Mains now, volts rms.")
@click.option("--supply", "supply_v", type=ABOVE_ONE, help="Unloaded high tension, where no rails tell.")
@click.option("--serial", default="", metavar="NUMBER", help="Serial number of the chassis, for a new job.")
@click.option("--quiet", is_flag=True, help="No bell.")
def command(
    job_path: str,
    point: str,
    minutes: float | None,
    above_v: float | None,
    below_v: float | None,
    settled_min: float,
    chassis_name: str | None,
    bench_name: str | None,
    pass_name: str | None,
    mains_v: float | None,
    supply_v: float | None,
    serial: str,
    quiet: bool,
) -> int:
    """Watch POINT with the lead clipped on, and tell what it does.

    From switch-on it is kept second by second: where it stands, when it leaves that and comes back, when it has
    settled. The settled value is a reading of the pass. Space sets a mark, as where somebody taps a tube; q ends.
    At the cathode of a power tube with its plate read before, the dissipation is told as soon as it is too high.
    """
    from acquisition.clock import SystemClock
    from acquisition.instruments import open_meter
    from acquisition.probing import Action, ActionKind
    from acquisition.watching import Course, Watching, WatchOptions
    from analysis.app.modelled import modelled
    from analysis.app.survey import limits_of, patient_samples, run_survey
    from analysis.app.survey_screen import Screen, keyboard

    if above_v is not None and below_v is not None and above_v <= below_v:
        raise click.UsageError(f"--above {above_v:g} is not above --below {below_v:g}: exchange them")

    def fits(chassis: Chassis) -> tuple[Event, ...]:
        _require_point(chassis, point)
        return ()

    with job_for(job_path, chassis_name, bench_name, serial, fits) as job:
        bench = bench_for(bench_name, job)
        name = latest_pass(job, pass_name)
        out = pulled_in(job, name, ())
        chassis, model, reason = modelled(job.sheet, out)
        if chassis is None:
            raise click.UsageError(f"no points to watch: {reason}")
        fits(chassis)
        if reason:
            tell(f"no expected volts: {reason}")
        mains_v = mains_v or pass_so_far(job, name).mains_v
        step = _step(chassis, model, point, mains_v, supply_v)
        limits = limits_of(bench, mains_known=mains_v is not None)
        if refused := limits.refusal(step):
            raise click.UsageError(f"{refused}; it is not watched")
        tell("looking for the meter")
        with open_meter(bench) as meter, keyboard() as keys:
            meter.configure_dc(nplc=bench.meter.nplc if bench.meter is not None else 1.0)
            if words := told_of_mains(name, begin_pass(job, name, mains_v, out), mains_v, chassis.mains_v):
                tell(words)
            machine = Watching(
                step,
                limits,
                Course(60.0 * settled_min),
                _Keeper(job, name),
                lambda s: meter.accuracy.for_range(s.range_v).std_v(s.value_v, s.resolution_v, s.range_v),
                SystemClock().utc,
                WatchOptions(
                    watch_s=math.inf if minutes is None else 60.0 * minutes,
                    above_v=math.inf if above_v is None else above_v,
                    below_v=-math.inf if below_v is None else below_v,
                    mains_v=mains_v,
                    instrument=meter.identity,
                ),
                _dissipation(chassis, job, name, step.point),
            )
            tell(f"pass {name}")
            with Screen(machine, keys, bell=not quiet) as screen:
                screen.show(Action(kind=ActionKind.SAY, text=KEYS))
                samples = patient_samples(
                    meter, lambda text: screen.show(Action(kind=ActionKind.CAUTION, text=text))
                )
                run_survey(machine, samples, screen.key, screen.show, screen.live)
                if machine.not_kept is not None:
                    raise machine.not_kept
    return 0


@dataclass(frozen=True, slots=True)
class _Keeper:
    job: Job
    name: str

    def stretch(self, stretch: Stretch) -> None:
        self.job.add_watched(self.name, [stretch])

    def event(self, event: Event) -> None:
        self.job.add_event(self.name, event)

    def reading(self, reading: Reading) -> None:
        self.job.add_reading(self.name, reading)


def _step(
    chassis: Chassis, model: ChassisModel | None, point: str, mains_v: float | None, supply_v: float | None
) -> SurveyStep:
    from analysis.chassis.plan import survey_plan

    plan = survey_plan(chassis, model, mains_v=mains_v, supply_v=supply_v)
    steps = {step.point: step for step in plan.steps}
    node = chassis.node_names.get(point)
    if point not in steps:  # another name of one that a survey goes to
        point = next((name for name in steps if node is not None and chassis.node_names.get(name) == node), point)
    if point not in steps:
        raise click.BadParameter(
            f"{point} is no point for a meter; there are {' '.join(steps)}", param_hint="POINT"
        )
    if steps[point].heater:
        raise click.BadParameter(
            f"{point} is a heater pin: its volts are AC, and the meter reads DC", param_hint="POINT"
        )
    return steps[point]


def _dissipation(chassis: Chassis, job: Job, name: str, point: str) -> Callable[[float], Sequence[str]]:
    """What a power tube dissipates with the volts of now at the point, and all else as it was read last."""
    from acquisition.records import Reading
    from analysis.idle import idle_of, over_ratings

    before, work = pass_so_far(job, name).readings, job.work_done(name) if name in job.passes() else ()
    others = [reading for reading in before if reading.point != point]
    now = Reading(point=point, quantity="dc_v", value=0.0, quality="good")

    def told(value_v: float) -> Sequence[str]:
        return over_ratings(idle_of(chassis, [*others, replace(now, value=value_v)], work))

    return told


def _require_point(chassis: Chassis, point: str) -> None:
    names = {f"{socket}.{pin}" for socket, tube in chassis.sockets.items() for pin in tube.pins}
    names |= set(chassis.node_names)
    if point not in names:
        raise click.BadParameter(f"no point {point}; there are {' '.join(sorted(names))}", param_hint="POINT")
