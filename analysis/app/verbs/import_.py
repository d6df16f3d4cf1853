"""``stagewalk import``: readings from a CSV file into a job."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquisition.errors import ConfigError, Problem
from acquisition.records import Reading
from acquisition.store import has_job, open_job, read_passes_csv
from analysis.app.jobs import begin_pass, chassis_of, new_job, pulled_in, require_same, told_of_mains
from analysis.app.options import standing_options
from analysis.app.passes import require_points
from analysis.app.standing import stands
from analysis.app.terminal import tell, tell_wrapped
from analysis.app.volts import MAINS

if TYPE_CHECKING:
    from acquisition.store import Job


@click.command("import")
@click.argument("job")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--pass", "name", metavar="NAME", help="Pass for readings whose line names none.")
@click.option(
    "--mains",
    "mains_v",
    type=MAINS,
    help="Mains during the pass, volts rms; a pass that has its own keeps it.",
)
@standing_options("in passes that are new")
@click.option("--chassis", help="Chassis file; makes JOB when it does not exist yet.")
def command(
    job: str, file: Path, name: str | None, mains_v: float | None, pulled: tuple[str, ...],
    lifted: tuple[str, ...], load: tuple[str, ...], chassis: str | None,
) -> int:  # fmt: skip
    """Read FILE (point,quantity,value and, if wanted, std,freq_hz,drive_pp_v ...) into JOB.

    Every mistake in FILE is told at once, and then nothing is imported.
    """
    from acquisition.store.files import name_of

    wanted: dict[str, list[Reading]] = {}
    for given, reading in read_passes_csv(file):
        wanted.setdefault(given or name or "", []).append(reading)
    if not wanted:
        raise ConfigError.from_problems([Problem(str(file), 0, "", "no readings under the names of the columns")])
    if "" in wanted:
        problem = Problem(str(file), 0, "pass_name", "some lines name no pass")
        raise ConfigError.from_problems([problem], hint="say which with --pass NAME, such as --pass as-found")
    points = dict.fromkeys(p for readings in wanted.values() for r in readings for p in r.measurand.points)
    if chassis is None and not has_job(job) and not Path(job).exists():
        raise click.UsageError(f"{job}: no job there yet: name the chassis of the new one with --chassis")
    if chassis is not None and not has_job(job):
        from analysis.chassis import load_chassis

        require_points(load_chassis(chassis), points, file)
        new_job(job, chassis).close()
    with open_job(job) as opened:
        require_same(opened, chassis)
        drawn = chassis_of(opened)
        if drawn is not None:
            require_points(drawn, points, file)
        out = stands(drawn, pulled, lifted, load) if drawn is not None else ()
        # What NAME may be wrong with comes to light before any reading is in.
        for pass_name in sorted(wanted, key=lambda one: one != name):
            kept_v = begin_pass(opened, pass_name, mains_v, pulled_in(opened, pass_name, out))
            if words := told_of_mains(pass_name, kept_v, mains_v, drawn.mains_v if drawn else None):
                tell_wrapped(words, 2)
            if kept_v is None:  # an export has no column for it
                note = f"stagewalk note {shlex.quote(name_of(job))} --pass {shlex.quote(pass_name)} --mains VOLTS"
                tell(f"{pass_name} has no mains yet, and so wider bands: {note}")
        there = [pass_name for pass_name, readings in wanted.items() if _has(opened, pass_name, readings)]
        for pass_name, readings in wanted.items():
            if pass_name not in there:
                opened.add_readings(pass_name, readings)
    for pass_name, readings in wanted.items():
        if pass_name in there:
            tell(f"{pass_name} of {name_of(job)} has these {len(readings)} readings already: none was added")
        else:
            tell(f"{len(readings)} readings into {pass_name} of {name_of(job)}")
    if drawn is not None and drawn.parts:
        for point in points:
            if "." not in point and point not in drawn.node_names:
                near = get_close_matches(point, [name for name in drawn.node_names if "." not in name], n=2)
                meant = f"; did you mean {' or '.join(near)}?" if near else ""
                tell(f"{point} is kept and nothing can judge it: no part of the chassis reaches it{meant}")
    return 0


def _has(job: Job, name: str, readings: Sequence[Reading]) -> bool:
    """Whether a pass has all these readings: imported once more, each would count twice."""

    def told(reading: Reading) -> tuple[object, ...]:
        return reading.measurand, reading.value, reading.taken_utc

    return {told(one) for one in readings} <= {told(one) for one in job.read_pass(name).readings}
