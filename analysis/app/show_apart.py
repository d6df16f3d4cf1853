"""What is printed of two passes that stand differently."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich.markup import escape
from rich.table import Table

from analysis.app.tables import OpenConsole, show_table
from analysis.app.terminal import harmless
from analysis.report.standing_rows import HEADS, moved_row, parted, quiet_text, standing_sentences
from analysis.report.words import measurand_text

if TYPE_CHECKING:
    from analysis.compare import Found, Moved, Standings


def apart_as_json(found: Standings) -> dict[str, Any]:
    """Passes that stand differently as plain data.

    Parameters
    ----------
    found : Standings
        From `analysis.app.apart`.
    """
    return {
        "before": found.before,
        "after": found.after,
        "stood_before": list(found.stood_before),
        "stood_after": list(found.stood_after),
        "moved": [{**_plain(one), "change_in": "dB" if one.in_db else "unit"} for one in found.moved],
        "feedback_db": [_plain(one) for one in found.feedback],
        "output_impedance_ohm": [_plain(one) for one in found.impedance],
        "only_before": [f"{m.point} {m.quantity}" for m in found.only_before],
        "only_after": [f"{m.point} {m.quantity}" for m in found.only_after],
        "notes": list(found.notes),
    }


def _plain(record: Moved | Found) -> dict[str, Any]:
    measurand = record.measurand
    facts = {key: value for key, value in asdict(record).items() if key != "measurand"}
    for key, value in facts.items():
        if isinstance(value, float):
            facts[key] = float(f"{value:.6g}") if math.isfinite(value) else None
    at = {} if measurand.freq_hz is None else {"freq_hz": measurand.freq_hz}
    return {"point": measurand.point, "quantity": measurand.quantity, **at, **facts}


def show_apart(found: Standings) -> None:
    """Print passes that stand differently for people.

    Parameters
    ----------
    found : Standings
        From `analysis.app.apart`.
    """
    console = OpenConsole(highlight=False)
    stood, *told = standing_sentences(found, ascii_only=True)
    console.print(escape(harmless(stood)))
    for text in told:
        console.print(f"[bold]{escape(harmless(text))}[/bold]")
    loud, quiet, more = parted(found.moved)
    if loud:
        table = Table(box=None, header_style="bold", pad_edge=False)
        table.add_column("reading")
        for heading in (found.before, found.after, "change, 95 %", "when healthy"):
            table.add_column(escape(harmless(heading)), justify="right", no_wrap=True)
        table.add_column("verdict")
        for one in loud:
            row = moved_row(one, ascii_only=True)
            table.add_row(*(escape(harmless(row[name])) for name in HEADS))
        show_table(console, table, ("reading", "verdict"))
    for text in more:
        console.print(escape(harmless(text)))
    if quiet:
        console.print(escape(harmless(quiet_text(quiet, ascii_only=True))))
    if not found.moved:
        console.print("nothing was read in both passes")
    for label, lost in ((found.before, found.only_before), (found.after, found.only_after)):
        if lost:
            names = ", ".join(measurand_text(m, ascii_only=True) for m in lost)
            console.print(f"read only in {escape(harmless(f'{label}: {names}'))}")
    for note in found.notes:
        console.print(f"note: {escape(harmless(note))}")
