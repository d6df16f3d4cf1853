"""The base of a tube, seen from below, as an SVG drawing.

Key or gap at the bottom, as data sheets draw it; pins count clockwise. Each class of pin differs in shape or
hatching and not by colour alone (colours: M. Okabe and K. Ito, "Color universal design", 2008).
"""

from __future__ import annotations

import math
from html import escape

from .base import INDEX, pin_angle_deg, spoken_place
from .types import Pin, Tube

WIDTH, HEIGHT = 560, 548
_CX, _CY = 280.0, 238.0
_EDGE, _PINS, _LABELS = 134.0, 100.0, 152.0
_PIN = 17.0

STYLE = """
.tube-base{--paper:#fff;--ink:#1a1a1a;--soft:#5f6670;--glass:#f1f3f5;--mark:#0072B2;
font-family:system-ui,-apple-system,"Segoe UI",sans-serif}
@media (prefers-color-scheme:dark){.tube-base{--paper:#15181c;--ink:#f2f2f2;--soft:#a9b1ba;--glass:#22272d;
--mark:#56B4E9}}
.tube-base text{fill:var(--ink);font-size:19px}
.tube-base .name{font-size:26px;font-weight:700}
.tube-base .soft{fill:var(--soft);font-size:17px}
.tube-base .number{font-size:18px;font-weight:700;text-anchor:middle}
.tube-base .on-colour{fill:#000}
.tube-base .live{font-weight:700}
.tube-base .marked{font-weight:700;font-size:21px;fill:var(--mark);text-decoration:underline}
""".replace("\n", "")


def base_svg(tube: Tube, highlight_pin: int | None = None) -> str:
    """Draw the base of a tube from below.

    Parameters
    ----------
    tube : Tube
        Any type.
    highlight_pin : int, optional
        Pin to ring and point at.

    Returns
    -------
    str
        One ``svg`` element, sized by its viewBox, text escaped, no identifiers, so that one page can hold several.

    Raises
    ------
    ValueError
        ``highlight_pin`` is no place of this base.
    """
    index = INDEX[tube.base]
    spoken = f"Base of {tube.name} seen from below, pins clockwise from the {index}."
    if highlight_pin is not None:
        spoken += f" Marked: {spoken_place(tube.base, highlight_pin)}."
    listing = "; ".join(f"{number} {pin.label}" for number, pin in tube.pins.items())
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="tube-base" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">',
        f"<title>{escape(spoken)}</title><desc>{escape(listing)}</desc><style>{STYLE}</style>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" rx="14" fill="var(--paper)"/>',
        f'<text x="24" y="36" class="name">{escape(tube.name)}</text>',
        f'<text x="24" y="56" class="soft">base {escape(tube.basing)}, {tube.base}</text>',
        f'<text x="{WIDTH - 24}" y="36" text-anchor="end" class="live">seen from below</text>',
        f'<text x="{WIDTH - 24}" y="56" text-anchor="end" class="soft">wiring side of the socket</text>',
        f'<circle cx="{_CX}" cy="{_CY}" r="{_EDGE}" fill="var(--glass)" stroke="var(--ink)" stroke-width="2.5"/>',
        _index_mark(tube.base),
        _counting_arrow(),
    ]
    if highlight_pin is not None:
        x, y = _at(pin_angle_deg(tube.base, highlight_pin), _PINS)
        ring = 'fill="none" stroke="var(--mark)" stroke-width="7"'
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="30" {ring}/>')
    parts += [_pin(tube.base, pin, number == highlight_pin) for number, pin in tube.pins.items()]
    parts.append(_legend(tube))
    parts.append("</svg>")
    return "".join(parts)


def _at(angle_deg: float, radius: float) -> tuple[float, float]:
    # Clockwise from the bottom of the sheet.
    angle = math.radians(angle_deg)
    return _CX - radius * math.sin(angle), _CY + radius * math.cos(angle)


def _index_mark(base: str) -> str:
    if base == "octal":
        # The post in the middle with its key, and a tick on the edge so that the eye finds the start.
        post, key = 36.0, 9.0
        drop = math.sqrt(post**2 - key**2)
        path = (
            f"M{_CX - key:.1f} {_CY + drop:.1f}A{post} {post} 0 1 1 {_CX + key:.1f} {_CY + drop:.1f}"
            f"v13h{-2 * key:.1f}z"
        )
        mark = f'<path d="{path}" fill="var(--paper)" stroke="var(--ink)" stroke-width="2.5"/>'
        label_y = _CY + drop + 34
    elif base == "four-pin":
        mark, label_y = "", _CY + _PINS + 5
    else:
        # The empty place, where the next pin would be.
        x, y = _at(0.0, _PINS)
        dashes = 'stroke="var(--soft)" stroke-width="2.5" stroke-dasharray="4 4"'
        mark = f'<path d="M{x - 13:.1f} {y - 4:.1f}h26" {dashes}/>'
        label_y = y + 15
    label = f'<text x="{_CX}" y="{label_y:.1f}" text-anchor="middle" class="soft">{INDEX[base]}</text>'
    tick = (
        f'<path d="M{_CX} {_CY + _EDGE + 3:.1f}l-9 15h18z" fill="var(--ink)"/>'
        f'<text x="{_CX}" y="{_CY + _EDGE + 62:.1f}" text-anchor="middle" class="soft">count from here</text>'
    )
    return mark + label + tick


