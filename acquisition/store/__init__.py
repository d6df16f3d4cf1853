"""The job file: everything that was ever read on one chassis, on disk before anybody is told.

SQLAlchemy is loaded only when a job is opened; `read_readings_csv` and `list_jobs` need the standard library alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .listing import JobSummary, list_jobs
from .readings_csv import lines_of_points, read_passes_csv, read_readings_csv, write_passes_csv

if TYPE_CHECKING:
    from .job import Job
    from .kept import KeptPasses
    from .opening import create_job, has_job, open_job

__all__ = [
    "SUFFIX",
    "Job",
    "JobSummary",
    "KeptPasses",
    "create_job",
    "has_job",
    "lines_of_points",
    "list_jobs",
    "open_job",
    "read_passes_csv",
    "read_readings_csv",
    "write_passes_csv",
]

SUFFIX = ".stagewalk"
"""Suffix of a job file."""


def __getattr__(name: str) -> Any:
    # The database library costs 0.15 s, which a list of jobs or a CSV file need not pay.
    if name in {"Job", "create_job", "has_job", "open_job"}:
        from . import opening

        return getattr(opening, name)
    if name == "KeptPasses":
        from .kept import KeptPasses

        return KeptPasses
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
