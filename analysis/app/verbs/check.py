"""``stagewalk check``: a verdict for each reading of a pass."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from analysis.app.passes import Taken, judged, reached
from analysis.app.taking import take
from analysis.app.terminal import tell, tell_wrapped

if TYPE_CHECKING:
    from analysis.chassis import Chassis

DISAGREES = 1
"""Exit code when a reading is low or high."""

NOTHING_OF = 0.01
"""Share of a band below which what is expected is shown as nothing: no meter tells 4 uV from 0 V within 50 mV."""


def verdicts(chassis: Chassis, taken: Taken) -> tuple[list[dict[str, Any]], list[str]]:
    """One row a judged reading, in the shape the design gives, and what was not judged and why.

    Parameters
    ----------
    chassis : Chassis
        The file.
    taken : Taken
        The pass.
    """
    from analysis.app.modelled import kept_bench, loads_of
    from analysis.chassis import ChassisModel
    from analysis.judge import asked_about, without_drive

    model = ChassisModel(chassis, *loads_of(kept_bench(taken.bench_text)))
    rows = [
        {
            "point": row.reading.point,
            "quantity": row.reading.quantity,
            **({"freq_hz": row.reading.freq_hz} if row.reading.freq_hz else {}),
            "value": row.reading.value,
            "std": float(f"{row.std:.3g}"),
            "expected": float(f"{row.expected:.5g}"),
            "low": float(f"{row.low:.5g}"),
            "high": float(f"{row.high:.5g}"),
            "verdict": row.verdict,
        }
        for row in judged(model, taken.readings, taken.mains_v)
    ]
    known = set(reached(model, taken.readings))
    left = dict.fromkeys(r.point for r in taken.readings if r not in known and not r.measurand.lacks_drive)
    unreached = [f"not judged, no part reaches them: {', '.join(left)}"] if left else []
    asked = asked_about(chassis, model, taken.readings, taken.mains_v)
    return rows, [*asked, *without_drive(taken.readings), *unreached]


def show(rows: list[dict[str, Any]], idle: Sequence[str], notes: Sequence[str]) -> None:
    """Print verdicts for people.

    Parameters
    ----------
    rows : list of dict
        From `verdicts`.
    idle : sequence of str
        What power tubes draw, a line each.
    notes : sequence of str
        What was not judged, and why.
    """
    from rich.table import Table

    from acquisition.records import Measurand, verdict_text
    from analysis.app.tables import OpenConsole, show_table
    from analysis.report.words import measurand_text, quantity_text

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("reading")
    for name in ("value", "expected", "low", "high"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("verdict")
    said = [verdict_text(row["verdict"], row["quantity"], row["value"], row["high"]) for row in rows]
    for row, words in zip(rows, said, strict=True):
        what = Measurand(point=row["point"], quantity=row["quantity"], freq_hz=row.get("freq_hz"))
        width = max(abs(row["low"]), abs(row["high"]))
        numbers = [
            quantity_text(0.0 if abs(number) < NOTHING_OF * width else number, row["quantity"], ascii_only=True)
            for number in (row["expected"], row["low"], row["high"])
        ]
        read = quantity_text(row["value"], row["quantity"], ascii_only=True)
        style = "bold" if row["verdict"] in ("low", "high") else ""
        table.add_row(measurand_text(what, ascii_only=True), read, *numbers, words, style=style)
    console = OpenConsole()
    show_table(console, table, ("reading", "verdict"))
    order = ("agrees", "unclear", "low", "high")
    counted = Counter(sorted(said, key=lambda words: order.index(words) if words in order else len(order)))
    console.print(", ".join(f"{count} {words}" for words, count in counted.items()), highlight=False)
    for line in idle:
        tell_wrapped(f"at idle: {line}", 2)
    _tell_notes(notes)


def _tell_notes(notes: Sequence[str]) -> None:
    for note in notes:
        tell_wrapped(f"note: {note}", 2)


@click.command(name="check")
@click.argument("arguments", nargs=-1, metavar="JOB | READINGS.csv")
@click.option("--chassis", "chassis_name", metavar="FILE", help="Chassis; the arguments are then readings files.")
@click.option("--pass", "pass_name", metavar="NAME", help="Pass of the job; the last one when left out.")
@click.option("--json", "plain", is_flag=True, help="JSON, one object a pass.")
def command(arguments: tuple[str, ...], chassis_name: str | None, pass_name: str | None, plain: bool) -> int:
    """Say of each reading whether a healthy chassis with these rails would show it.

    Exit code 1 when a reading is low or high.
    """
    from analysis.idle import idle_facts, idle_of, over_ratings

    chassis, passes = take(arguments, chassis_name, pass_name)
    disagrees = False
    for taken in passes:
        rows, notes = verdicts(chassis, taken)
        idle = idle_of(chassis, taken.readings, taken.work)
        over = list(over_ratings(idle).values())
        disagrees |= any(row["verdict"] in ("low", "high") for row in rows)
        if plain:
            facts = [idle_facts(one) for one in idle]
            click.echo(json.dumps({**taken.labels, "readings": rows, "idle": facts, "notes": [*over, *notes]}))
            continue
        for words in over:
            tell_wrapped(words, 2)
        if not rows:
            count = len(taken.readings)
            why = f"none of its {count} readings is one to judge" if count else "nothing was read in it"
            tell(f"{' '.join(taken.labels.values())}: {why}")
            _tell_notes(notes)
        else:
            show(rows, [one.text() for one in idle], notes)
    return DISAGREES if disagrees else 0
