"""The job, the bench and the pass that a command line names."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from acquisition.store import Job


def job_for(path: str, chassis_name: str | None, bench_name: str | None, serial: str = "") -> Job:
    """Open a job for writing; make it when it is not there and a chassis and a bench are named.

    Parameters
    ----------
    path : str
        File or database URL.
    chassis_name, bench_name : str or None
        Files or names of shipped ones, for a new job.
    serial : str
        Serial number of the chassis, for a new job.

    Raises
    ------
    UsageError
        The job is not there and something is missing to make it.
    """
    from acquisition.configs import find_config
    from acquisition.store import create_job, open_job

    if "://" in path or Path(path).exists():
        return open_job(path)
    for name, what in ((chassis_name, "chassis"), (bench_name, "bench")):
        if name is None:
            raise click.UsageError(f"{path} is not there yet: name the {what} of the new job with --{what}")
    chassis, bench = find_config("chassis", str(chassis_name)), find_config("benches", str(bench_name))
    texts = chassis.read_text(encoding="utf-8"), bench.read_text(encoding="utf-8")
    return create_job(path, chassis.stem, *texts, serial=serial)


def bench_for(name: str | None, job: Job) -> Bench:
    """The bench named, else the one kept in the job.

    Parameters
    ----------
    name : str or None
        File or name of a shipped one.
    job : Job
        Open.

    Raises
    ------
    UsageError
        None was named and the job keeps none.
    """
    from acquisition.instruments import load_bench
    from acquisition.instruments.bench import parse_bench

    if name is not None:
        return load_bench(name)
    if not job.sheet.bench_text.strip():
        raise click.UsageError("the job keeps no bench file: name one with --bench")
    return parse_bench(job.sheet.bench_text, f"bench file kept in {job.path}")


def latest_pass(job: Job, name: str | None) -> str:
    """The pass to add to: the one named, else the last, else ``as-found``.

    Parameters
    ----------
    job : Job
        Open.
    name : str or None
        As asked for; need not be there yet.
    """
    names = job.passes()
    return name or (names[-1] if names else "as-found")
