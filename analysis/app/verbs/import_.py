"""``stagewalk import``: readings from a CSV file into a job."""

from __future__ import annotations

from pathlib import Path

import click

from acquisition.errors import ConfigError, Problem
from acquisition.records import Reading
from acquisition.store import has_job, open_job, read_passes_csv
from analysis.app.jobs import begin_pass, new_job, other_mains, require_same
from analysis.app.terminal import tell
from analysis.app.volts import MAINS


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
@click.option("--chassis", help="Chassis file; makes JOB when it does not exist yet.")
def command(job: str, file: Path, name: str | None, mains_v: float | None, chassis: str | None) -> int:
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
    if chassis is not None and not has_job(job):
        new_job(job, chassis).close()
    with open_job(job) as opened:
        require_same(opened, chassis)
        # What NAME may be wrong with comes to light before any reading is in.
        for pass_name in sorted(wanted, key=lambda one: one != name):
            if words := other_mains(pass_name, begin_pass(opened, pass_name, mains_v), mains_v):
                tell(words)
        for pass_name, readings in wanted.items():
            opened.add_readings(pass_name, readings)
    for pass_name, readings in wanted.items():
        tell(f"{len(readings)} readings into {pass_name} of {name_of(job)}")
    return 0