def _counting_arrow() -> str:
    radius = 58.0
    first, last = 40.0, 128.0
    x1, y1 = _at(first, radius)
    x2, y2 = _at(last, radius)
    # The head points along the circle, clockwise.
    tip_x, tip_y = _at(last + 13.0, radius + 0.5)
    out_x, out_y = _at(last - 1.0, radius + 7.0)
    in_x, in_y = _at(last - 1.0, radius - 7.0)
    return (
        f'<path d="M{x1:.1f} {y1:.1f}A{radius} {radius} 0 0 1 {x2:.1f} {y2:.1f}" fill="none" stroke="var(--soft)"'
        f' stroke-width="3"/><path d="M{tip_x:.1f} {tip_y:.1f}L{out_x:.1f} {out_y:.1f}L{in_x:.1f} {in_y:.1f}z"'
        ' fill="var(--soft)"/>'
    )


def _diamond(x: float, y: float, half: float, more: str) -> str:
    return f'<path d="M{x:.1f} {y - half:.1f}l{half} {half}l-{half} {half}l-{half} -{half}z" {more}/>'


def _hatching(x: float, y: float, radius: float) -> str:
    lines = []
    for offset in (-0.6, -0.2, 0.2, 0.6):
        # Chords at 45 degrees: middle of the chord, then half its length along it.
        half = radius * math.sqrt(1.0 - offset**2) / math.sqrt(2.0)
        mx, my = x + radius * offset / math.sqrt(2.0), y + radius * offset / math.sqrt(2.0)
        lines.append(f"M{mx - half:.1f} {my + half:.1f}L{mx + half:.1f} {my - half:.1f}")
    return f'<path d="{"".join(lines)}" stroke="#000" stroke-width="1.6"/>'


def _symbol(pin: Pin, x: float, y: float) -> str:
    number = f'<text x="{x:.1f}" y="{y + 6.3:.1f}" class="number{{}}">{pin.number}</text>'
    plate = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="10.5" fill="#fff"/>'
    circle = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_PIN}"'
    heater = f'{circle} fill="#E69F00" stroke="#000" stroke-width="2"/>{_hatching(x, y, _PIN)}{plate}'
    if pin.is_high_voltage and pin.is_heater:
        wide = _diamond(x, y, 29.0, 'fill="#D55E00" stroke="#000" stroke-width="2"')
        return wide + heater + number.format(" on-colour")
    if pin.is_high_voltage:
        return _diamond(x, y, 25.0, 'fill="#D55E00" stroke="#000" stroke-width="2"') + number.format(" on-colour")
    if pin.is_heater:
        return heater + number.format(" on-colour")
    if pin.code == "NC":
        return f'{circle} fill="none" stroke="var(--soft)" stroke-width="1.5"/>' + number.format(" soft")
    if pin.code == "IC":
        dashed = f'{circle} fill="var(--paper)" stroke="var(--ink)" stroke-width="2" stroke-dasharray="4 3"/>'
        return dashed + number.format("")
    return f'{circle} fill="var(--paper)" stroke="var(--ink)" stroke-width="2"/>' + number.format("")


def _pin(base: str, pin: Pin, is_marked: bool) -> str:
    angle = pin_angle_deg(base, pin.number)
    x, y = _at(angle, _PINS)
    label_x, label_y = _at(angle, _LABELS)
    sideways = math.sin(math.radians(angle))
    anchor = "middle" if abs(sideways) < 0.1 else "end" if sideways > 0 else "start"
    lines = (
        pin.label.replace(" and ", "\n+ ")
        .replace("internal ", "internal\n")
        .replace("diode ", "diode\n")
        .split("\n")
    )
    # Two lines grow away from the base at the top, and stay centred at the sides.
    top = label_y + 6 - 11 * (len(lines) - 1) * (1.0 - math.cos(math.radians(angle)))
    style = "marked" if is_marked else "live" if pin.is_high_voltage else "soft" if pin.code == "NC" else ""
    spans = "".join(
        f'<tspan x="{label_x:.1f}" y="{top + 22 * row:.1f}">{escape(line)}</tspan>'
        for row, line in enumerate(lines)
    )
    return _symbol(pin, x, y) + f'<text text-anchor="{anchor}" class="{style}">{spans}</text>'


def _legend(tube: Tube) -> str:
    entries: list[tuple[str, str]] = []
    if tube.high_voltage_pins:
        entries.append((_diamond(0, 0, 11, 'fill="#D55E00" stroke="#000" stroke-width="1.5"'), "high voltage"))
    live = any(pin.is_heater and pin.is_high_voltage for pin in tube.pins.values())
    hatched = '<circle r="9" fill="#E69F00" stroke="#000" stroke-width="1.5"/>' + _hatching(0, 0, 9)
    if live:
        outer = _diamond(0, 0, 16, 'fill="#D55E00" stroke="#000" stroke-width="1.5"')
        hatched = f'<g transform="scale(0.75)">{outer}{hatched}</g>'
    entries.append((hatched, "heater, live" if live else "heater"))
    codes = {pin.code for pin in tube.pins.values()}
    if "IC" in codes:
        dashed = '<circle r="9" fill="none" stroke="var(--ink)" stroke-width="2" stroke-dasharray="4 3"/>'
        entries.append((dashed, "no tie point"))
    if "NC" in codes:
        entries.append(('<circle r="9" fill="none" stroke="var(--soft)" stroke-width="1.5"/>', "not connected"))
    columns = 2 if len(entries) == 4 else 3
    step, below = (WIDTH - 48.0) / columns, HEIGHT - 72.0
    places = [(38.0 + step * (n % columns), below + 26.0 * (n // columns)) for n in range(len(entries))]
    drawn = [
        f'<g transform="translate({x:.1f} {y:.1f})">{symbol}'
        f'<text x="18" y="5" class="soft">{escape(text)}</text></g>'
        for (x, y), (symbol, text) in zip(places, entries, strict=True)
    ]
    caution = "In a fault any pin may be live."
    return "".join(drawn) + f'<text x="24" y="{HEIGHT - 10}" class="soft">{caution}</text>'
