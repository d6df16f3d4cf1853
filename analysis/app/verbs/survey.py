"""``stagewalk survey``: guided round of DC readings, hands free, in a terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from analysis.app.jobs import (
    begin_pass,
    bench_for,
    chassis_of,
    direct_readings,
    job_for,
    latest_pass,
    mains_from,
    pass_so_far,
    pulled_in,
    require_point,
    told_of_mains,
)
from analysis.app.options import standing_options
from analysis.app.terminal import tell, tell_wrapped
from analysis.app.volts import ABOVE_ONE, MAINS

if TYPE_CHECKING:
    from acquisition.records import Event
    from analysis.chassis import Chassis

KEYS = "Keys: space goes on, b back, s skip, r repeat, q stop."


@click.command("survey")
@click.argument("job_path", metavar="JOB")
@click.option("--chassis", "chassis_name", metavar="F", help="Chassis file or name, for a new job.")
@click.option(
    "--bench", "bench_name", metavar="B", help="Bench file or name; the one kept in the job when left out."
)
@click.option("--pass", "pass_name", metavar="NAME", help="Pass to begin or go on with; as-found for the first.")
@click.option("--mains", "mains_v", type=MAINS, help="Mains now, volts rms.")
@click.option("--supply", "supply_v", type=ABOVE_ONE, help="Unloaded high tension, where no rails tell.")
@click.option("--tubes-glow", is_flag=True, help="The heaters are seen to glow: skip their pins.")
@click.option("--delicate", is_flag=True, help="Offer grids that a meter upsets too.")
@click.option("--from", "start_from", default="", metavar="POINT", help="Begin at this point.")
@click.option("--again", is_flag=True, help="Read points again that the pass has already.")
@click.option(
    "--replaced",
    multiple=True,
    metavar="PART[=VALUE]",
    help="Part or socket changed before this pass; may be given again.",
)
@standing_options("during this pass")
@click.option("--serial", default="", metavar="NUMBER", help="Serial number of the chassis, for a new job.")
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
    replaced: tuple[str, ...],
    pulled: tuple[str, ...],
    lifted: tuple[str, ...],
    load: tuple[str, ...],
    serial: str,
    quiet: bool,
) -> int:
    """Walk the points of a chassis and take each reading by itself.

    JOB is made when it is not there and --chassis is given. The space bar is all that is needed; b goes back, s
    skips, r repeats, q stops. Every reading is on disk before it is announced: stop at any moment, and the same
    command goes on where it was.
    """
    from acquisition.instruments import open_meter
    from acquisition.probing import Action, ActionKind, Options
    from analysis.app.modelled import modelled
    from analysis.app.replaced import (
        far_from_drawn,
        keep_replaced,
        replacements,
        require_unread,
    )
    from analysis.app.standing import stands
    from analysis.app.survey import OverRatings, patient_samples, run_survey, survey_of
    from analysis.app.survey_screen import Screen, keyboard
    from analysis.idle import idle_of, over_ratings
    from analysis.judge import asked_about
    from analysis.report.words import standing_text

    def fits(chassis: Chassis) -> tuple[Event, ...]:
        if start_from:
            require_point(chassis, start_from, "--from")
        stands(chassis, pulled, lifted, load)
        return replacements(chassis, replaced)

    with job_for(job_path, chassis_name, bench_name, serial, fits) as job:
        bench = bench_for(bench_name, job)
        name = latest_pass(job, pass_name)
        drawn = chassis_of(job)
        out = pulled_in(job, name, stands(drawn, pulled, lifted, load) if drawn is not None else ())
        chassis, model, reason = modelled(job.sheet, out)
        if chassis is None:
            raise click.UsageError(f"no points to walk: {reason}")
        changed = fits(chassis)
        so_far = pass_so_far(job, name)
        require_unread(so_far, changed)
        if reason:
            tell(f"no expected volts: {reason}")
        mains_v = mains_v or _mains(chassis.mains_v, so_far.mains_v)
        done = frozenset() if again else frozenset(r.point for r in direct_readings(job, name))
        options = Options(
            tubes_glow=tubes_glow, delicate=delicate, start_from=start_from, done=done, mains_v=mains_v
        )
        tell("looking for the meter")  # a slow or silent one takes seconds to be known as such
        with open_meter(bench) as meter, keyboard() as keys:
            meter.configure_dc(nplc=bench.meter.nplc if bench.meter is not None else 1.0)
            # Not before the meter answers: an empty pass would stand in the report beside the others.
            if words := told_of_mains(name, begin_pass(job, name, mains_v, out), mains_v, chassis.mains_v):
                tell_wrapped(words, 2)
            for asked in far_from_drawn(chassis, changed):
                tell_wrapped(asked, 2)
            keep_replaced(job, name, changed)
            machine = survey_of(
                chassis,
                model,
                bench,
                meter,
                lambda reading: job.add_reading(name, reading),
                options,
                supply_v=supply_v,
            )
            told = [f"pass {name}", *([f"{len(done)} points read before"] if done else [])]
            tell(", ".join([*told, *([standing_text(out)] if out else [])]))
            with Screen(machine, keys, bell=not quiet) as screen:
                screen.show(Action(kind=ActionKind.SAY, text=KEYS))
                samples = patient_samples(
                    meter, lambda text: screen.show(Action(kind=ActionKind.CAUTION, text=text))
                )
                watch = OverRatings()

                def caution() -> str:
                    return watch.news(chassis, direct_readings(job, name), job.work_done(name)) or ""

                run_survey(machine, samples, screen.key, screen.show, screen.live, caution)
                if machine.not_kept is not None:
                    raise machine.not_kept
        one = pass_so_far(job, name)
        for text in over_ratings(idle_of(chassis, one.readings, job.work_done(name))).values():
            tell_wrapped(text, 2)
        for text in asked_about(chassis, model, one.readings, one.mains_v):
            tell_wrapped(f"note: {text}", 2)
    return 0


def _mains(nominal_v: float, kept_v: float | None) -> float | None:
    """Ask for the mains; where none is known only low points are named."""
    from acquisition.records import UNKNOWN_RATING_V

    if not sys.stdin.isatty():
        return kept_v
    otherwise = f"not known, and no point that can reach {UNKNOWN_RATING_V:g} V"
    if kept_v is not None:
        otherwise = f"{kept_v:g}, as before in this pass"
    # Asked again where it is no number: with the leads in place nobody wants to begin from the shell.
    mains_v: float | None = click.prompt(
        f"mains now, volts rms (drawing: {nominal_v:g}; Enter: {otherwise})",
        "",
        show_default=False,
        value_proc=lambda words: mains_from(words, nominal_v),
    )
    return mains_v or kept_v
