"""The chassis drawn from its file, one cell a tube section, with measured over expected volts at each point.

Placing follows the electrodes, as draughtsmen do: plate parts upwards to a flag with the rail's name, cathode parts
downwards, grid parts to the left, what leaves the stage to the right. A node that is drawn elsewhere ends in a flag
with its name, so that no wire ever crosses the sheet; two cells that follow each other are joined by a wire.
"""

from __future__ import annotations

from collections.abc import Mapping

from analysis.chassis import Chassis

from .blocks import other_parts, supply_chain
from .symbols import Sheet
from .wiring import GROUND, Cell, Shown, Wiring

STEP = 88.0
DROP = 92.0
CELL_GAP = 76.0
ROW_CELLS = 4
PAPER_MM = (180.0, 215.0)
"""What a drawing may take on A4 and Letter."""

PANNED = 1.2
"""A drawing a little wider than its place is moved sideways rather than set in twice as many rows."""

HUNG_ABOVE = 72.0
"""Room over a branch for name, measured and expected volts of the node at its end."""

PLATE_Y, CATHODE_Y, GRID_X, SCREEN_X = -60.0, 60.0, -136.0, 70.0
BEND_X, OVER_SCREEN_Y = 64.0, -4.0 - DROP - 40.0
"""Where the wire of a plate turns upwards, and how high, to pass over the flag of a screen's resistor."""

BESIDE_LABEL = 75.0
"""From a part drawn upright to what stands clear of the words beside it."""


def chassis_svg(
    chassis: Chassis,
    shown: Mapping[str, Shown] | None = None,
    *,
    room_px: float | None = None,
    paper: bool = False,
) -> str:
    """Draw a chassis.

    Parameters
    ----------
    chassis : Chassis
        From `analysis.chassis.load_chassis`.
    shown : mapping of str to Shown, optional
        By point; a point left out shows its name only.
    room_px : float, optional
        Width of the place on a screen: as many sections a row as go into it at full size, one where none does.
    paper : bool
        In rows that stay largest on an upright page, instead of rows for a screen.

    Returns
    -------
    str
        SVG; all text escaped. Each point is a group with ``data-point``.
    """
    rows = (2, 3, ROW_CELLS) if paper else range(ROW_CELLS, 0, -1) if room_px else (ROW_CELLS,)
    sheets = [_sheet(chassis, shown or {}, row_cells) for row_cells in rows]
    if room_px:
        fitting = (sheet for sheet in sheets if sheet.box[2] <= PANNED * room_px)
        best = next(fitting, min(sheets, key=lambda sheet: sheet.box[2]))
    else:
        best = max(
            sheets, key=lambda sheet: min(have / need for have, need in zip(PAPER_MM, sheet.size, strict=True))
        )
    return best.svg(f"Drawing of {chassis.title}")


def _sheet(chassis: Chassis, shown: Mapping[str, Shown], row_cells: int) -> Sheet:
    wiring = Wiring(chassis, shown)
    supply = supply_chain(wiring)
    stages = _Stages(wiring, row_cells)
    narrow = row_cells < ROW_CELLS
    whole = Sheet()
    x, y, bottom = stages.place(whole)
    others = other_parts(wiring, 3 if narrow else 6)
    if narrow and others.pieces and x + others.right - others.left < whole.right:
        whole.put(others, x - others.left, y - others.top)  # beside the last cell, where the sheet is free
        others, bottom = Sheet(), max(bottom, whole.bottom)
    x, top, width = 0.0, bottom + 90.0, whole.right
    for block in (supply, others):
        if block.pieces:
            if x and narrow and x + block.right - block.left > width:
                x, top = 0.0, whole.bottom + 60.0
            whole.put(block, x - block.left, top - block.top)
            x += block.right - block.left + 1.6 * CELL_GAP
    if not whole.pieces:
        whole.text(0, 0, "no parts in this file")
    return whole


