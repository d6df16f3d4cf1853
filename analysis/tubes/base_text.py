"""The base of a tube, seen from below, drawn with characters."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

from .base import INDEX, POSITIONS, pin_angle_deg
from .types import Pin, Tube

_ROWS = 7.0  # radius in lines; a character is about twice as high as wide
_COLUMNS = 15.0
_LABEL = 15  # columns; a longer label takes two lines, so that a base fits 80 columns


@dataclass(frozen=True, slots=True)
class _Marks:
    live: str
    heater: str
    both: str
    plain: str
    inside: str
    unused: str
    outline: str
    start: str
    hither: str
    thither: str


_UNICODE = _Marks("◆{}◆", "≈{}≈", "◆{}≈", "({})", "╳{}╳", " {} ", "·", "▲", "━▶", "◀━")
_ASCII = _Marks("#{}#", "~{}~", "#{}~", "({})", "x{}x", " {} ", ".", "^", "=>", "<=")


def base_text(tube: Tube, highlight_pin: int | None = None, *, ascii_only: bool = False) -> str:
    """Draw the base of a tube from below for a terminal.

    Parameters
    ----------
    tube : Tube
        Any type.
    highlight_pin : int, optional
        Pin to point at.
    ascii_only : bool
        For terminals that know no other characters.

    Returns
    -------
    str
        Lines without trailing spaces; key or gap at the bottom, as data sheets draw it.
    """
    marks = _ASCII if ascii_only else _UNICODE
    labels = {number: textwrap.wrap(pin.label, _LABEL) for number, pin in tube.pins.items()}
    left = max((len(line) for label in labels.values() for line in label), default=0) + len(marks.hither) + 3
    middle = left + int(_COLUMNS) + 2
    height = int(2 * _ROWS) + 3
    canvas = [[" "] * (2 * middle + 1) for _ in range(height)]

    def write(x: float, y: float, text: str, align: str = "middle") -> None:
        column = round(x) - {"middle": len(text) // 2, "end": len(text) - 1, "start": 0}[align]
        for offset, character in enumerate(text):
            if 0 <= column + offset < len(canvas[0]):
                canvas[round(y)][column + offset] = character

    def place(angle_deg: float, scale: float = 1.0) -> tuple[float, float]:
        angle = math.radians(angle_deg)
        x = middle - scale * _COLUMNS * math.sin(angle)
        return x, 1 + _ROWS + scale * _ROWS * math.cos(angle)

    for step in range(120):
        write(*place(3.0 * step), marks.outline)
    # Where counting begins: a break in the ring.
    x, y = place(0.0)
    write(x, y, f"  {marks.start}  ")
    write(x, y + 1, INDEX[tube.base])
    write(middle, 1 + _ROWS - 1, tube.name)
    write(middle, 1 + _ROWS, "seen from below")
    write(middle, 1 + _ROWS + 2, "1 " + ("-->" if ascii_only else "──▶") + f" {POSITIONS[tube.base]} clockwise")
    for pin in tube.pins.values():
        angle = pin_angle_deg(tube.base, pin.number)
        x, y = place(angle)
        write(x, y, _token(pin, marks))
        sideways = math.sin(math.radians(angle))
        is_marked = pin.number == highlight_pin
        if abs(sideways) < 0.1:
            write(x, y - 1, f"{marks.hither} {pin.label} {marks.thither}" if is_marked else pin.label)
            continue
        first, *more = labels[pin.number]
        # Away from the middle, where the ring leaves room: in its upper half a second line goes over the first.
        over = -1 if more and y < 1 + _ROWS else 0
        for row, line in enumerate((first, *more), start=over):
            here = is_marked and row == 0
            if sideways > 0:
                write(x - 2, y + row, (f"{marks.hither} " if here else "") + line + " ", "end")
            else:
                write(x + 2, y + row, f" {line}" + (f" {marks.thither}" if here else ""), "start")
    lines = ["".join(row).rstrip() for row in canvas]
    spare = min(len(line) - len(line.lstrip()) for line in lines if line) - 2
    return "\n".join([*(line[max(spare, 0) :] for line in lines), "", _legend(tube, marks)])


def _token(pin: Pin, marks: _Marks) -> str:
    if pin.is_high_voltage:
        shape = marks.both if pin.is_heater else marks.live
    elif pin.is_heater:
        shape = marks.heater
    else:
        shape = {"IC": marks.inside, "NC": marks.unused}.get(pin.code, marks.plain)
    return shape.format(pin.number)


def _legend(tube: Tube, marks: _Marks) -> str:
    codes = {pin.code for pin in tube.pins.values()}
    live_heater = any(pin.is_heater and pin.is_high_voltage for pin in tube.pins.values())
    entries = [
        (bool(tube.high_voltage_pins), marks.live, "high voltage in normal service"),
        (live_heater, marks.both, "heater at high voltage"),
        (bool(tube.heater_pins) and not live_heater, marks.heater, "heater"),
        ("IC" in codes, marks.inside, "connected inside, never a tie point"),
    ]
    told = [f"{shape.format('n')} {text}" for present, shape, text in entries if present]
    return "\n".join("   ".join(told[at : at + 2]) for at in range(0, len(told), 2))
