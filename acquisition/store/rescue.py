"""What is left of a damaged job: every row that is still as it was written, copied into memory.

The original is only read. Rows are looked up one by one, so that a bad page costs the rows on it and no others; a
row whose check number does not fit is left out and counted, never guessed at.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path
from typing import Any

from ..errors import StoreError
from . import files, rows, schema
from .copies import copied

_GIVE_UP_AFTER = 500
_LEAST_ROW = 20
"""Bytes that a row takes at least: its time alone is 24, a waveform without its samples more than these."""
_LOST_NAME = "(name lost with the damaged part of the file)"


def snapshot_or_rescue(path: Path, sound_head: bool) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """Copy a job into memory, whatever its state.

    Parameters
    ----------
    path : Path
        The job file.
    sound_head : bool
        Whether the beginning of the file is as it should be.

    Returns
    -------
    connection : sqlite3.Connection
        The copy.
    damage : tuple of str
        What was lost, one line each; empty for a sound file.

    Raises
    ------
    StoreError
        Nothing is readable, or the file is locked.
    """
    if sound_head:
        try:
            copy = files.snapshot(path)
        except sqlite3.Error as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
                raise files.explain(error, path, "not opened") from error
        else:
            if not _unsound_rows(copy):
                return copy, ()
            copy.close()
    with ExitStack() as stack:
        with files.plain_errors(path, "not rescued"):
            working = stack.enter_context(copied(path))
        attempts = [_rescue(working)]
        if not attempts[0][1]:
            # Page 1 holds the map of the tables. Every job of one version has the same map, so lend it a fresh one.
            _lend_first_page(working)
            attempts.append(_rescue(working))
        copy, found, lost = max(attempts, key=lambda attempt: attempt[1])
    if not found:
        raise StoreError(
            f"{path}: damaged, or not a job file: nothing in it could be read",
            hint="look for a copy or a backup; the file itself is unchanged",
        )
    lines = [f"{name}: {count} lost" for name, count in lost.items() if count]
    return copy, ("the file is damaged; this is what could be rescued", *lines)


def _unsound_rows(connection: sqlite3.Connection) -> bool:
    """Whether a file that looks whole to SQLite holds rows that were altered."""
    connection.row_factory = sqlite3.Row
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for table in schema.TABLES.values():
            if "check_number" in table.c and schema.ADDED_IN.get(table.name, 1) <= version:
                for row in connection.execute(f'SELECT * FROM "{table.name}"'):  # noqa: S608
                    if not rows.is_sound(dict(row)):
                        return True
        query = "SELECT capture.*, codes FROM capture LEFT JOIN waveform ON capture_id = capture.id"
        for row in connection.execute(query):
            if rows.capture_from(dict(row), row["codes"] or b"") is None:
                return True
    except (sqlite3.Error, UnicodeDecodeError):
        return True
    finally:
        connection.row_factory = None
    return False


def _rescue(working: Path) -> tuple[sqlite3.Connection, int, dict[str, int]]:
    """Copy all sound rows; how many there were, and how many each table lost."""
    copy = files.memory()
    engine = files.memory_engine(copy)
    with engine.begin() as connection:
        schema.create_tables(connection)
    found = 0
    lost: dict[str, int] = dict.fromkeys(schema.TABLES, 0)
    with suppress(sqlite3.Error), closing(sqlite3.connect(working, isolation_level=None)) as source:
        source.execute("PRAGMA writable_schema = ON")  # opens a file that is shorter than its header says
        source.execute("PRAGMA cell_size_check = ON")
        source.row_factory = sqlite3.Row
        source.text_factory = lambda raw: raw.decode("utf-8", "replace")
        for table in schema.TABLES.values():
            for row in _rows(source, table.name, working.stat().st_size // _LEAST_ROW):
                if row is None or not _keep(copy, table, row):
                    lost[table.name] += 1
                else:
                    found += table.name != "job"
    _complete(copy)
    return copy, found, lost


def _rows(source: sqlite3.Connection, table: str, most: int) -> Iterator[dict[str, Any] | None]:
    """Every row, by its number; None for a number that should be there and cannot be read.

    They follow each other, so one beyond ``most``, the rows that a file of this size can hold, is itself damaged.
    """
    last = 0
    for order in ("DESC", "ASC"):
        with suppress(sqlite3.Error, UnicodeDecodeError):
            for (number,) in source.execute(f'SELECT rowid FROM "{table}" ORDER BY rowid {order}'):  # noqa: S608
                last = max(last, number if 0 < number <= most else 0)
    number, misses = 0, 0
    while number < last or (last == 0 and misses < _GIVE_UP_AFTER):
        number += 1
        try:
            row = source.execute(f'SELECT * FROM "{table}" WHERE rowid = ?', (number,)).fetchone()  # noqa: S608
        except (sqlite3.Error, UnicodeDecodeError):
            row = None
        if row is None:
            misses += 1
            if number <= last:
                yield None
        else:
            misses = 0
            yield dict(row)


def _keep(copy: sqlite3.Connection, table: Any, row: dict[str, Any]) -> bool:
    """Insert a row if it is sound; whether it was."""
    known = {name: value for name, value in row.items() if name in table.c}
    if "check_number" in table.c and ("check_number" not in known or not rows.is_sound(row)):
        return False
    if table.name == "waveform":
        owner = copy.execute("SELECT crc32 FROM capture WHERE id = ?", (row["capture_id"],)).fetchone()
        if owner is None or not isinstance(row["codes"], bytes) or zlib.crc32(row["codes"]) != owner[0]:
            return False
    marks = ", ".join("?" for _ in known)
    names = ", ".join(f'"{name}"' for name in known)
    try:
        copy.execute(f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', tuple(known.values()))  # noqa: S608
    except sqlite3.Error:
        return False
    return True


def _complete(copy: sqlite3.Connection) -> None:
    """Give what was rescued a home: a sheet, a pass for its readings; no capture without its waveform."""
    if copy.execute("SELECT count(*) FROM job").fetchone()[0] == 0:
        copy.execute(
            "INSERT INTO job (id, schema_version, chassis_name, check_number) VALUES (1, ?, ?, ?)",
            (schema.VERSION, _LOST_NAME, schema.check_number({"chassis_name": _LOST_NAME})),
        )
    copy.execute("UPDATE job SET schema_version = ?", (schema.VERSION,))
    orphans = copy.execute(
        "SELECT DISTINCT pass_id FROM (SELECT pass_id FROM reading UNION SELECT pass_id FROM capture "
        "UNION SELECT pass_id FROM event UNION SELECT pass_id FROM answer UNION SELECT pass_id FROM watched) "
        "WHERE pass_id NOT IN (SELECT id FROM pass)"
    ).fetchall()
    for (number,) in orphans:
        row = rows.pass_row(f"rescued-{number}", "", None, None, None, {})
        copy.execute(
            f"INSERT INTO pass (id, {', '.join(row)}) VALUES (?, {', '.join('?' for _ in row)})",  # noqa: S608
            (number, *row.values()),
        )
    copy.execute("DROP TRIGGER capture_no_delete")
    copy.execute("DELETE FROM capture WHERE id NOT IN (SELECT capture_id FROM waveform)")


def _lend_first_page(working: Path) -> None:
    """Replace the first page of a copy by that of a new job of this version."""
    fresh = working.with_name("fresh")
    fresh.touch()
    engine = files.writable_engine(fresh)
    with engine.begin() as connection:
        schema.create_tables(connection)
    engine.dispose()
    page = fresh.read_bytes()[:4096]
    size = working.stat().st_size
    with working.open("r+b") as stream:
        stream.write(page[:28] + (size // 4096).to_bytes(4, "big") + page[32:])
        stream.seek(size)
        if size % 4096:
            stream.write(bytes(4096 - size % 4096))
    Path(f"{working}-wal").unlink(missing_ok=True)
