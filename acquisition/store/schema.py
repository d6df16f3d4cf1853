"""Tables of a job, their version, and the way up from every earlier version.

The same definitions serve SQLite and PostgreSQL. Readings, captures, waveforms, events, answers and the watched
are append-only (in SQLite a trigger refuses anything else), and every row carries a check number, so that a flipped
bit is never taken for a reading.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import (
    DDL,
    BigInteger,
    Column,
    Connection,
    Double,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    event,
    text,
)
from sqlalchemy.dialects.sqlite import INTEGER, REAL
from sqlalchemy.types import TypeEngine

APPLICATION_ID = 0x5374676B
"""Mark in the header of the SQLite file: ``Stgk``."""

VERSION = 4
"""Version of the tables below. A change adds one to it, one entry to `MIGRATIONS` and one kept sample file."""

_metadata = MetaData()

# STRICT tables know INTEGER, REAL, TEXT and BLOB only.
_Real: TypeEngine[float] = Double().with_variant(REAL, "sqlite")
_Whole: TypeEngine[int] = BigInteger().with_variant(INTEGER, "sqlite")


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True)


def _pass_id() -> Column[int]:
    return Column("pass_id", Integer, ForeignKey("pass.id"), nullable=False, index=True)


def _check() -> Column[int]:
    return Column("check_number", _Whole, nullable=False)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, server_default="")


def _real(name: str, *, nullable: bool = True) -> Column[float]:
    return Column(name, _Real, nullable=nullable)


def _table(name: str, *columns: Column[Any]) -> Table:
    return Table(name, _metadata, *columns, sqlite_strict=True)


JOB = _table(
    "job",
    _id(),
    Column("schema_version", Integer, nullable=False),
    _text("chassis_name"),
    _text("chassis_text"),
    _text("bench_text"),
    _text("customer"),
    _text("serial"),
    _text("complaint"),
    _text("technician"),
    _text("created_utc"),
    _text("program"),
    _check(),
    _text("found"),
    _text("advice"),
)
PASS = _table(
    "pass",
    _id(),
    Column("name", Text, nullable=False, unique=True),
    _text("started_utc"),
    _real("mains_v"),
    _real("mains_hz"),
    _real("minutes_on"),
    Column("settings", Text, nullable=False, server_default="{}"),
    _check(),
)
READING = _table(
    "reading",
    _id(),
    _pass_id(),
    _text("point"),
    _text("quantity"),
    _real("value", nullable=False),
    _real("std"),
    _real("freq_hz"),
    _real("drive_pp_v"),
    _text("taken_utc"),
    _text("instrument"),
    _real("range_v"),
    _text("quality"),
    _text("note"),
    _check(),
)
CAPTURE = _table(
    "capture",
    _id(),
    _pass_id(),
    _text("point"),
    _text("dtype"),
    Column("length", Integer, nullable=False),
    Column("crc32", _Whole, nullable=False),
    _real("scale_v", nullable=False),
    _real("offset_v", nullable=False),
    _real("t0_s", nullable=False),
    _real("dt_s", nullable=False),
    _real("full_scale_v", nullable=False),
    Column("clipped", Integer, nullable=False),
    Column("channel", Integer, nullable=False),
    Column("shot", Integer, nullable=False),
    _real("probe_factor", nullable=False),
    _text("coupling"),
    _real("bandwidth_hz"),
    _real("freq_hz"),
    _real("drive_pp_v"),
    _text("taken_utc"),
    _text("instrument"),
    _text("note"),
    _check(),
)
WAVEFORM = _table(
    "waveform",
    Column("capture_id", Integer, ForeignKey("capture.id"), primary_key=True),
    Column("codes", LargeBinary, nullable=False),
)
EVENT = _table(
    "event",
    _id(),
    _pass_id(),
    _text("kind"),
    _text("subject"),
    _real("value"),
    _real("std"),
    Column("body", Text, nullable=False, server_default=""),
    _text("taken_utc"),
    _check(),
)
ANSWER = _table(
    "answer",
    _id(),
    _pass_id(),
    _text("question"),
    _text("basis"),
    _text("body"),
    _text("program"),
    _text("told_utc"),
    _check(),
)
WATCHED = _table(
    "watched",
    _id(),
    _pass_id(),
    _text("point"),
    _text("begun_utc"),
    _real("end_s", nullable=False),
    _real("span_s", nullable=False),
    _real("mean_v", nullable=False),
    _real("lowest_v", nullable=False),
    _real("highest_v", nullable=False),
    Column("samples", Integer, nullable=False),
    _check(),
)
TABLES: Mapping[str, Table] = {
    table.name: table for table in (JOB, PASS, READING, CAPTURE, WAVEFORM, EVENT, ANSWER, WATCHED)
}

ADDED_IN: Mapping[str, int] = {"answer": 3, "watched": 4}
"""Tables that the first version did not have: which version brought them."""

for _kept in (READING, CAPTURE, WAVEFORM, EVENT, ANSWER, WATCHED):
    for _deed in ("UPDATE", "DELETE"):
        event.listen(
            _kept,
            "after_create",
            DDL(  # type: ignore[no-untyped-call]
                f"CREATE TRIGGER {_kept.name}_no_{_deed.lower()} BEFORE {_deed} ON {_kept.name} "
                f"BEGIN SELECT RAISE(ABORT, 'readings are append-only'); END"
            ).execute_if(dialect="sqlite"),
        )


_UNCHECKED = {"id", "check_number", "schema_version"}


def check_number(row: Mapping[str, Any]) -> int:
    """Checksum of one row.

    Parameters
    ----------
    row : mapping
        Column names to values. Empty ones are left out, so that a column added later changes no old
        number.

    Returns
    -------
    int
        CRC-32 of its canonical text.
    """
    kept = {k: v for k, v in sorted(row.items()) if v not in (None, "") and k not in _UNCHECKED}
    return zlib.crc32(json.dumps(kept, ensure_ascii=True, separators=(",", ":"), default=repr).encode("ascii"))


def create_tables(connection: Connection) -> None:
    """Create the tables of the present version.

    Parameters
    ----------
    connection : Connection
        To an empty database, in a transaction.
    """
    _metadata.create_all(connection)
    if connection.dialect.name == "sqlite":
        connection.execute(text(f"PRAGMA application_id = {APPLICATION_ID}"))
        connection.execute(text(f"PRAGMA user_version = {VERSION}"))


def stored_version(connection: Connection) -> int:
    """Version of the tables in a database.

    Parameters
    ----------
    connection : Connection
        To a database that holds a job.
    """
    if connection.dialect.name == "sqlite":
        return int(connection.execute(text("PRAGMA user_version")).scalar_one())
    return int(connection.execute(text("SELECT schema_version FROM job")).scalar_one())


def _closing_words(connection: Connection) -> None:
    for name in ("found", "advice"):
        connection.execute(text(f"ALTER TABLE job ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"))


def _answers(connection: Connection) -> None:
    ANSWER.create(connection)


def _watched(connection: Connection) -> None:
    WATCHED.create(connection)


MIGRATIONS: Mapping[int, Callable[[Connection], None]] = {1: _closing_words, 2: _answers, 3: _watched}
"""From version N: the function that makes version N + 1 of it."""


def migrate(connection: Connection) -> bool:
    """Bring older tables up to the present version, in the transaction of the connection.

    Parameters
    ----------
    connection : Connection
        To a database that holds a job no newer than `VERSION`.

    Returns
    -------
    bool
        Whether anything had to be done.
    """
    version = stored_version(connection)
    for step in range(version, VERSION):
        MIGRATIONS[step](connection)
    if version == VERSION:
        return False
    connection.execute(JOB.update().values(schema_version=VERSION))
    if connection.dialect.name == "sqlite":
        connection.execute(text(f"PRAGMA user_version = {VERSION}"))
    return True
