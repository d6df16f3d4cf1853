"""Options that several verbs share; what they say is read by other modules, which take longer to load."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])


def standing_options(when: str, none: str = "") -> Callable[[Command], Command]:
    """``--pulled``, ``--lifted`` and ``--load`` of a verb, to be read by `analysis.app.standing.stands`.

    Parameters
    ----------
    when : str
        Behind each help text: during this pass, for passes that are new.
    none : str
        Behind that of ``--pulled``.
    """

    def add(command: Command) -> Command:
        for option, metavar, text in (
            ("--load", "OHM", f"Load at the output {when}, where it is not the drawn one; PART=OHM of several."),
            ("--lifted", "PART", f"Part lifted at one end {when}; may be given again."),
            ("--pulled", "SOCKET", f"Tube out of its socket {when}; may be given again{none}."),
        ):
            command = click.option(option, multiple=True, metavar=metavar, help=text)(command)
        return command

    return add
