"""What a command line says of how a chassis stands: tubes out of their sockets, parts lifted, another load."""

from __future__ import annotations

from collections.abc import Sequence

import click

from acquisition.records import Event
from acquisition.store import Job
from analysis.app.replaced import value_typed
from analysis.chassis import Chassis, Part
from analysis.chassis.description import GROUND, otherwise

LIFTED_KINDS = ("resistor", "capacitor", "inductor")
"""Parts with two ends, one of which may be lifted."""


def stands(
    chassis: Chassis,
    pulled: Sequence[str],
    lifted: Sequence[str] = (),
    load: Sequence[str] = (),
    *,
    or_none: bool = False,
) -> tuple[str, ...]:
    """Read which tubes are out of their sockets, which parts are lifted at one end and which load is connected.

    Parameters
    ----------
    chassis : Chassis
        The file.
    pulled : sequence of str
        Sockets, one or several in each: ``V3``, ``V3,V4``.
    lifted : sequence of str
        Parts, alike.
    load : sequence of str
        ``16``, or ``RL=16`` of several loads.
    or_none : bool
        The one word ``none`` among ``pulled`` is understood: nothing was out.

    Returns
    -------
    tuple of str
        In the order of the file, as `Chassis.without` takes them; of a load with its ohms, ``RL=16``.

    Raises
    ------
    BadParameter
        No such socket, part or load, one beside ``none``, or one that leaves a point with nothing on it.
    """
    chassis = chassis.without(())
    loads = _loads(chassis, load)
    sockets, parts = (" ".join(named).replace(",", " ").split() for named in (pulled, lifted))
    if or_none and any(name.lower() == "none" for name in sockets):
        if len([*sockets, *parts, *loads]) > 1:
            raise click.BadParameter("none stands alone: nothing was out of circuit", param_hint="--pulled")
        sockets = []
    if strange := [name for name in sockets if name not in chassis.sockets]:
        there = " ".join(chassis.sockets)
        raise click.BadParameter(f"no socket {strange[0]}; there are {there}", param_hint="--pulled")
    two_ended = {name: part for name, part in chassis.parts.items() if part.kind in LIFTED_KINDS}
    if strange := [name for name in parts if name not in two_ended]:
        there = " ".join(two_ended)
        raise click.BadParameter(
            f"{strange[0]} cannot be lifted at one end; these can: {there}", param_hint="--lifted"
        )
    if both := [name for name in loads if name in parts]:
        raise click.BadParameter(f"{both[0]} is lifted, or of another value: not both", param_hint="--load")
    out = chassis.without([*sockets, *parts, *loads.values()])
    _require_held(out, [two_ended[name] for name in parts])
    return out.pulled


def _loads(chassis: Chassis, named: Sequence[str]) -> dict[str, str]:
    """Loads other than drawn, by part, as `Chassis.without` takes them; as drawn is none of these."""
    found: dict[str, str] = {}
    for text in " ".join(named).replace(",", " ").split():
        name, equals, ohms = text.rpartition("=")
        if not chassis.loads:
            raise click.BadParameter("the chassis file has no resistor at a signal output", param_hint="--load")
        if not equals and len(chassis.loads) > 1:
            words = f"{text}: of which load? Write {' or '.join(f'{load}={text}' for load in chassis.loads)}"
            raise click.BadParameter(words, param_hint="--load")
        name = name or chassis.loads[0]
        if name not in chassis.loads:
            words = f"{name} is no load at the output; there are {' '.join(chassis.loads)}"
            raise click.BadParameter(words, param_hint="--load")
        value = value_typed(chassis.parts[name], ohms, text, "--load")
        if value != chassis.parts[name].value:
            found[name] = otherwise(name, value)
    return found


def stands_by_name(chassis: Chassis, text: str) -> tuple[str, ...]:
    """As `stands`, all in one line: ``V3 C7 RL=16``; all is as drawn where it says nothing.

    Parameters
    ----------
    chassis : Chassis
        The file.
    text : str
        As typed.

    Raises
    ------
    BadParameter
        As `stands`.
    """
    names, parts = text.replace(",", " ").split() or ["none"], chassis.without(()).parts
    loads = [name for name in names if "=" in name]
    lifted = [name for name in names if name in parts and name not in chassis.sockets]
    return stands(chassis, [name for name in names if name not in (*lifted, *loads)], lifted, loads, or_none=True)


def _require_held(chassis: Chassis, lifted: Sequence[Part]) -> None:
    """Refuse to lift what alone holds a point: nobody can say what a meter reads on a loose end."""
    names = chassis.node_names
    held = {names[point] for part in chassis.parts.values() for point in part.nodes} | {GROUND}
    held |= {names[rail] for rail in chassis.rails}
    there = chassis.sockets.keys() - set(chassis.pulled)
    held |= {node for point, node in names.items() if point.partition(".")[0] in there}
    for part in lifted:
        if loose := [point for point in part.nodes if names[point] not in held]:
            raise click.BadParameter(f"with {part.name} lifted nothing reaches {loose[0]}", param_hint="--lifted")


def as_options(chassis: Chassis, out: Sequence[str]) -> str:
    """How a chassis stands, as a command line says it.

    Parameters
    ----------
    chassis : Chassis
        The file.
    out : sequence of str
        From `stands`.
    """
    return " ".join(
        f"{'--load' if '=' in name else '--pulled' if name in chassis.sockets else '--lifted'} {name}"
        for name in out
    )


def keep_standing(job: Job, name: str, out: Sequence[str]) -> str:
    """Write down how the chassis stood during a pass, and that it was put right; nothing where it stood so.

    Parameters
    ----------
    job : Job
        Open for writing.
    name : str
        A pass of it.
    out : sequence of str
        From `stands`.

    Returns
    -------
    str
        How the chassis stands now, in words.
    """
    from analysis.report.words import standing_text

    before = job.read_pass(name, captures=False).pulled
    if tuple(out) != before:
        job.write_conditions(name, pulled=out)
        words = f"{standing_text(out)}, before this note {standing_text(before)}"
        job.add_event(name, Event(kind="note", text=words))
    return standing_text(out)
