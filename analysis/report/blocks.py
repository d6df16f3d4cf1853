"""Blocks of the drawing beside the stages: the supply chain, transformers, and parts that found no place."""

from __future__ import annotations

from acquisition.quantities import format_value
from analysis.chassis import Part

from .symbols import INK, Sheet
from .wiring import GROUND, Wiring

STEP = 88.0
DROP = 92.0


def supply_chain(wiring: Wiring) -> Sheet:
    """Draw the supply: nodes from left to right, capacitors and bleeders to the chassis below.

    Parameters
    ----------
    wiring : Wiring
        Its supply parts are taken off the list of parts still to draw.
    """
    sheet = Sheet()
    within = wiring.supplies | {GROUND}
    parts = [
        part
        for part in wiring.chassis.parts.values()
        if len(part.nodes) == 2
        and {wiring.node(n) for n in part.nodes} <= within
        and {wiring.node(n) for n in part.nodes} & wiring.supplies
    ]
    y = 0.0
    done: set[str] = set()
    for name, rail in wiring.chassis.rails.items():
        start = wiring.node(name)
        if start not in done:
            words = f"{name} {format_value(rail.volts, 'V', 4)} behind {format_value(rail.source_ohm, 'Ω')}"
            sheet.flag(-30, y, words, "left")
            sheet.line((-30, y), (0, y))
            _supply_node(sheet, wiring, parts, start, 0.0, y, done)
            y += DROP + 130
    return sheet


def _supply_node(
    sheet: Sheet, wiring: Wiring, parts: list[Part], node: str, x: float, y: float, done: set[str]
) -> float:
    done.add(node)
    sheet.dot(x, y)
    wiring.node_text(sheet, node, x + 2, y - 66, "rail")
    here = x
    mine = [part for part in parts if node in map(wiring.node, part.nodes)]
    for index, part in enumerate(p for p in mine if GROUND in map(wiring.node, p.nodes)):
        here = x + index * STEP
        sheet.line((x, y), (here, y))
        wiring.symbol(sheet, part, (here, y), (here, y + DROP))
        sheet.ground(here, y + DROP)
    for part in mine:
        other = wiring.other_end(part, node)
        if other not in done and other != GROUND:
            end = here + 150
            wiring.symbol(sheet, part, (here, y), (end, y))
            here = _supply_node(sheet, wiring, parts, other, end, y, done)
    return here


def other_parts(wiring: Wiring, column: int) -> Sheet:
    """Draw transformers, controls, feedback and whatever found no place in a stage, each between its flags.

    Parameters
    ----------
    wiring : Wiring
        Every part is drawn after this.
    column : int
        Parts below each other before a new column begins.
    """
    sheet = Sheet()
    y = 0.0
    for part in [p for p in wiring.left_over.values() if p.kind == "transformer"]:
        wiring.left_over.pop(part.name)
        y = _transformer(sheet, wiring, part, y)
    top, x = y, 0.0
    for index, part in enumerate(list(wiring.left_over.values())):
        if index and index % column == 0:  # a second column rather than a long list
            x, y = sheet.right + 170, top  # what a point at its left end reads stands in between
        names = [wiring.name(wiring.node(n)) for n in part.nodes]
        wiring.symbol(sheet, part, (x, y), (x + 120, y))
        sheet.flag(x, y, names[0], "left")
        sheet.flag(x + 120, y, names[1], "right")
        for name, point, end_x, anchor in (
            (names[0], part.nodes[0], x, "end"),
            (names[1], part.nodes[1], x + 120, "start"),
        ):
            aside = 7.4 * len(name) + 20
            wiring.node_text(
                sheet, wiring.node(point), end_x + (aside if anchor == "start" else -aside), y - 8, "", anchor
            )
        if len(names) == 3:  # the wiper of a potentiometer
            sheet.line((x + 60, y + 24), (x + 60, y + 9))
            sheet.line((x + 56, y + 15), (x + 60, y + 9), (x + 64, y + 15))
            sheet.flag(x + 60, y + 24, names[2], "down")
            wiring.node_text(sheet, wiring.node(part.nodes[2]), x + 72 + 3.7 * len(names[2]), y + 30)
            y += 34
        y += 62
    return sheet


def _transformer(sheet: Sheet, wiring: Wiring, part: Part, y: float) -> float:
    primary, secondary = part.nodes[:-2], part.nodes[-2:]
    height = 70.0 * (len(primary) - 1)
    for side, points, x, end_x in (("left", primary, 46.0, 0.0), ("right", secondary, 84.0, 130.0)):
        gap = height / (len(points) - 1)
        for index, point in enumerate(points):
            at = y + index * gap
            sheet.line((x, at), (end_x, at))
            sheet.flag(end_x, at, wiring.name(wiring.node(point)), side)
            wiring.node_text(sheet, wiring.node(point), end_x + 4, at - 48)
            if index + 1 < len(points):
                _winding(sheet, x, at, at + gap, side == "right")
    for x in (62.0, 68.0):
        sheet.line((x, y), (x, y + height), width=2)
    sheet.text(65, y + height + 22, f"{part.name} {format_value(part.value, 'Ω')}", anchor="middle", bold=True)
    return y + height + 110


def _winding(sheet: Sheet, x: float, top: float, bottom: float, outwards: bool) -> None:
    turns = max(3, round((bottom - top) / 14))
    step = (bottom - top) / turns
    arcs = " ".join(
        f"A{step / 2:.1f} {step / 2:.1f} 0 0 {int(outwards)} {x:.1f} {top + (k + 1) * step:.1f}"
        for k in range(turns)
    )
    sheet.pieces.append(f'<path d="M{x:.1f} {top:.1f} {arcs}" fill="none" stroke="{INK}" stroke-width="1.8"/>')
