"""Files the verbs write: whole or not at all, whatever happens while they are written."""

from __future__ import annotations

import os
from pathlib import Path

from acquisition.errors import StoreError

JOB_BEGINS = b"SQLite format 3\0"
"""What every job file begins with (database file format of SQLite, section 1.3)."""


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file under another name beside it, then rename it.

    Parameters
    ----------
    path : Path
        The file; an earlier one is replaced, but for a job. A device or a pipe is written to as it is.
    content : str or bytes
        The whole of it; text becomes UTF-8, its line ends stay as they are.

    Raises
    ------
    StoreError
        It cannot be written; an earlier file is as it was.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        target = path.resolve()  # a link stays a link
        if target.exists() and not target.is_file():
            with path.open("wb") as stream:
                stream.write(data)
            return
        if target.exists() and not os.access(target, os.W_OK):
            raise PermissionError(None, "the file is read-only")
        if target.exists() and _is_job(target):
            raise PermissionError(None, "a job stands there, or another database, and would be lost")
        building = target.with_name(f".{target.name[:200]}.{os.getpid()}.part")
        try:
            with building.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            building.replace(target)
        finally:
            building.unlink(missing_ok=True)
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: links in a circle
        reason = getattr(error, "strerror", None) or error
        raise StoreError(f"{path}: cannot be written: {reason}", hint="choose another place with --out") from error


def _is_job(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(len(JOB_BEGINS)) == JOB_BEGINS