class _Stages:
    """Draws the cells and sets them in rows."""

    def __init__(self, wiring: Wiring, row_cells: int) -> None:
        self.wiring = wiring
        self.row_cells = row_cells
        for cell in wiring.cells:
            self._draw(cell)

    def place(self, whole: Sheet) -> tuple[float, float, float]:
        """Set the cells in rows; returns what is free beside the last of them, and the lowest edge."""
        x = y = bottom = 0.0
        last: tuple[Cell, float, float] | None = None
        for index, cell in enumerate(self.wiring.cells):
            if index and index % self.row_cells == 0:
                x, y, last = 0.0, bottom + 60.0, None
            here = (cell, x - cell.sheet.left, y + 190.0)
            whole.put(cell.sheet, *here[1:])
            if last:
                _join(whole, last, here)
            last = here
            x += cell.sheet.right - cell.sheet.left + CELL_GAP
            bottom = max(bottom, here[2] + cell.sheet.bottom)
        return x, y, bottom

    def _draw(self, cell: Cell) -> None:
        sheet, wiring = cell.sheet, self.wiring
        plate, cathode = (wiring.node(cell.electrodes.get(name, "")) for name in ("plate", "cathode"))
        screen = wiring.node(cell.electrodes.get("screen", ""))
        has_screen = "screen" in cell.electrodes
        sheet.tube(
            0, 0, has_screen, (f"{cell.socket} {cell.tube}", f"section {cell.section}" if cell.section else "")
        )
        flagged = self._upwards(sheet, plate)
        wiring.node_text(sheet, plate, -12 - flagged, PLATE_Y - 30, "plate", anchor="end")
        right, height = self._screen(sheet, screen, cathode) if has_screen and screen != plate else (100.0, PLATE_Y)
        self._rightwards(cell, plate, right, height)
        sheet.dot(0, CATHODE_Y)
        first = cathode not in {wiring.node(c.electrodes.get("cathode", "")) for c in self._earlier(cell)}
        wiring.node_text(sheet, cathode, -8, CATHODE_Y + 4, "cathode", anchor="end")
        if first and wiring.open_parts(cathode):
            self._hang(sheet, cathode, 0.0, CATHODE_Y)
        elif cathode == GROUND:
            sheet.ground(0, CATHODE_Y)
        else:  # the other half of a pair drew it, or nothing hangs here
            sheet.flag(0, CATHODE_Y, wiring.name(cathode), "down")
        self._leftwards(cell, 4.0 if has_screen else 0.0)

    def _earlier(self, cell: Cell) -> list[Cell]:
        return self.wiring.cells[: self.wiring.cells.index(cell)]

    def _is_hung(self, node: str) -> bool:
        """Whether parts hang on a node that belongs to one cell only."""
        return self.wiring.is_private(node) and bool(self.wiring.open_parts(node))

    def _end(self, sheet: Sheet, node: str, x: float, y: float, direction: str, depth: int = 0) -> int:
        """Finish a wire: ground, a flag, or what hangs on a node of this cell only. Returns columns used."""
        if node == GROUND:
            sheet.ground(x, y)
        elif depth < 4 and self._is_hung(node):
            sheet.dot(x, y)
            if direction == "down":
                aside, below = (
                    (8, 4) if x == 0 else (16, 22)
                )  # clear of a flag beside it, and of a capacitor's plates
                self.wiring.node_text(sheet, node, x - aside, y + below, anchor="end")
            else:
                self.wiring.node_text(sheet, node, x, y - 22)
            return self._hang(sheet, node, x, y, depth + 1)
        else:
            sheet.flag(x, y, self.wiring.name(node), direction)
        return 1

    def _hang(self, sheet: Sheet, node: str, x: float, y: float, depth: int = 0) -> int:
        """Hang every part left at a node downwards, side by side. Returns columns used."""
        column = 0
        for part, other in self.wiring.open_parts(node):
            if part.name not in self.wiring.left_over:
                continue
            here = x + column * STEP
            sheet.line((x, y), (here, y))
            self.wiring.symbol(sheet, part, (here, y), (here, y + DROP))
            column += self._end(sheet, other, here, y + DROP, "down", depth)
        return max(1, column)

    def _upwards(self, sheet: Sheet, node: str, x: float = 0.0, y: float = PLATE_Y) -> float:
        """Parts to a rail go up to its flag. Returns the room a flag at the node itself takes, 0 without one."""
        wiring = self.wiring
        count = 0
        for part, other in wiring.open_parts(node):
            if other in wiring.supplies:
                here = x - count * STEP
                sheet.line((x, y), (here, y))
                wiring.symbol(sheet, part, (here, y), (here, y - DROP))
                sheet.flag(here, y - DROP, wiring.name(other), "up")
                count += 1
        sheet.dot(x, y)
        if count or (node not in wiring.supplies and wiring.open_parts(node)):
            return 0.0
        name = wiring.name(node)
        sheet.flag(x, y, name, "up")
        return 3.7 * len(name) + 6

    def _screen(self, sheet: Sheet, screen: str, cathode: str) -> tuple[float, float]:
        """Parts to a rail go up, the others down, clear of what hangs on the cathode; returns the right edge, and
        the height at which the wire of the plate crosses nothing."""
        wiring = self.wiring
        if screen in wiring.supplies or not wiring.open_parts(screen):
            sheet.line((SCREEN_X, -4), (SCREEN_X + 22, -4))
            sheet.flag(SCREEN_X + 22, -4, wiring.name(screen), "right")
            return 100.0, PLATE_Y
        rises = [other in wiring.supplies for _, other in wiring.open_parts(screen)]
        beside = len(wiring.open_parts(cathode)) - 1
        x = SCREEN_X + 42 if all(rises) or beside < 1 else beside * STEP + BESIDE_LABEL
        sheet.line((SCREEN_X, -4), (x, -4))
        wiring.node_text(sheet, screen, x + 8, -8, "screen")
        self._upwards(sheet, screen, x, -4.0)
        columns = self._hang(sheet, screen, x, -4.0) if wiring.open_parts(screen) else 1
        return x + columns * STEP, OVER_SCREEN_Y if any(rises) else PLATE_Y

    def _rightwards(self, cell: Cell, plate: str, x: float, height: float) -> None:
        """What leaves the stage at its plate: branches that end at a flag below, those with parts of their own at
        their end above and further right, so that what hangs there falls on no other branch; then what goes on to
        the next cell, over all of them."""
        sheet, wiring = cell.sheet, self.wiring
        follower = self._follower(cell)
        onward = wiring.enters(follower) if follower is not None else None
        branches = wiring.open_parts(plate)
        hanging = [b for b in branches if b[1] != onward and self._is_hung(b[1])]
        if hanging and len(branches) > 1:
            branches = sorted(branches, key=lambda b: 2 if b[1] == onward else b in hanging)
        y, free = height, x + 96.0
        over = [] if height == PLATE_Y else [(BEND_X, PLATE_Y), (BEND_X, height)]
        for part, other in branches:
            sheet.line((0, PLATE_Y), *over, (x, height), (x, y))
            start = (x, y)
            if (part, other) in hanging and free > x + 96.0:
                start = (free - 96.0, y)
                sheet.line((x, y), start)
            end = start[0] + 96.0
            wiring.symbol(sheet, part, start, (end, y))
            if other == onward:
                cell.exits.append((other, end, y))
                sheet.reach((end, y))
                columns = 0
            else:
                columns = self._end(sheet, other, end, y, "right")
            free = max(free, end + STEP * columns)
            y -= HUNG_ABOVE if (part, other) in hanging else 46.0

    def _follower(self, cell: Cell) -> Cell | None:
        """The next cell of the same row."""
        index = self.wiring.cells.index(cell) + 1
        return self.wiring.cells[index] if index < len(self.wiring.cells) and index % self.row_cells else None

    def _leftwards(self, cell: Cell, y: float) -> None:
        """The grid, its stoppers, its leaks, and where the signal comes in."""
        sheet, wiring = cell.sheet, self.wiring
        node = wiring.node(cell.electrodes.get("grid", ""))
        x = GRID_X
        sheet.line((-70, y), (x, y))
        wiring.node_text(sheet, node, -40, y - 43, "grid", anchor="end")
        for part, other in wiring.stoppers(cell):
            x = self._leaks(sheet, node, x, y, skip=part.name)
            wiring.symbol(sheet, part, (x, y), (x - 96, y), label_below=True)
            x, node = x - 96, other
            wiring.node_text(sheet, node, x - 4, y - 43, anchor="end")
        feed = next(((p, o) for p, o in wiring.open_parts(node) if wiring.feeds(p, o)), None)
        x = self._leaks(sheet, node, x, y, skip=feed[0].name if feed else "")
        if feed:
            wiring.symbol(sheet, feed[0], (x, y), (x - 96, y))
            sheet.flag(x - 96, y, wiring.name(feed[1]), "left")
            return
        cell.entry = (node, x, y)
        before = next((c for c in wiring.cells if self._follower(c) is cell), None)
        if before is None or all(name != node for name, _, _ in before.exits):
            sheet.line((x, y), (x - 16, y))
            sheet.flag(x - 16, y, wiring.name(node), "left")

    def _leaks(self, sheet: Sheet, node: str, x: float, y: float, skip: str) -> float:
        """Hang the leaks of a grid node downwards, each a step further left; returns where the wire goes on."""
        for part, other in self.wiring.open_parts(node):
            if part.name == skip or self.wiring.feeds(part, other):
                continue
            sheet.dot(x, y)
            self.wiring.symbol(sheet, part, (x, y), (x, y + DROP))
            self._end(sheet, other, x, y + DROP, "down", depth=4)
            sheet.line((x, y), (x - STEP, y))
            x -= STEP
        return x


def _join(whole: Sheet, before: tuple[Cell, float, float], after: tuple[Cell, float, float]) -> None:
    """A wire between neighbours instead of two flags, where the end of one is the start of the other."""
    (cell, dx, dy), (other, ex, ey) = before, after
    if other.entry is None:
        return
    for name, x, y in cell.exits:
        if name == other.entry[0]:
            start, end = (x + dx, y + dy), (other.entry[1] + ex, other.entry[2] + ey)
            gutter = max(start[0], ex + other.sheet.left - CELL_GAP / 2)
            whole.line(start, (gutter, start[1]), (gutter, end[1]), end)
            return
