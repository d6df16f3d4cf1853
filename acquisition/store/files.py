"""Job files on disk: recognise, open, take a snapshot, and say plainly what is wrong with one."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import QueuePool, StaticPool

from ..errors import StoreError
from .copies import copied, is_barred
from .schema import APPLICATION_ID, VERSION

_PAGE = 4096
_MAGIC = b"SQLite format 3\x00"
READ_ONLY_HINT = "stagewalk report, export and list can still read what is left of it; keep the file as it is"
"""What to do about a damaged file."""
BUSY_S = 3.0
"""How long a lock of another program is waited for."""
_BY_CODE = {
    sqlite3.SQLITE_FULL: ("the disk is full", "free some space and take it again; everything before is kept"),
    sqlite3.SQLITE_READONLY: ("it cannot be written", "check the permissions of the file and its folder"),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened for writing",
        "check that its folder exists and can be written, or copy the job to one that can",
    ),
    sqlite3.SQLITE_PERM: ("it cannot be opened", "check the permissions of the file and its folder"),
    sqlite3.SQLITE_BUSY: ("it is locked by another program", "close the other program and try again"),
    sqlite3.SQLITE_LOCKED: ("it is locked by another program", "close the other program and try again"),
    sqlite3.SQLITE_CONSTRAINT: ("another program wrote the same just before", "look at the job again"),
    sqlite3.SQLITE_CORRUPT: ("the file is damaged", READ_ONLY_HINT),
    sqlite3.SQLITE_NOTADB: ("the file is damaged", READ_ONLY_HINT),
    sqlite3.SQLITE_IOERR: (
        "the disk reports an error",
        "check the disk and its free space; everything before is kept",
    ),
}


def name_of(path: str | Path) -> str:
    """What to call a job in a message: the path, or the URL without its password.

    Parameters
    ----------
    path : str or Path
        File or database URL.
    """
    text = str(path)
    if "://" in text:
        from sqlalchemy.engine import make_url

        try:
            return make_url(text).render_as_string(hide_password=True)
        except (ArgumentError, ValueError):  # whatever it is, there may be a password in it
            return re.sub("//.*@", "//***@", text)
    return text


def explain(error: BaseException, path: str | Path, doing: str) -> StoreError:
    """One line and a hint for an error of the database.

    Parameters
    ----------
    error : exception
        From sqlite3 or SQLAlchemy.
    path : str or Path
        The job.
    doing : str
        What was tried, such as ``reading of V1.6 not kept``.
    """
    cause = getattr(error, "orig", None) or error
    code = getattr(cause, "sqlite_errorcode", None)
    if code is not None and (code & 0xFF) in _BY_CODE:
        # What SQLite cannot place beside a file is an error of the disk to it, also where the disk is just full.
        full = code & 0xFF == sqlite3.SQLITE_IOERR and _is_full(path)
        reason, hint = _BY_CODE[sqlite3.SQLITE_FULL if full else code & 0xFF]
    else:
        reason, hint = str(cause).strip().splitlines()[0] if str(cause).strip() else type(cause).__name__, ""
    return StoreError(f"{name_of(path)}: {doing}: {reason}", hint=hint)


def _is_full(path: str | Path) -> bool:
    """Whether there is no room for another page where a file lies; False where nothing tells."""
    try:
        return shutil.disk_usage(Path(path).absolute().parent).free < _PAGE
    except OSError:
        return False


@contextmanager
def plain_errors(path: str | Path, doing: str) -> Iterator[None]:
    """Turn errors of the database into a `StoreError`.

    Parameters
    ----------
    path : str or Path
        The job.
    doing : str
        What is being tried, for the message.
    """
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        raise explain(error, path, doing) from error
    except UnicodeDecodeError as error:
        raise StoreError(f"{name_of(path)}: {doing}: the file is damaged", hint=READ_ONLY_HINT) from error
    except OSError as error:
        raise StoreError(
            f"{name_of(path)}: {doing}: {error.strerror or error}", hint="check disk and folder"
        ) from error


def require_job_file(path: Path) -> bool:
    """Look at the first bytes of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    bool
        True for a job file, False for one that looks like a job with a damaged beginning.

    Raises
    ------
    StoreError
        There is no such file, it is something else, or a newer version wrote it.
    """
    if not path.is_file():
        what = "is a folder, not a job file" if path.is_dir() else "no such job file"
        meant = Path(f"{path}.stagewalk")
        hint = f"did you mean {meant}?" if meant.is_file() else "stagewalk list FOLDER shows the jobs of a folder"
        raise StoreError(f"{path}: {what}", hint=hint)
    with plain_errors(path, "not opened"), path.open("rb") as stream:
        head = stream.read(100)
    (application,) = struct.unpack(">I", head[68:72]) if len(head) >= 72 else (0,)
    if head.startswith(_MAGIC) and application == APPLICATION_ID:
        (version,) = struct.unpack(">I", head[60:64])
        if version > VERSION:
            raise StoreError(
                f"{path}: written by a newer version (its tables are version {version}, ours {VERSION})",
                hint="update stagewalk to open it; the file is unchanged",
            )
        return True
    if application == APPLICATION_ID or (path.suffix == ".stagewalk" and path.stat().st_size > 2 * _PAGE):
        return False
    kind = "a database, but not a job file" if head.startswith(_MAGIC) else "not a job file"
    raise StoreError(
        f"{path}: {kind if head else 'an empty file, not a job file'}", hint="a job ends in .stagewalk"
    )


def database_engine(url: str) -> Engine:
    """Engine for a job in a database.

    Parameters
    ----------
    url : str
        Whatever was given with ``://`` in it.

    Raises
    ------
    StoreError
        It is no address of a database, or the driver for it is not installed.
    """
    try:
        return create_engine(url, pool_pre_ping=True)  # a reading a minute: the connection may be gone meanwhile
    except (ArgumentError, ValueError, ImportError) as error:
        reason = "expected a file, or a database such as postgresql://USER@HOST:5432/DATABASE"
        hint = "write a file name without ://, or such an address"
        if isinstance(error, ImportError) and url.startswith("postgresql"):
            reason = f"the driver for this database is not installed ({error})"
            hint = "pip install 'stagewalk[postgres]', and begin the address with postgresql+psycopg://"
        raise StoreError(f"{name_of(url)}: not opened: {reason}", hint=hint) from error


def writable_engine(path: Path) -> Engine:
    """Engine with the settings every connection to a job file needs.

    Parameters
    ----------
    path : Path
        The file.
    """
    # mode=rw: a job is never created by opening it.
    uri = f"{path.absolute().as_uri()}?mode=rw"
    engine = create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(
            uri, uri=True, timeout=BUSY_S, check_same_thread=False, isolation_level=None
        ),
        poolclass=QueuePool,
    )
    _begin_explicitly(engine)

    @event.listens_for(engine, "connect")
    def _settings(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # a mains trip must not lose what was announced
        connection.execute("PRAGMA foreign_keys = ON")
        # Into the file itself at once: who copies it while it is open does not take the log beside it along.
        connection.execute("PRAGMA wal_autocheckpoint = 1")

    @event.listens_for(engine, "checkin")
    def _leave_no_log(connection: sqlite3.Connection | None, _record: object) -> None:
        if connection is not None:
            empty_log(connection)  # where somebody reads it stays for now, and is not waited for

    return engine


def empty_log(connection: sqlite3.Connection, wait_s: float = 0.0) -> None:
    """Write what is in the log beside a job file into the file itself.

    SQLite finds a log by name: what is left in it would be written over a copy that is put in the file's place.

    Parameters
    ----------
    connection : sqlite3.Connection
        To the job file, in no transaction.
    wait_s : float
        How long somebody who reads is waited for, in seconds; after that it stays as it is.
    """
    with suppress(sqlite3.Error):
        connection.execute(f"PRAGMA busy_timeout = {round(1000 * wait_s)}")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.execute(f"PRAGMA busy_timeout = {round(1000 * BUSY_S)}")


def memory_engine(connection: sqlite3.Connection) -> Engine:
    """Engine over one connection to a database in memory.

    Parameters
    ----------
    connection : sqlite3.Connection
        Opened with ``isolation_level=None, check_same_thread=False``.
    """
    engine = create_engine("sqlite://", creator=lambda: connection, poolclass=StaticPool)
    _begin_explicitly(engine)
    return engine


def _begin_explicitly(engine: Engine) -> None:
    # The driver's own BEGIN leaves DDL and PRAGMA outside the transaction; ours holds them together.
    @event.listens_for(engine, "begin")
    def _begin(connection: object) -> None:
        connection.exec_driver_sql("BEGIN")  # type: ignore[attr-defined]


def read_connection(path: Path) -> sqlite3.Connection:
    """Open a file for reading only, leaving nothing behind beside it.

    Parameters
    ----------
    path : Path
        The job file.
    """
    # Without a write-ahead log nobody writes; immutable then keeps SQLite from making one, and works read-only.
    calm = "" if Path(f"{path}-wal").exists() else "&immutable=1"
    uri = f"{path.absolute().as_uri()}?mode=ro{calm}"
    return sqlite3.connect(uri, uri=True, timeout=BUSY_S, check_same_thread=False, isolation_level=None)


def memory() -> sqlite3.Connection:
    """An empty database in memory."""
    return sqlite3.connect(":memory:", check_same_thread=False, isolation_level=None)


def snapshot(path: Path) -> sqlite3.Connection:
    """Copy a sound file into memory.

    Parameters
    ----------
    path : Path
        The job file; it may be in use.

    Raises
    ------
    sqlite3.Error
        It is damaged or locked.
    StoreError
        It cannot be read.
    """
    try:
        return _into_memory(path)
    except sqlite3.Error as error:
        if not is_barred(error):
            raise
    with ExitStack() as stack:
        with plain_errors(path, "not opened"):
            working = stack.enter_context(copied(path))
        return _into_memory(working)


def _into_memory(path: Path) -> sqlite3.Connection:
    copy = memory()
    with closing(read_connection(path)) as source:
        require_sound(source)
        source.backup(copy)
    return copy


def require_sound(connection: sqlite3.Connection) -> None:
    """Check the structure of the whole file.

    Parameters
    ----------
    connection : sqlite3.Connection
        An open database.

    Raises
    ------
    sqlite3.DatabaseError
        The check found damage.
    """
    try:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()
    except UnicodeDecodeError:  # the report quotes a damaged name
        found = None
    if found is None or found[0] != "ok":
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def sync_folder(folder: Path) -> None:
    """Make the names in a folder survive a power cut.

    Parameters
    ----------
    folder : Path
        The folder.
    """
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
