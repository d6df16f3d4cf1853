"""Parts and tubes changed before a pass, as a command line names them: ``C4``, ``C4=22n``, ``V1``."""

from __future__ import annotations

from collections.abc import Sequence

import click

from acquisition.quantities import parse_value
from acquisition.records import Event
from acquisition.store import Job
from analysis.chassis import Chassis
from analysis.chassis.parts import implausible


def replacements(chassis: Chassis, named: Sequence[str]) -> tuple[Event, ...]:
    """Read what was changed; the last word on a part wins.

    Parameters
    ----------
    chassis : Chassis
        For the names of its parts and sockets.
    named : sequence of str
        ``PART``, ``PART=VALUE`` with the value measured on or read off the new part, or a socket.

    Raises
    ------
    BadParameter
        No such part, a value that no such part has, or a value of a tube.
    """
    found: dict[str, Event] = {}
    for words in named:
        name, _, text = words.partition("=")
        if name not in chassis.parts and name not in chassis.sockets:
            there = " ".join(sorted({*chassis.parts, *chassis.sockets}))
            raise click.BadParameter(f"no part {name}; there are {there}", param_hint="--replaced")
        value = None
        if "=" in words:
            try:
                value = parse_value(text)
            except ValueError as error:
                raise click.BadParameter(f"{name}: {error}", param_hint="--replaced") from None
            if name in chassis.sockets or value <= 0:
                raise click.BadParameter(
                    f"{words}: a value is that of a part, such as C4=22n", param_hint="--replaced"
                )
            # Taken as typed, C2=22 would be 22 farad, and everything told of C2 after it wrong.
            if slip := implausible(chassis.parts[name].kind, value):
                raise click.BadParameter(f"{words}: {slip}", param_hint="--replaced")
        kind = "tube_swapped" if name in chassis.sockets else "part_replaced"
        found[name] = Event(kind=kind, subject=name, value=value)
    return tuple(found.values())


def keep_replaced(job: Job, name: str, events: Sequence[Event]) -> None:
    """Write down what was changed before a pass, once, so that a comparison can ask whether it explains.

    Parameters
    ----------
    job : Job
        Open for writing.
    name : str
        A pass of it.
    events : sequence of Event
        From `replacements`.
    """
    kept = {(event.kind, event.subject, event.value) for event in job.read_pass(name).events} if events else set()
    for event in events:
        if (event.kind, event.subject, event.value) not in kept:
            job.add_event(name, event)
