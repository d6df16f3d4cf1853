"""What a command line says of parts and tubes: changed, measured with power off."""

from __future__ import annotations

from collections.abc import Sequence

import click

from acquisition.quantities import format_value
from acquisition.records import Event, Pass
from acquisition.store import Job
from analysis.chassis import Chassis, Part
from analysis.chassis.parts import UNITS, implausible, part_value

ANOTHER_DECADE = 9.0
"""Values apart by such a factor are asked about (common practice, no source)."""


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
    found = _named(chassis, named, "--replaced")
    kinds = {name: "tube_swapped" if name in chassis.sockets else "part_replaced" for name in found}
    return tuple(Event(kind=kinds[name], subject=name, value=value) for name, value in found.items())


def measurements(chassis: Chassis, named: Sequence[str]) -> tuple[Event, ...]:
    """Read what was measured with the power off and stays where it is; the last word on a part wins.

    Parameters
    ----------
    chassis : Chassis
        For the names of its parts.
    named : sequence of str
        ``PART=VALUE``.

    Raises
    ------
    BadParameter
        No such part, no value, or one that no such part has.
    """
    found = _named(chassis, named, "--measured")
    if missing := [name for name, value in found.items() if value is None]:
        words = f"{missing[0]}: expected what was read, such as C4=22n"
        raise click.BadParameter(words, param_hint="--measured")
    return tuple(Event(kind="part_measured", subject=name, value=value) for name, value in found.items())


def far_from_drawn(chassis: Chassis, events: Sequence[Event]) -> list[str]:
    """Ask about values of another decade than the drawing's: a slip of the prefix is soon typed, and all told after
    it is wrong.

    Parameters
    ----------
    chassis : Chassis
        With its parts.
    events : sequence of Event
        From `replacements` or `measurements`.
    """
    asked = []
    for event in events:
        part = chassis.without(()).parts.get(event.subject)
        if part is None or not event.value or not part.value:
            continue
        if not 1.0 / ANOTHER_DECADE < event.value / part.value < ANOTHER_DECADE:
            taken, drawn = (format_value(value, UNITS[part.kind]) for value in (event.value, part.value))
            asked.append(f"{part.name} is taken as {taken}, drawn as {drawn}: is the prefix right?")
    return asked


def _named(chassis: Chassis, named: Sequence[str], option: str) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    chassis = chassis.without(())  # a part that is lifted may be measured or changed like any other
    for words in named:
        name, _, text = words.partition("=")
        if name not in chassis.parts and name not in chassis.sockets:
            there = " ".join(sorted({*chassis.parts, *chassis.sockets}))
            raise click.BadParameter(f"no part {name}; there are {there}", param_hint=option)
        value = None
        if "=" in words:
            if name in chassis.sockets:
                raise click.BadParameter(f"{words}: a value is that of a part, such as C4=22n", param_hint=option)
            value = value_typed(chassis.parts[name], text, words, option)
        found[name] = value
    return found


def value_typed(part: Part, text: str, words: str, option: str) -> float:
    """Read the value of a part.

    Parameters
    ----------
    part : Part
        Whose.
    text : str
        The value alone, in base units with a prefix.
    words, option : str
        All that was typed, and where, for the message.

    Raises
    ------
    BadParameter
        No value, or one that no such part has.
    """
    try:
        value = part_value(part.kind, text)
    except ValueError as error:
        raise click.BadParameter(f"{part.name}: {error}", param_hint=option) from None
    # Taken as typed, C2=22 would be 22 farad, and everything told of C2 after it wrong.
    if slip := implausible(part.kind, value):
        raise click.BadParameter(f"{words}: {slip}", param_hint=option)
    return value


def require_unread(one: Pass, changed: Sequence[Event]) -> None:
    """Refuse a change before readings that were taken already: it was made after them.

    Parameters
    ----------
    one : Pass
        That is to be begun, or gone on with.
    changed : sequence of Event
        From `replacements`; what the pass has already is no matter.

    Raises
    ------
    UsageError
        It has readings.
    """
    noted = {(event.kind, event.subject) for event in one.events}
    if one.readings and (names := [e.subject for e in changed if (e.kind, e.subject) not in noted]):
        raise click.UsageError(
            f"{one.name} was read before {' and '.join(names)} went in: begin a pass of its own, such as "
            f"after-{names[0]}; what was forgotten is put right by Notes of the page or stagewalk note --replaced"
        )


def keep_replaced(job: Job, name: str, events: Sequence[Event]) -> None:
    """Write down what was changed or measured, once, so that a comparison can ask whether it explains the readings.

    Parameters
    ----------
    job : Job
        Open for writing.
    name : str
        A pass of it.
    events : sequence of Event
        From `replacements` or `measurements`.
    """
    before = job.read_pass(name, captures=False).events if events else ()
    kept = {(event.kind, event.subject, event.value) for event in before}
    for event in events:
        if (event.kind, event.subject, event.value) not in kept:
            job.add_event(name, event)
