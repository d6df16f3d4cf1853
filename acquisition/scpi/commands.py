"""Writing commands: numbers and templates."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from ..errors import CommandRefused

_PLACE = re.compile(r"\{([a-z_]+)\}")


def format_number(value: float) -> str:
    """Write a number as decimal numeric program data.

    Nine significant digits; plain base units and no suffix, because a suffix is refused where a command does not
    list it (error -138).

    Parameters
    ----------
    value : float
        In the base unit.

    Raises
    ------
    CommandRefused
        The value is not finite.

    Examples
    --------
    >>> format_number(1000.0), format_number(0.25), format_number(2e-7), format_number(7)
    ('1000', '0.25', '2E-07', '7')
    """
    if not math.isfinite(value):
        raise CommandRefused(f"a setting must be a finite number, got {value}", hint="check the value asked for")
    return f"{value + 0.0:.9G}"  # adding zero turns -0.0 into 0.0


def fill(template: str, values: Mapping[str, object]) -> str:
    """Put values into the places of a command template.

    Parameters
    ----------
    template : str
        Such as ``:CHAN{channel}:SCAL {value}``.
    values : mapping of str to object
        Numbers are written by `format_number`, booleans as ON and OFF, text as it stands.

    Returns
    -------
    str
        One program message without its terminator.

    Raises
    ------
    CommandRefused
        A place has no value, or the result would be more than one line or not plain ASCII.

    Examples
    --------
    >>> fill(":CHAN{channel}:SCAL {value}", {"channel": 2, "value": 0.05})
    ':CHAN2:SCAL 0.05'
    """

    def put(match: re.Match[str]) -> str:
        name = match.group(1)
        if name not in values:
            raise CommandRefused(f"command {template!r} needs a value for {name}", hint="look at the dialect file")
        value = values[name]
        if isinstance(value, bool):
            return "ON" if value else "OFF"
        return format_number(value) if isinstance(value, int | float) else str(value)

    command = _PLACE.sub(put, template)
    if not command.isascii() or not command.isprintable():
        raise CommandRefused(f"command {command!r} is not one line of plain ASCII", hint="look at the dialect file")
    return command
