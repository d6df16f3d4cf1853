"""Make a job and open one: a file, or a database by URL."""

from __future__ import annotations

import os
from importlib import metadata
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, inspect

from ..clock import Clock, SystemClock
from ..errors import StoreError
from . import files, rescue, rows, schema
from .job import Job


def create_job(
    path: str | Path,
    chassis_name: str,
    chassis_text: str = "",
    bench_text: str = "",
    *,
    customer: str = "",
    serial: str = "",
    complaint: str = "",
    technician: str = "",
    clock: Clock | None = None,
) -> Job:
    """Make a new job and open it.

    Parameters
    ----------
    path : str or Path
        New file, by custom ending in ``.stagewalk``, or the URL of an empty database.
    chassis_name : str
        Name of the chassis.
    chassis_text, bench_text : str
        The files of chassis and bench, kept word for word.
    customer, serial, complaint, technician : str
        As written down at intake.
    clock : Clock, optional
        The machine's when left out.

    Returns
    -------
    Job
        Open for writing.

    Raises
    ------
    StoreError
        The file exists, or cannot be made; nothing is left behind.
    """
    clock = clock or SystemClock()
    first = {
        "id": 1,
        "schema_version": schema.VERSION,
        "chassis_name": chassis_name,
        "chassis_text": chassis_text,
        "bench_text": bench_text,
        "customer": customer,
        "serial": serial,
        "complaint": complaint,
        "technician": technician,
        "created_utc": clock.utc(),
        "program": f"stagewalk {metadata.version('stagewalk')}",
    }
    first = rows.sealed(first)
    with files.plain_errors(path, "not created"):
        if "://" in str(path):
            engine = files.database_engine(str(path))
            try:
                with engine.connect() as connection:
                    if inspect(connection).has_table("job"):
                        raise StoreError(
                            f"{files.name_of(path)}: holds a job already", hint="open it, or name another"
                        )
                _fill(engine, first)
            finally:
                engine.dispose()
        else:
            _create_file(Path(path), first)
    return open_job(path, clock=clock)


def _create_file(path: Path, first: dict[str, Any]) -> None:
    _require_absent(path)
    # Built under another name, then given its own: a job file is whole or absent, whatever happens here.
    building = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        building.touch(exist_ok=False)
        engine = files.writable_engine(building)
        try:
            _fill(engine, first)
        finally:
            engine.dispose()
        try:
            os.link(building, path)  # unlike a rename, never in place of a job another program made meanwhile
        except OSError:
            _require_absent(path)
            building.rename(path)  # some file systems know no links
        else:
            building.unlink()
        files.sync_folder(path.parent)
    finally:
        for leftover in (building, Path(f"{building}-wal"), Path(f"{building}-shm")):
            leftover.unlink(missing_ok=True)


def _require_absent(path: Path) -> None:
    if path.exists():
        raise StoreError(f"{path}: exists already", hint="open it to add to it, or choose another name")


def _fill(engine: Engine, first: dict[str, Any]) -> None:
    with engine.begin() as connection:
        schema.create_tables(connection)
        connection.execute(schema.JOB.insert().values(first))


def has_job(path: str | Path) -> bool:
    """Whether there is something to open: a file, or a database that holds a job.

    Parameters
    ----------
    path : str or Path
        Job file or database URL.

    Raises
    ------
    StoreError
        The database does not answer.
    """
    if "://" not in str(path):
        return Path(path).exists()
    engine = files.database_engine(str(path))
    try:
        with files.plain_errors(path, "not opened"), engine.connect() as connection:
            return bool(inspect(connection).has_table("job"))
    finally:
        engine.dispose()


def open_job(path: str | Path, *, read_only: bool = False, clock: Clock | None = None) -> Job:
    """Open a job.

    Parameters
    ----------
    path : str or Path
        Job file or database URL.
    read_only : bool
        Work on a copy in memory: the file and its folder stay untouched, an older one is converted in
        memory, and of a damaged one whatever is readable is rescued (see ``Job.damage``). A database is read where
        it is, and an older one refused.
    clock : Clock, optional
        The machine's when left out.

    Returns
    -------
    Job
        The open job. Opened for writing, a job of an earlier version is converted first.

    Raises
    ------
    StoreError
        Not a job file, damaged (for writing), from a newer version, or not accessible.
    """
    clock = clock or SystemClock()
    if "://" in str(path):
        return _open_database(str(path), clock, read_only)
    file = Path(path)
    sound = files.require_job_file(file)
    if read_only:
        connection, damage = rescue.snapshot_or_rescue(file, sound)
        engine = files.memory_engine(connection)
    else:
        if not sound:
            raise StoreError(
                f"{file}: the beginning of the file is damaged, or it is not a job file", hint=files.READ_ONLY_HINT
            )
        damage = ()
        engine = files.writable_engine(file)
    try:
        with files.plain_errors(file, "not opened"):
            if not read_only:
                with engine.connect() as connected:
                    files.require_sound(connected.connection.driver_connection)  # type: ignore[arg-type]
            with engine.begin() as begun:
                schema.migrate(begun)
            return Job(str(path), engine, clock=clock, read_only=read_only, damage=damage)
    except StoreError:
        engine.dispose()
        raise


def _open_database(url: str, clock: Clock, read_only: bool) -> Job:
    engine = files.database_engine(url)
    try:
        with files.plain_errors(url, "not opened"), engine.begin() as connection:
            if not inspect(connection).has_table("job"):
                raise StoreError(
                    f"{files.name_of(url)}: no job in this database",
                    hint="stagewalk survey, page and import make one, with --chassis",
                )
            version = schema.stored_version(connection)
            if version > schema.VERSION:
                raise StoreError(
                    f"{files.name_of(url)}: written by a newer version "
                    f"(its tables are version {version}, ours {schema.VERSION})",
                    hint="update stagewalk to open it",
                )
            if read_only and version < schema.VERSION:
                raise StoreError(
                    f"{files.name_of(url)}: written by an earlier version "
                    f"(its tables are version {version}, ours {schema.VERSION})",
                    hint="what writes to it converts it first: stagewalk page, note or import",
                )
            if not read_only:
                schema.migrate(connection)
    except StoreError:
        engine.dispose()
        raise
    return Job(url, engine, clock=clock, read_only=read_only)
