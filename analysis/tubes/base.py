"""Where the pins of a base are, seen from below, and how to say so.

Pins count clockwise from the key or gap seen from below, which is the wiring side of the socket; seen from above
the same numbers run anticlockwise. Octal: eight places, key between 8 and 1. Miniature: eight places, the gap
takes one. Noval: ten places, the gap takes one. Four-pin: the two filament pins, 1 and 4, are thicker, and the
counting starts between them. (The geometry is from memory, the counting rule is the trade's.)
"""

from __future__ import annotations

from collections.abc import Mapping

from .article import with_article

POSITIONS: Mapping[str, int] = {"octal": 8, "miniature": 7, "noval": 9, "four-pin": 4}
"""Highest pin number of every base."""

INDEX: Mapping[str, str] = {"octal": "key", "miniature": "gap", "noval": "gap", "four-pin": "thick pins"}
"""What the counting starts from."""

_ORDINALS = ("zeroth", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")
_OF_FOUR = ("", "thick and left", "thin and left", "thin and right", "thick and right")
"""A count from the thick pins would be taken to begin after them, and end on the plate for the grid."""


def _require(base: str, pin: int) -> None:
    if not 1 <= pin <= POSITIONS[base]:
        raise ValueError(f"{with_article(base)} base has pins 1 to {POSITIONS[base]}, not {pin}")


def pin_angle_deg(base: str, pin: int) -> float:
    """Angle of a pin, clockwise from the middle of the key or gap, seen from below.

    Parameters
    ----------
    base : str
        A key of ``POSITIONS``.
    pin : int
        Pin number; seen from above the angle has the other sign.

    Raises
    ------
    ValueError
        The base has no such place.

    Examples
    --------
    >>> pin_angle_deg("octal", 1), pin_angle_deg("miniature", 1), pin_angle_deg("noval", 9)
    (22.5, 45.0, 324.0)
    """
    _require(base, pin)
    if base == "four-pin":
        return 90.0 * pin - 45.0
    if base == "octal":
        return 45.0 * pin - 22.5
    return (45.0 if base == "miniature" else 36.0) * pin


def neighbours(base: str, pin: int) -> tuple[int, int]:
    """Places next to a pin, anticlockwise and clockwise seen from below, across the key or gap too.

    Parameters
    ----------
    base : str
        A key of ``POSITIONS``.
    pin : int
        Pin number.

    Raises
    ------
    ValueError
        The base has no such place.

    Examples
    --------
    >>> neighbours("noval", 1), neighbours("octal", 4)
    ((9, 2), (3, 5))
    """
    _require(base, pin)
    count = POSITIONS[base]
    return (pin - 2) % count + 1, pin % count + 1


def mirrored(base: str, pin: int) -> int:
    """Pin that is hit by somebody who counts the wrong way round.

    Parameters
    ----------
    base : str
        A key of ``POSITIONS``.
    pin : int
        Pin number.

    Raises
    ------
    ValueError
        The base has no such place.

    Examples
    --------
    >>> mirrored("noval", 6), mirrored("octal", 3), mirrored("miniature", 4)
    (4, 6, 4)
    """
    _require(base, pin)
    return POSITIONS[base] + 1 - pin


def spoken_place(base: str, pin: int) -> str:
    """Say where a pin is, for eyes that stay on the probe.

    Parameters
    ----------
    base : str
        A key of ``POSITIONS``.
    pin : int
        Pin number.

    Raises
    ------
    ValueError
        The base has no such place.

    Examples
    --------
    >>> spoken_place("noval", 6)
    'pin 6, sixth clockwise from the gap, seen from below'
    >>> spoken_place("octal", 8)
    'pin 8, last clockwise from the key, seen from below'
    """
    _require(base, pin)
    if base == "four-pin":
        return f"pin {pin}, {_OF_FOUR[pin]} with the thick pins towards you, seen from below"
    place = "last" if pin == POSITIONS[base] else _ORDINALS[pin]
    return f"pin {pin}, {place} clockwise from the {INDEX[base]}, seen from below"
