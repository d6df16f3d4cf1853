"""Chassis and passes that a command line names: a job with its passes, or readings files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.app.passes import Taken, refusal, require_points
from analysis.app.together import counted

if TYPE_CHECKING:
    from analysis.chassis import Chassis


def take(
    arguments: Sequence[str],
    chassis_name: str | None,
    pass_name: str | None,
    also: Sequence[str] = (),
    *,
    alone: bool = True,
) -> tuple[Chassis, list[Taken]]:
    """Chassis and passes named on the command line.

    Parameters
    ----------
    arguments : sequence of str
        One job, or readings files when ``chassis_name`` is given.
    chassis_name : str, optional
        Chassis file or name of a shipped one.
    pass_name : str, optional
        A pass of the job; the last one when left out.
    also : sequence of str, optional
        Passes of the job that count too.
    alone : bool
        Count no others beside these.

    Raises
    ------
    ConfigError
        Nothing usable was named.
    StoreError
        The job cannot be read.
    """
    from acquisition.errors import ConfigError
    from acquisition.store import read_readings_csv
    from analysis.app.jobs import job_to_read
    from analysis.app.modelled import PUT_RIGHT
    from analysis.chassis import load_chassis, parse_chassis

    if chassis_name is not None:
        if not arguments:
            raise refusal("--chassis needs at least one readings file")
        for option, given in (("--pass", pass_name), ("--also", also)):
            if given:
                raise refusal(f"{option} belongs to a job, not to readings files")
        chassis = load_chassis(chassis_name)
        if jobs := [name for name in arguments if name.endswith(".stagewalk") or "://" in name]:
            raise refusal(f"{jobs[0]} is a job, and --chassis goes with readings files: leave --chassis out")
        tables = {name: read_readings_csv(name) for name in arguments}
        for name, readings in tables.items():
            require_points(chassis, (p for r in readings for p in r.measurand.points), name, names=True)
        return chassis, [Taken(labels={"file": name}, readings=readings) for name, readings in tables.items()]
    if tables_named := [name for name in arguments if name.lower().endswith(".csv")]:
        raise refusal(f"{tables_named[0]}: name what it was read of with --chassis FILE, or give a job instead")
    if len(arguments) != 1:
        raise refusal("give one job, or readings files and, with --chassis FILE, what they are of")
    with job_to_read(arguments[0]) as job:
        names = job.passes()
        if not names:
            raise refusal(f"{arguments[0]} has no pass yet: take a survey first")
        for name in (*([pass_name] if pass_name is not None else []), *also):
            if name not in names:
                raise refusal(f"no pass {name!r} in {arguments[0]}; there are {', '.join(names)}")
        chosen = job.read_pass(pass_name or names[-1])
        sheet = job.sheet
        if not sheet.chassis_text:
            raise refusal(
                f"{arguments[0]} keeps no chassis file: export it, and name --chassis FILE with the table"
            )
        try:
            chassis = parse_chassis(sheet.chassis_text, f"chassis file kept in {arguments[0]}")
        except ConfigError as error:
            raise ConfigError.from_problems(error.problems, hint=PUT_RIGHT) from error
        if also and not chassis.parts:
            raise refusal("--also needs a chassis file with parts: without them there is nothing to work out from")
        taken = counted(job, chosen, also, alone=alone or not chassis.parts)
        return chassis.without(taken.pulled), [taken]
