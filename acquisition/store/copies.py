"""A copy of a job file to work on, with the standard library alone."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

_IN_MEMORY = Path("/dev/shm")  # noqa: S108
"""Where Linux keeps files in memory: a full disk often holds the usual folder for temporary files too."""


def is_barred(error: BaseException) -> bool:
    """Whether SQLite could not work where a file lies, which says nothing about the file.

    Beside a write-ahead log it makes a file of its own, even to read, which a folder may not allow and a full disk
    has no room for.

    Parameters
    ----------
    error : exception
        From sqlite3.
    """
    barred = {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR}
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in barred


@contextmanager
def copied(path: Path) -> Iterator[Path]:
    """Copy a job file and its write-ahead log to a folder of their own, which is gone afterwards.

    Parameters
    ----------
    path : Path
        The job file; it is only read.

    Yields
    ------
    Path
        The copy.

    Raises
    ------
    OSError
        It cannot be read, or there is no room for a copy.
    """
    with ExitStack() as stack:
        try:
            working = _copy(path, stack, _IN_MEMORY if _IN_MEMORY.is_dir() else None)
        except OSError:
            working = _copy(path, stack, None)
        yield working


def _copy(path: Path, stack: ExitStack, place: Path | None) -> Path:
    folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="stagewalk-copy-", dir=place))
    working = Path(folder) / "job"
    shutil.copyfile(path, working)
    if Path(f"{path}-wal").exists():
        shutil.copyfile(f"{path}-wal", f"{working}-wal")
    return working
