"""``stagewalk survey``: guided round of DC readings, hands free, in a terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from acquisition.records import SurveyPlan
    from acquisition.store import Job


@click.command("survey")
@click.argument("job_path", metavar="JOB")
@click.option("--chassis", "chassis_name", metavar="F", help="Chassis file or name, for a new job.")
@click.option(
    "--bench", "bench_name", metavar="B", help="Bench file or name; the one kept in the job when left out."
)
@click.option("--pass", "pass_name", metavar="NAME", help="Pass to begin or go on with; as-found for the first.")
@click.option("--mains", "mains_v", type=click.FloatRange(1.0, 1000.0), help="Mains now, volts rms.")
@click.option(
    "--supply", "supply_v", type=click.FloatRange(1.0), help="Unloaded high tension, where no model tells."
)
@click.option("--tubes-glow", is_flag=True, help="The heaters are seen to glow: skip their pins.")
@click.option("--delicate", is_flag=True, help="Offer grids that a meter upsets too.")
@click.option("--from", "start_from", default="", metavar="POINT", help="Begin at this point.")
@click.option("--again", is_flag=True, help="Read points again that the pass has already.")
@click.option("--quiet", is_flag=True, help="No bell.")
def command(
    job_path: str,
    chassis_name: str | None,
    bench_name: str | None,
    pass_name: str | None,
    mains_v: float | None,
    supply_v: float | None,
    tubes_glow: bool,
    delicate: bool,
    start_from: str,
    again: bool,
    quiet: bool,
) -> int:
    """Walk the points of a chassis and take each reading by itself.

    JOB is made when it is not there and --chassis is given. The space bar is all that is needed; b goes back, s
    skips, r repeats, q stops. Every reading is on disk before it is announced: stop at any moment, and the same
    command goes on where it was.
    """
    from acquisition.clock import SystemClock
    from acquisition.instruments import open_meter
    from acquisition.probing import Options, Probing
    from analysis.app.modelled import modelled
    from analysis.app.survey import detector_for, limits_of, run_survey
    from analysis.app.survey_screen import Screen, keyboard
    from analysis.chassis.plan import survey_plan

    with _job(job_path, chassis_name, bench_name) as job:
        bench = _bench(bench_name, job)
        chassis, model, reason = modelled(job.sheet)
        if chassis is None:
            raise click.UsageError(f"no points to walk: {reason}")
        if reason:
            click.echo(f"no expected volts: {reason}")
        mains_v = mains_v or _mains(chassis.mains_v)
        if model is not None and bench.meter is not None:
            from analysis.chassis import ChassisModel, MeterLoad

            model = ChassisModel(chassis, meter=MeterLoad(resistance_ohm=bench.meter.input_ohm))
        plan = survey_plan(chassis, model, mains_v=mains_v, supply_v=supply_v)
        _require_point(plan, start_from)
        name, done = _pass(job, pass_name, mains_v, again)
        with open_meter(bench) as meter, keyboard() as keys:
            meter.configure_dc(nplc=bench.meter.nplc if bench.meter is not None else 1.0)
            machine = Probing(
                plan,
                limits_of(bench, mains_known=mains_v is not None),
                detector_for(meter),
                lambda reading: job.add_reading(name, reading),
                SystemClock().utc,
                Options(
                    tubes_glow=tubes_glow,
                    delicate=delicate,
                    start_from=start_from,
                    done=done,
                    mains_v=mains_v,
                    instrument=meter.identity,
                ),
            )
            screen = Screen(machine, keys, bell=not quiet)
            click.echo(f"pass {name}" + (f", {len(done)} points read before" if done else ""))
            run_survey(machine, meter.stream(), screen.key, screen.show, screen.live)
    return 0


def _job(path: str, chassis_name: str | None, bench_name: str | None) -> Job:
    from acquisition.configs import find_config
    from acquisition.store import create_job, open_job

    if "://" in path or Path(path).exists():
        return open_job(path)
    if chassis_name is None:
        raise click.UsageError(f"{path} is not there yet: name the chassis of the new job with --chassis")
    if bench_name is None:
        raise click.UsageError(f"{path} is not there yet: name the bench of the new job with --bench")
    chassis, bench = find_config("chassis", chassis_name), find_config("benches", bench_name)
    return create_job(path, chassis.stem, chassis.read_text(encoding="utf-8"), bench.read_text(encoding="utf-8"))


def _bench(name: str | None, job: Job) -> Bench:
    from acquisition.instruments import load_bench
    from acquisition.instruments.bench import parse_bench

    if name is not None:
        return load_bench(name)
    if not job.sheet.bench_text.strip():
        raise click.UsageError("the job keeps no bench file: name one with --bench")
    return parse_bench(job.sheet.bench_text, f"bench file kept in {job.path}")


def _mains(nominal_v: float) -> float | None:
    """Ask for the mains; without an answer only low points are named."""
    if not sys.stdin.isatty():
        return None
    text = click.prompt(f"mains now, volts rms (drawing: {nominal_v:g}; Enter: not known)", "", show_default=False)
    try:
        return float(text) if text.strip() else None
    except ValueError:
        raise click.BadParameter(
            f"expected volts such as {nominal_v:g}, got {text!r}", param_hint="mains"
        ) from None


def _require_point(plan: SurveyPlan, point: str) -> None:
    names = [step.point for step in plan.steps]
    if point and point not in names:
        raise click.BadParameter(f"no point {point}; there are {' '.join(names)}", param_hint="--from")


def _pass(job: Job, name: str | None, mains_v: float | None, again: bool) -> tuple[str, frozenset[str]]:
    names = job.passes()
    if name is None:
        name = names[-1] if names else "as-found"
    if name not in names:
        job.start_pass(name, mains_v=mains_v)
        return name, frozenset()
    if again:
        return name, frozenset()
    kept = (r for r in job.read_pass(name).readings if r.quantity == "dc_v" and r.quality != "held")
    return name, frozenset(reading.point for reading in kept)
