"""``stagewalk watch``: one point for minutes or hours, hands away: warm-up, burn-in, what comes and goes."""

from __future__ import annotations

import click

from analysis.app.jobs import (
    begin_pass,
    bench_for,
    job_for,
    latest_pass,
    pass_so_far,
    pulled_in,
    require_point,
    told_of_mains,
)
from analysis.app.terminal import tell, tell_wrapped
from analysis.app.volts import ABOVE_ONE, ANY_VOLTS, MAINS

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
    from acquisition.instruments import open_meter
    from acquisition.probing import Action, ActionKind
    from analysis.app.modelled import modelled
    from analysis.app.survey import patient_samples, run_survey
    from analysis.app.survey_screen import Screen, keyboard
    from analysis.app.watching import WatchChoice, step_to_watch, watch_of

    with job_for(
        job_path, chassis_name, bench_name, serial, lambda chassis: require_point(chassis, point, "POINT")
    ) as job:
        bench = bench_for(bench_name, job)
        name = latest_pass(job, pass_name)
        out = pulled_in(job, name, ())
        chassis, model, reason = modelled(job.sheet, out)
        if chassis is None:
            raise click.UsageError(f"no points to watch: {reason}")
        require_point(chassis, point, "POINT")
        if reason:
            tell(f"no expected volts: {reason}")
        choice = WatchChoice(
            point=point,
            minutes=minutes,
            above_v=above_v,
            below_v=below_v,
            settled_min=settled_min,
            mains_v=mains_v or pass_so_far(job, name).mains_v,
            supply_v=supply_v,
        )
        step = step_to_watch(chassis, model, bench, choice)
        tell("looking for the meter")
        with open_meter(bench) as meter, keyboard() as keys:
            meter.configure_dc(nplc=bench.meter.nplc if bench.meter is not None else 1.0)
            # Not before the meter answers: an empty pass would stand in the report beside the others.
            kept_v = begin_pass(job, name, choice.mains_v, out)
            if words := told_of_mains(name, kept_v, choice.mains_v, chassis.mains_v):
                tell_wrapped(words, 2)
            machine = watch_of(step, chassis, bench, meter, job, name, choice)
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
