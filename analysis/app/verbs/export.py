"""``stagewalk export``: readings, and captures if wanted, as CSV."""

from __future__ import annotations

import csv
import io
import re
import sys
import unicodedata
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

import click

from acquisition.errors import StoreError
from acquisition.records import CAPTURE_COLUMNS, Pass, Stretch
from acquisition.store import write_passes_csv
from analysis.app.jobs import job_to_read
from analysis.app.output import write_whole
from analysis.app.terminal import harmless, tell

LONGEST_STEM = 200
"""Bytes of a file name without its end: disks take 255."""


@click.command("export")
@click.argument("job")
@click.option("--pass", "names", multiple=True, metavar="NAME", help="This pass only; may be given again.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write; the terminal without it."
)
@click.option(
    "--captures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the waveforms, one file each, with a table of them, captures.csv.",
)
@click.option(
    "--chassis", "drawing", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="File to write the chassis file to, as JOB keeps it; alone, readings stay where they are.",
)  # fmt: skip
@click.option(
    "--watched", type=click.Path(path_type=Path, dir_okay=False),
    help="File for what was watched, a line a second; alone, readings stay where they are.",
)  # fmt: skip
def command(
    job: str,
    names: tuple[str, ...],
    out: Path | None,
    captures: Path | None,
    drawing: Path | None,
    watched: Path | None,
) -> int:
    """Readings of JOB as CSV, with every column there is; a damaged job gives what is left of it."""
    with job_to_read(job) as opened:
        if drawing is not None:
            _write_chassis(opened.sheet.chassis_text, drawing)
            if out is None and captures is None and watched is None and not names:
                return 0
        passes = [opened.read_pass(name) for name in names or opened.passes()]
    if watched is not None:
        _write_watched(passes, watched)
        if out is None and captures is None:
            return 0
    text = write_passes_csv(passes)
    if out is None:
        # Data is passed on as it is; a terminal is shown nothing that it would obey.
        lines = text.split("\r\n")
        shown = "\n".join(map(harmless, lines)) if sys.stdout.isatty() else text
        click.echo(shown, nl=False, color=True)
    else:
        _make_folder(out.parent)
        write_whole(out, text)
        tell(f"wrote {sum(len(one.readings) for one in passes)} readings to {out}", err=True)
    if captures is not None:
        _make_folder(captures)
        table = io.StringIO(newline="")
        index = csv.writer(table, lineterminator="\r\n")
        index.writerow(column.name for column in CAPTURE_COLUMNS)
        taken: set[str] = set()
        for one in passes:
            for number, capture in enumerate(one.captures, start=1):
                stem = _free_stem(f"{one.name}-{number:03d}-{capture.point}", taken)
                rows = (
                    f"{t!r},{v!r}\r\n"
                    for t, v in zip(capture.times_s.tolist(), capture.volts.tolist(), strict=True)
                )
                write_whole(captures / f"{stem}.csv", "time_s,volts\r\n" + "".join(rows))
                facts = (getattr(capture, column.name) for column in CAPTURE_COLUMNS[2:])
                index.writerow([f"{stem}.csv", one.name, *facts])
        write_whole(captures / "captures.csv", table.getvalue())
        tell(f"wrote {len(taken)} captures to {captures}", err=True)
    return 0


def _write_chassis(text: str, path: Path) -> None:
    if not text.strip():
        raise click.UsageError("the job keeps no chassis file")
    _make_folder(path.parent)
    write_whole(path, text)
    tell(f"wrote the chassis file to {path}", err=True)


def _write_watched(passes: Sequence[Pass], path: Path) -> None:
    names = [field.name for field in fields(Stretch)]
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(["pass_name", *names])
    stretches = [(one.name, stretch) for one in passes for stretch in one.watched]
    table.writerows([name, *(getattr(stretch, column) for column in names)] for name, stretch in stretches)
    _make_folder(path.parent)
    write_whole(path, text.getvalue())
    tell(f"wrote {len(stretches)} lines of what was watched to {path}", err=True)


def _free_stem(words: str, taken: set[str]) -> str:
    """A file name of words, unlike those taken even on a disk that knows no capitals, and add it to them."""
    stem = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", words))
    stem = stem.encode()[:LONGEST_STEM].decode(errors="ignore")
    free, number = stem, 1
    while free.casefold() in taken:
        number += 1
        free = f"{stem}-{number}"
    taken.add(free.casefold())
    return free


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{path}: not made: {error.strerror}", hint="choose another place") from error
