"""Tables in a terminal of any width, and output whose reader may go away."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.console import Console
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

INDENT, BETWEEN = "  ", "   "


class OpenConsole(Console):
    """A console that leaves it to the command what the end of its reader means.

    The library's own ends the process with 1, which here says that a reading is low or high.
    """

    def on_broken_pipe(self) -> None:
        """Hand it on; see `analysis.app.cli.main`."""
        raise BrokenPipeError


def show_table(console: Console, table: Table, first: Collection[str], *, folds: bool = False) -> None:
    """Print a table, or where it is too wide a few lines a row, so that nothing is cut away.

    Parameters
    ----------
    console : Console
        Where to.
    table : Table
        Of texts.
    first : collection of str
        Headings of the columns that stand together at the head of a row's lines.
    folds : bool
        Its cells may be folded as far as their words are whole.
    """
    # Asked without a width: within one the library counts what it would cut away.
    needed = Measurement.get(console, console.options.update(width=100_000), table)
    if (needed.minimum if folds else needed.maximum) <= console.width:
        console.print(table)
        return
    for row, cells in zip(table.rows, zip(*(column.cells for column in table.columns), strict=True), strict=True):
        head: list[Text] = []
        rest: list[Text] = []
        for column, cell in zip(table.columns, cells, strict=True):
            text = cell if isinstance(cell, Text) else console.render_str(str(cell))
            if not text.plain.strip():
                continue
            heading = str(column.header)
            (head if heading in first else rest).append(text if heading in first else Text(f"{heading}: ") + text)
        console.print(Text("  ").join(head), style=row.style or "", overflow="fold")
        for line in _lines(rest, console.width - len(INDENT)):
            console.print(Padding(line, (0, 0, 0, len(INDENT))), style=row.style or "", overflow="fold")


def _lines(items: Sequence[Text], width: int) -> list[Text]:
    """Items side by side as far as they fit: a heading stays with what it says."""
    lines: list[Text] = []
    for item in items:
        if lines and lines[-1].cell_len + len(BETWEEN) + item.cell_len <= width:
            lines[-1] = Text(BETWEEN).join([lines[-1], item])
        else:
            lines.append(item)
    return lines
