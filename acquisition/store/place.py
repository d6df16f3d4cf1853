"""The place of an open job file: whether the same file still lies there, with all that was kept in it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from ..errors import StoreError
from .files import BUSY_S, empty_log, read_connection, require_sound

_KEPT = (
    ("created_utc, chassis_name", "job"),
    ("id, name", "pass"),
    *(("id, check_number", table) for table in ("reading", "capture", "event", "answer", "watched")),
)
"""What stays as it is in a job, whatever another program adds to it."""

Marks = Sequence[tuple[object, ...] | None]
"""The last row of each of these."""


_NO_JOB = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR}
"""Half a copy, something else, or a database without our tables."""


class Place:
    """Where a job lies that was opened for writing; of a database in a server nothing is asked.

    Parameters
    ----------
    path : str
        The file or database URL.
    engine : Engine
        Connections to it.
    """

    def __init__(self, path: str, engine: Engine) -> None:
        self._path, self._engine = path, engine
        self._opened = _which(path)
        self._written: tuple[int, int] | None = None
        self._marks: Marks = ()
        if self._opened is not None:
            with engine.connect() as connection:
                marks = self.marks(connection)
            self.wrote(marks)

    def require(self, doing: str) -> None:
        """Refuse to write to a file that is gone or was replaced: it takes all, and when it is closed that is lost.

        Parameters
        ----------
        doing : str
            What is about to be tried, for the message.

        Raises
        ------
        StoreError
            It is no longer there, another one is, or it was written over.
        """
        there = _which(self._path)
        if there == self._opened:
            self.require_whole(doing)
            return
        self._empty_log()
        if there is None:
            raise StoreError(
                f"{self._path}: {doing}: the file is no longer there",
                hint="deleted, moved, or its disk taken out? put it back where it was",
            )
        raise StoreError(
            f"{self._path}: {doing}: another file was put in its place",
            hint="put the first one back, or stop and start again to go on with the other",
        )

    def require_whole(self, doing: str) -> None:
        """Refuse to go on with a file that another one was copied over: pages of both would be mixed.

        SQLite learns of other programs by its log, and holds the pages it has read for good where that is silent.
        So when the file has changed by another hand all is read anew, and what was kept has to be in it.

        Parameters
        ----------
        doing : str
            What is about to be tried, for the message.

        Raises
        ------
        StoreError
            What was kept is no longer in it.
        """
        changed = _last_change(self._path)
        if self._opened is None or changed is None or changed == self._written:
            return
        if not self._has_marks():
            raise StoreError(
                f"{self._path}: {doing}: the file was written over, and what was kept is no longer in it",
                hint="stop, put the right copy there, and start again",
            )
        self._engine.dispose()  # with the pages it held
        self._written = changed

    def marks(self, connection: Connection) -> Marks:
        """What tells the job, as it stands in the transaction that wrote to it, from another one.

        Parameters
        ----------
        connection : Connection
            To the job.
        """
        raw = connection.connection.driver_connection
        if self._opened is None or not isinstance(raw, sqlite3.Connection):
            return ()
        return [
            raw.execute(f"SELECT {columns} FROM {table} ORDER BY id DESC LIMIT 1").fetchone()  # noqa: S608
            for columns, table in _KEPT
        ]

    def wrote(self, marks: Marks) -> None:
        """Remember that the last change of the file was one of ours.

        Parameters
        ----------
        marks : sequence
            Of the transaction, which is committed by now.
        """
        self._marks, self._written = marks, _last_change(self._path)

    def leave(self) -> None:
        """Make sure, before the file is closed, that nothing of it is left beside another one."""
        if _which(self._path) != self._opened:
            self._empty_log()

    def _has_marks(self) -> bool:
        """Whether the file, as somebody reads it who has held none of it, is this job and has what was kept."""
        try:
            with closing(read_connection(Path(self._path))) as raw:
                require_sound(raw)
                for (columns, table), mark in zip(_KEPT, self._marks, strict=True):
                    number = mark[0] if mark is not None and columns.startswith("id") else 1
                    found = raw.execute(f"SELECT {columns} FROM {table} WHERE id = ?", (number,)).fetchone()  # noqa: S608
                    if mark is not None and found != mark:
                        return False
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF not in _NO_JOB:
                raise
            return False
        return True

    def _empty_log(self) -> None:
        with suppress(DBAPIError, sqlite3.Error), self._engine.connect() as connected:
            empty_log(connected.connection.driver_connection, BUSY_S)  # type: ignore[arg-type]


def _which(path: str) -> tuple[int, int] | None:
    """What tells a file from another one of the same name; None where there is none, and for a database."""
    status = _status(path)
    return None if status is None else (status.st_dev, status.st_ino)


def _last_change(path: str) -> tuple[int, int] | None:
    """When the content of a file was changed last, and its size; None as `_which`."""
    status = _status(path)
    return None if status is None else (status.st_mtime_ns, status.st_size)


def _status(path: str) -> os.stat_result | None:
    if "://" in path:
        return None
    try:
        return os.stat(path)
    except OSError:
        return None
