"""The tables of an open job: rows in, committed before the call returns, and rows out, checked."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from typing import Any

from sqlalchemy import Connection, Engine, select

from ..errors import StoreError
from ..signals import undisturbed
from . import files, rows
from .place import Place


class Tables:
    """Reads and writes rows of a job, and says plainly what is in the way.

    Parameters
    ----------
    path : str
        The file or database URL.
    engine : Engine
        Connections to it.
    read_only : bool
        Refuse to write.
    """

    def __init__(self, path: str, engine: Engine, read_only: bool) -> None:
        self._path, self._engine = path, engine
        self._place = None if read_only else Place(path, engine)
        self._lock = threading.Lock()
        self._waiting: list[tuple[Any, dict[str, Any]]] = []

    @property
    def name(self) -> str:
        """What to call the job in a message."""
        return files.name_of(self._path)

    def close(self) -> None:
        """Close the file; then it is one file again, with no log beside it."""
        self.keep_waiting()
        if self._place is not None:
            self._place.leave()
        self._engine.dispose()

    # -- in --------------------------------------------------------------------------------------------------

    @contextmanager
    def writing(self, doing: str) -> Iterator[Connection]:
        """Write inside a ``with`` block; all of it is committed at its end, or nothing is.

        Parameters
        ----------
        doing : str
            What is not done where it fails, for the message.

        Yields
        ------
        Connection
            In a transaction, behind the rows that waited.

        Raises
        ------
        StoreError
            Nothing was written, and why.
        """
        if self._place is None:
            raise StoreError(f"{self.name}: opened for reading only", hint="open it for writing to add to it")
        # Ctrl-C in the middle of a commit would come out as an error of the library, and leave open what is kept.
        # A server may never answer, though, and must not hold the program for ever.
        with nullcontext() if "://" in self._path else undisturbed(), self._lock:
            with files.plain_errors(self._path, doing):
                self._place.require(doing)
                with self._engine.begin() as connection:
                    for table, row in self._waiting:
                        connection.execute(table.insert().values(row))
                    yield connection
                    marks = self._place.marks(connection)
                self._place.wrote(marks)
            self._waiting.clear()

    def insert(
        self, doing: str, table: Any, inserts: Sequence[Mapping[str, Any]], *, can_wait: bool = False
    ) -> None:
        """Add rows, all or none.

        Parameters
        ----------
        doing : str
            What is not done where it fails, for the message.
        table : Table
            Of the job.
        inserts : sequence of mapping
            Column names to values, sealed.
        can_wait : bool
            What cannot be written now is written in front of the next rows that can, or when the job is closed.

        Raises
        ------
        StoreError
            Nothing was written, and why; not for what can wait.
        """
        try:
            with self.writing(doing) as connection:
                connection.execute(table.insert(), [dict(row) for row in inserts])
        except StoreError:
            if not can_wait or self._place is None:
                raise
            with self._lock:
                self._waiting += [(table, dict(row)) for row in inserts]

    def keep_waiting(self) -> None:
        """Write what waited, where it can be written by now; else it waits on."""
        if self._waiting:
            with suppress(StoreError), self.writing("not kept"):
                pass

    def change(self, doing: str, table: Any, row_id: int, given: Mapping[str, str | float]) -> None:
        """Write over some columns of a row.

        Parameters
        ----------
        doing : str
            What is not done where it fails, for the message.
        table : Table
            Of the job; not one that is append-only.
        row_id : int
            Which row.
        given : mapping
            Column names to values.

        Raises
        ------
        StoreError
            Nothing was written, and why.
        """
        chosen = table.c.id == row_id
        with self.writing(doing) as connection:
            # The write comes before the look: after a look SQLite does not wait for another program, but gives up.
            connection.execute(table.update().where(chosen).values(rows.in_whole_characters(given)))
            row = dict(connection.execute(select(table).where(chosen)).mappings().one())
            connection.execute(table.update().where(chosen).values(rows.sealed(row)))

    # -- out -------------------------------------------------------------------------------------------------

    def rows(self, statement: Any) -> list[dict[str, Any]]:
        """Rows as they stand in the file.

        Parameters
        ----------
        statement : Select
            Which.

        Raises
        ------
        StoreError
            The file cannot be read.
        """
        with files.plain_errors(self._path, "not read"):
            if self._place is not None:
                with self._lock:
                    self._place.require_whole("not read")
            with self._engine.connect() as connection:
                return [dict(row) for row in connection.execute(statement).mappings()]

    def sound(self, table: Any, statement: Any) -> list[dict[str, Any]]:
        """Rows that are as they were written.

        Parameters
        ----------
        table : Table
            Theirs, for the message.
        statement : Select
            Which, with all columns.

        Raises
        ------
        StoreError
            One of them is damaged, or the file cannot be read.
        """
        found = self.rows(statement)
        for row in found:
            if not rows.is_sound(row):
                raise self.damaged(f"{table.name} {row['id']}")
        return found

    def damaged(self, what: str) -> StoreError:
        """Build the error for what is not as it was written.

        Parameters
        ----------
        what : str
            Such as ``reading 7``.
        """
        return StoreError(
            f"{self.name}: the file is damaged: {what} is not as it was written",
            hint="stagewalk report, export and list can still read what is left of it",
        )
