"""Passes of an open job held in memory: a page asks for all of them at every reading, and one has changed."""

from __future__ import annotations

from ..errors import StoreError
from ..records import WORK, Event, JobSheet, Pass
from .job import Job


class KeptPasses:
    """Passes without their waveforms, each read again once something of it has changed, by whatever program.

    Parameters
    ----------
    job : Job
        Open.
    """

    def __init__(self, job: Job) -> None:
        self._job = job
        self._kept: dict[str, tuple[tuple[int | None, ...], Pass]] = {}
        self.renew()

    def renew(self) -> None:
        """Look what has changed, and read that; all answers are of this moment.

        Raises
        ------
        StoreError
            The file cannot be read, or a row of a pass is damaged.
        """
        kept = {}
        for name, state in self._job.states().items():
            before = self._kept.get(name)
            unchanged = before is not None and before[0] == state
            kept[name] = before if unchanged and before else (state, self._job.read_pass(name, captures=False))
        self._kept = kept

    @property
    def path(self) -> str:
        """The job file or the URL of its database."""
        return self._job.path

    @property
    def sheet(self) -> JobSheet:
        """As `Job.sheet`, read anew."""
        return self._job.sheet

    def passes(self) -> tuple[str, ...]:
        """As `Job.passes`."""
        return tuple(self._kept)

    def read_pass(self, name: str, *, captures: bool = False) -> Pass:
        """As `Job.read_pass`.

        Parameters
        ----------
        name : str
            A pass of the job.
        captures : bool
            Not held: ask the job for them.

        Raises
        ------
        StoreError
            There is no such pass.
        """
        if captures:
            return self._job.read_pass(name)
        if name not in self._kept:
            raise StoreError(f"{self.path}: no pass called {name!r}")
        return self._kept[name][1]

    def work_done(self, pass_name: str) -> tuple[Event, ...]:
        """As `Job.work_done`.

        Parameters
        ----------
        pass_name : str
            A pass of the job.
        """
        names = self.passes()
        until = names[: names.index(pass_name) + 1]
        return tuple(event for name in until for event in self.read_pass(name).events if event.kind in WORK)
