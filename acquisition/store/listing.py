"""Jobs of a folder at a glance, with the standard library alone so that the list is quick."""

from __future__ import annotations

import dataclasses
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from ..errors import StoreError
from .copies import copied, is_barred

_APPLICATION_ID = 0x5374676B


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSummary:
    """One job in a list.

    Parameters
    ----------
    path : str
        The file.
    chassis_name, serial, customer : str
        As written down at intake.
    passes : tuple of str
        Names of the passes in order.
    readings, captures : int
        How many there are.
    last_utc : str
        When the last reading, capture, event or pass was made; empty for none.
    problem : str
        Why the file could not be read; empty for a readable one.
    """

    path: str
    chassis_name: str = ""
    serial: str = ""
    customer: str = ""
    passes: tuple[str, ...] = ()
    readings: int = 0
    captures: int = 0
    last_utc: str = ""
    problem: str = ""


def list_jobs(folder: str | Path) -> tuple[JobSummary, ...]:
    """Summaries of all job files in a folder, by name.

    Parameters
    ----------
    folder : str or Path
        The folder; folders in it are not searched.

    Raises
    ------
    StoreError
        There is no such folder, or it cannot be read.
    """
    place = Path(folder)
    try:
        paths = sorted(path for path in place.iterdir() if path.suffix == ".stagewalk" and path.is_file())
    except OSError as error:
        raise StoreError(
            f"{place}: cannot be listed: {error.strerror}", hint="name a folder, or a job that ends in .stagewalk"
        ) from error
    return tuple(summarise(path) for path in paths)


def summarise(path: Path) -> JobSummary:
    """Summary of one job file; a file that cannot be read is listed with its problem.

    Parameters
    ----------
    path : Path
        The file.
    """
    try:
        try:
            return _summary(path)
        except sqlite3.Error as error:
            if not is_barred(error):
                raise
        with copied(path) as copy:
            return dataclasses.replace(_summary(copy), path=str(path))
    except OSError as error:
        return JobSummary(path=str(path), problem=f"cannot be read: {error.strerror}")
    except (sqlite3.Error, TypeError, ValueError) as error:  # damage shows as wrong text and missing rows too
        busy = getattr(error, "sqlite_errorcode", 0) & 0xFF in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
        return JobSummary(path=str(path), problem="locked by another program" if busy else "damaged")


def _summary(path: Path) -> JobSummary:
    calm = "" if Path(f"{path}-wal").exists() else "&immutable=1"
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro{calm}", uri=True, timeout=1.0)) as file:
        if file.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
            return JobSummary(path=str(path), problem="not a job file")
        chassis, serial, customer = file.execute("SELECT chassis_name, serial, customer FROM job").fetchone()
        names = tuple(row[0] for row in file.execute("SELECT name FROM pass ORDER BY id"))
        readings, captures = (
            file.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
            for table in ("reading", "capture")
        )
        last = file.execute(
            "SELECT max(t) FROM (SELECT max(taken_utc) t FROM reading UNION SELECT max(taken_utc) FROM capture "
            "UNION SELECT max(taken_utc) FROM event UNION SELECT max(started_utc) FROM pass)"
        ).fetchone()[0]
        if not all(isinstance(text, str) for text in (chassis, serial, customer, *names, last or "")):
            raise TypeError("damage made a text something else")
    return JobSummary(
        path=str(path),
        chassis_name=chassis,
        serial=serial,
        customer=customer,
        passes=names,
        readings=readings,
        captures=captures,
        last_utc=last or "",
    )
