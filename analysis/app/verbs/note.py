"""``stagewalk note``: what belongs to a job besides its readings."""

from __future__ import annotations

import click

from analysis.app.jobs import chassis_of, latest_pass, told_of_mains
from analysis.app.options import standing_options
from analysis.app.terminal import harmless, tell, tell_wrapped
from analysis.app.volts import MAINS


@click.command("note")
@click.argument("job_path", metavar="JOB")
@click.argument("text", default="")
@click.option("--customer", metavar="TEXT", help="Whose chassis it is.")
@click.option("--complaint", metavar="TEXT", help="What the customer says is wrong.")
@click.option("--technician", metavar="TEXT", help="Who works on it.")
@click.option("--serial", metavar="TEXT", help="Serial number of the chassis.")
@click.option(
    "--replaced", multiple=True, metavar="PART[=VALUE]",
    help="Part or socket changed before the pass, with the value of the new part if known; may be given again.",
)  # fmt: skip
@click.option(
    "--measured", multiple=True, metavar="PART=VALUE",
    help="Value of a part, measured with the power off, that stays where it is; may be given again.",
)  # fmt: skip
@click.option(
    "--mains", "mains_v", type=MAINS,
    help="Mains during the pass, volts rms, where they were left out or written down wrong.",
)  # fmt: skip
@standing_options("during the pass", none=", `none` where all was as drawn")
@click.option(
    "--chassis", "drawing", metavar="FILE",
    help="Chassis file, put right, that JOB keeps from now on; the lines that were otherwise are noted.",
)  # fmt: skip
@click.option(
    "--pass",
    "name",
    metavar="NAME",
    help="Pass that all but the intake belongs to; the last when left out.",
)
def command(
    job_path: str, text: str, customer: str | None, complaint: str | None, technician: str | None,
    serial: str | None, replaced: tuple[str, ...], measured: tuple[str, ...], mains_v: float | None,
    pulled: tuple[str, ...], lifted: tuple[str, ...], load: tuple[str, ...], drawing: str | None, name: str | None,
) -> int:  # fmt: skip
    """Write into JOB what the report tells at its top, a replaced or measured part, or TEXT as a remark.

    Readings stay as they are. Intake words replace earlier ones; parts and remarks are added to a pass.
    """
    from acquisition.records import Event
    from acquisition.store import open_job
    from acquisition.store.files import name_of
    from analysis.app.modelled import modelled
    from analysis.app.redrawn import redrawn
    from analysis.app.replaced import far_from_drawn, keep_replaced, measurements, replacements
    from analysis.app.standing import keep_standing, stands

    intake = {"customer": customer, "complaint": complaint, "technician": technician, "serial": serial}
    of_pass = bool(text or replaced or measured or mains_v or pulled or lifted or load)
    if not of_pass and drawing is None and all(words is None for words in intake.values()):
        raise click.UsageError(
            "nothing to write down: give TEXT, --replaced, --measured, --mains, --pulled, --lifted, --load, "
            "--chassis, or one of --" + " --".join(intake)
        )
    with open_job(job_path) as job:
        if drawing is not None:
            tell(redrawn(job, drawing))
        if of_pass:
            name = latest_pass(job, name)
            if name not in job.passes():
                raise click.UsageError(f"no pass {name} yet: read or import it first, then note what belongs to it")
        chassis = chassis_of(job)
        events: tuple[Event, ...] = ()
        out: tuple[str, ...] = ()
        if chassis is not None:
            events = (*replacements(chassis, replaced), *measurements(chassis, measured))
            out = stands(chassis, pulled, lifted, load, or_none=True)
            for asked in far_from_drawn(chassis, events):
                tell_wrapped(asked, 2)
        elif replaced or measured or pulled or lifted or load:
            raise click.UsageError(f"no parts to name: {modelled(job.sheet)[2]}")
        job.describe(**intake)
        if name is not None:
            keep_replaced(job, name, events)
        if name is not None and mains_v is not None:
            before_v = job.read_pass(name).mains_v
            job.write_conditions(name, mains_v=mains_v)
            was = "not written down" if before_v is None else f"{before_v:g} V"
            job.add_event(name, Event(kind="note", text=f"mains {mains_v:g} V, before this note {was}"))
            if words := told_of_mains(name, mains_v, mains_v, chassis.mains_v if chassis else None):
                tell_wrapped(words, 2)
        if name is not None and (pulled or lifted or load):
            keep_standing(job, name, out)
        if name is not None and text:
            job.add_event(name, Event(kind="note", subject="", text=text))
    click.echo(harmless(f"noted in {name_of(job_path)}"))
    return 0
