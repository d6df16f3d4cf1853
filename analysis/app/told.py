"""Answers as they stood: what was told of a pass is kept in the job, and a report shows that.

A later version of the program may weigh the same readings otherwise; the record shows what the person at the bench
was told. It is worked out anew only where readings, parts or drawing have changed since.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeVar

from acquisition.records import WORK

if TYPE_CHECKING:
    from acquisition.records import Event, JobSheet, Pass, Told
    from acquisition.store import Job

T = TypeVar("T")

SUSPECTS = "suspects"


def basis_of(sheet: JobSheet, passes: Iterable[Pass], work: Iterable[Event]) -> str:
    """Digest of all that an answer is worked out from.

    Parameters
    ----------
    sheet : JobSheet
        For the chassis and bench file.
    passes : iterable of Pass
        Their readings, mains, tubes out and work; captures and other events are not looked at.
    work : iterable of Event
        Done up to the end of the passes, from `Job.work_done`.
    """
    # The work of each round stands in `work` too: answers kept by earlier versions have a digest of this shape.
    rounds = [
        (
            one.name,
            one.mains_v,
            one.readings,
            tuple(event for event in one.events if event.kind in WORK),
            *one.pulled,
        )
        for one in passes
    ]
    whole = (sheet.chassis_text, sheet.bench_text, rounds, tuple(work))
    return hashlib.sha256(repr(whole).encode()).hexdigest()


def recall(job: Job, pass_name: str, question: str, basis: str, kind: Any) -> tuple[Any, Told] | None:
    """The answer that was told last, where it still stands on the same basis.

    Parameters
    ----------
    job : Job
        The open job.
    pass_name : str
        Pass.
    question : str
        What was asked.
    basis : str
        From `basis_of`.
    kind : type
        Of the answer, made of dataclasses.

    Returns
    -------
    tuple of (kind, Told) or None
        None where nothing was told, or something else was asked then, or the answer has another form today.
    """
    from pydantic import TypeAdapter, ValidationError

    from acquisition.errors import StoreError

    try:
        told = job.told(pass_name, question)
    except StoreError:  # damaged, or a database that is still of an earlier version
        return None
    if told is None or told.basis != basis:
        return None
    try:
        return TypeAdapter(kind).validate_python(json.loads(told.body)), told
    except (ValidationError, ValueError):
        return None


def remember(path: str, pass_name: str, question: str, basis: str, answer: Any) -> Told | None:
    """Keep an answer in the job as it was told.

    Parameters
    ----------
    path : str
        Job file or URL.
    pass_name : str
        Pass.
    question : str
        What was asked.
    basis : str
        From `basis_of`.
    answer : dataclass or tuple of dataclasses
        The answer.

    Returns
    -------
    Told or None
        As kept; None where the job cannot be written: then the next who asks works it out again.
    """
    from acquisition.errors import StoreError
    from acquisition.store import open_job

    try:
        with open_job(path) as job:
            return job.keep_told(pass_name, as_record(question, basis, answer))
    except StoreError:
        return None


def as_record(question: str, basis: str, answer: Any) -> Told:
    """An answer in the form a job keeps.

    Parameters
    ----------
    question, basis, answer
        As `remember`.
    """
    from importlib import metadata

    from acquisition.records import Told

    plain = [asdict(one) for one in answer] if isinstance(answer, tuple) else asdict(answer)
    program = f"stagewalk {metadata.version('stagewalk')}"
    return Told(question=question, basis=basis, body=json.dumps(plain), program=program)


def as_told(
    job: Job, pass_name: str, question: str, basis: str, kind: Any, work: Callable[[], T], fresh: bool = False
) -> tuple[T, Told | None]:
    """The answer as it was told, or else worked out now and kept.

    Parameters
    ----------
    job : Job
        The open job; a damaged one is left as it is.
    pass_name, question, basis, kind
        As `recall`.
    work : callable
        Works the answer out.
    fresh : bool
        Work it out whatever was told.
    """
    found = None if fresh else recall(job, pass_name, question, basis, kind)
    if found is not None:
        return found
    answer = work()
    return answer, None if job.damage else remember(str(job.path), pass_name, question, basis, answer)
