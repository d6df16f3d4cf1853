"""Put the chassis file of a job right: readings stay, and what the file said before is written down."""

from __future__ import annotations

from difflib import SequenceMatcher
from typing import TYPE_CHECKING

import click

from acquisition.records import WORK, Event

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.chassis import Chassis


def redrawn(job: Job, file: str) -> str:
    """Keep another chassis file in a job.

    Parameters
    ----------
    job : Job
        Open for writing.
    file : str
        A path, or the name of a shipped one.

    Returns
    -------
    str
        What was done.

    Raises
    ------
    ConfigError
        There is a mistake in the file, or it lacks a pin that was read.
    UsageError
        It lacks a part or a socket that something is noted about.
    """
    from acquisition.configs import find_config
    from acquisition.store.files import name_of
    from analysis.app.passes import require_points
    from analysis.chassis import load_chassis

    chassis, path = load_chassis(file), find_config("chassis", file)
    passes = [job.read_pass(name, captures=False) for name in job.passes()]
    require_points(chassis, (p for one in passes for r in one.readings for p in r.measurand.points), path)
    work = [event.subject for one in passes for event in one.events if event.kind in WORK]
    noted = [*(name.partition("=")[0] for one in passes for name in one.pulled), *work]
    if missing := [name for name in dict.fromkeys(noted) if not _has(chassis, name)]:
        raise click.UsageError(
            f"{path} has no {missing[0]}, and {name_of(job.path)} has notes about it: is it of this chassis?"
        )
    before, now = job.sheet.chassis_text, path.read_text(encoding="utf-8-sig")
    lines = changed_lines(before, now)
    if not lines:
        return "the job keeps this chassis file already"
    if passes:  # first: were it written last, a full disk between the two would lose what the file had said
        job.add_event(passes[-1].name, Event(kind="note", text=f"chassis file put right: {'; '.join(lines)}"))
    job.redraw(now)
    return (
        f"chassis file put right, {len(lines)} place{'s' * (len(lines) > 1)}: all that is told of the readings "
        "follows it; a page of this job has to be started again"
    )


def changed_lines(before: str, now: str) -> list[str]:
    """What two texts differ in, each place with the line where it began, so that neither text is lost.

    Parameters
    ----------
    before, now : str
        The texts.

    Examples
    --------
    >>> changed_lines("R1: 10.000 A B\\nR2: 1k B C\\n", "R1: 10k A B\\nR2: 1k B C\\nR3: 2k C D\\n")
    ['line 1 was "R1: 10.000 A B", is "R1: 10k A B"', 'line 3 was left out, is "R3: 2k C D"']
    """
    old, new = before.splitlines(), now.splitlines()
    return [
        f"line {start + 1} was {_quoted(old[start:end])}, is {_quoted(new[first:last])}"
        for tag, start, end, first, last in SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
        if tag != "equal"
    ]


def _quoted(lines: list[str]) -> str:
    return ", ".join(f'"{line.strip()}"' for line in lines) or "left out"


def _has(chassis: Chassis, name: str) -> bool:
    return not name or name.partition(".")[0] in {*chassis.parts, *chassis.sockets, *chassis.rails}
