"""The place of an open job file: whether it is still the same file that lies there."""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from ..errors import StoreError
from .files import BUSY_S, empty_log


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

    def require(self, doing: str) -> None:
        """Refuse to write to a file that is gone or was replaced: it takes all, and when it is closed that is lost.

        Parameters
        ----------
        doing : str
            What is about to be tried, for the message.

        Raises
        ------
        StoreError
            It is no longer there, or another one is.
        """
        there = _which(self._path)
        if there == self._opened:
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

    def leave(self) -> None:
        """Make sure, before the file is closed, that nothing of it is left beside another one."""
        if _which(self._path) != self._opened:
            self._empty_log()

    def _empty_log(self) -> None:
        with suppress(DBAPIError, sqlite3.Error), self._engine.connect() as connected:
            empty_log(connected.connection.driver_connection, BUSY_S)  # type: ignore[arg-type]


def _which(path: str) -> tuple[int, int] | None:
    """What tells a file from another one of the same name; None where there is none, and for a database."""
    if "://" in path:
        return None
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev, status.st_ino
