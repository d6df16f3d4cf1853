"""The thread that ranks suspects while the worker goes on listening to the meter."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from acquisition.errors import AnalysisError, StoreError

if TYPE_CHECKING:
    from acquisition.records import Measurand
    from acquisition.store import Job
    from analysis.app.together import Stood
    from analysis.suspects import Diagnoser, Diagnosis

NOTHING_WEIGHED: dict[str, Any] = {
    "healthy_probability": None, "suspects": [], "next": [], "notes": [], "power_off": [],
}  # fmt: skip
"""The answer to no reading, in the shape the verb ``suspects`` prints."""


IDLE_S = 3.0
"""Without a reading for so long there is time to look what pulling a tube would tell: nobody waits for it then."""


class Thinker:
    """Ranks the newest readings; older questions that were not answered yet are dropped.

    Parameters
    ----------
    first : Stood
        What was read before, so that predictions are made before the first question: they take longer than a touch.
    measurands : sequence of Measurand
        All that the survey may read, so that predictions are made once.
    limit_v : float
        Lowest rating of lead and meter.
    tell : callable
        Takes each answer, in the shape the verb ``suspects`` prints and with what is ``asked`` and what is
        ``counted`` first, how many points it rests on (None where there is no answer), and whether it is settled:
        readings are answered at a glance first. Called from this thread.

    Attributes
    ----------
    settled : tuple of (Stood, Diagnosis), optional
        The ground of what was told last and the answer, once it has settled.
    """

    def __init__(
        self,
        first: Stood,
        measurands: Sequence[Measurand],
        limit_v: float,
        tell: Callable[[dict[str, Any], int | None, bool], None],
    ) -> None:
        self._tell = tell
        self._question: Stood | None = None
        self._told: tuple[dict[str, Any], int] | None = None
        self.settled: tuple[Stood, Diagnosis] | None = None
        self._wake = threading.Condition()
        self._ended = False
        self._ready_for, self._measurands, self._limit_v = first, tuple(measurands), limit_v
        self._diagnoser: Diagnoser | None = None
        self._trouble = ""
        self._thread = threading.Thread(target=self._run, name="suspects", daemon=True)
        self._thread.start()

    def ask(self, read: Stood) -> None:
        """Rank these; returns at once.

        Parameters
        ----------
        read : Stood
            All that was read so far; a part noted as changed in the middle of a pass counts from then on, and so
            does what is noted as out of circuit, or as in.
        """
        with self._wake:
            self._question = read
            self._wake.notify()

    def keep(self, job: Job, pass_name: str) -> None:
        """Keep the suspects in the job as they stood in the tabs, where they rest on all that was read.

        Parameters
        ----------
        job : Job
            Open for writing.
        pass_name : str
            The pass that was asked about.
        """
        from analysis.app.together import counted
        from analysis.app.told import SUSPECTS, as_record

        if self.settled is None:
            return
        read, found = self.settled
        basis = counted(job, job.read_pass(pass_name, captures=False)).basis
        if read.taken.basis == basis:
            with suppress(StoreError):  # whoever asks next works it out again
                job.keep_told(pass_name, as_record(SUSPECTS, basis, found))

    def end(self) -> None:
        """Finish; an answer in the making is dropped."""
        with self._wake:
            self._ended = True
            self._wake.notify()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        try:
            self._diagnoser = self._made(self._ready_for)
        except AnalysisError as error:
            self._trouble = str(error)
        while True:
            with self._wake:
                self._wake.wait_for(self._asked, IDLE_S if self._told is not None else None)
                if self._ended:
                    return
                question, self._question = self._question, None
            try:
                if question is not None:
                    self._answer(question)
                else:
                    self._look_further()
            except Exception as error:  # told, or the list would say for ever that it weighs the newest reading
                traceback.print_exc()
                self.settled = self._told = None
                words = f"The suspects cannot be worked out: {type(error).__name__}. Look at the terminal."
                self._tell({**NOTHING_WEIGHED, "notes": [words]}, None, True)

    def _asked(self) -> bool:
        return self._ended or self._question is not None

    def _made(self, read: Stood) -> Diagnoser:
        from analysis.inference.standings import tail_of, told_apart
        from analysis.suspects import Diagnoser

        tail = tail_of(read.model.chassis, read.now.chassis.pulled)
        wanted = dict.fromkeys([*(told_apart(m, tail) for m in self._measurands), *read.measurands])
        limits = (self._limit_v, None)
        return Diagnoser(
            read.model, tuple(wanted), read.known, *limits, dc_only=True, beside=read.beside, now=read.now
        )

    def _answer(self, read: Stood) -> None:
        """Tell what these readings come to, at a glance and then in full."""
        from acquisition.records import JUDGED_QUALITIES
        from analysis.app.verbs.suspects import as_json

        here = next(readings for model, readings in read.rounds if model is read.now)
        points = len({p for r in here if r.quality in JUDGED_QUALITIES for p in r.measurand.points})
        answer, found = {**NOTHING_WEIGHED, "notes": [self._trouble]}, None
        if self._diagnoser is not None:
            try:
                diagnoser = self._expecting(self._diagnoser, read)
                beside = {"asked": read.asked, "counted": list(read.told)}
                rough = diagnoser.glance(read.readings)
                if rough is not None and not self._ended:
                    self._tell({**as_json(rough), **beside}, points, False)
                found = diagnoser.diagnose(read.readings)
                answer = {**as_json(found), **beside}
            except AnalysisError as error:
                answer["notes"] = [str(error)]
        if not self._ended:
            self.settled = None if found is None else (read, found)
            self._told = answer, points
            self._tell(answer, points, True)

    def _look_further(self) -> None:
        """Add to the answer what pulling a tube would tell, where nobody has asked anything since."""
        from analysis.app.verbs.suspects import as_json, passes_of_their_own

        told, self._told = self._told, None
        if told is None or self.settled is None or self._diagnoser is None:
            return
        (answer, points), (read, found) = told, self.settled
        with suppress(AnalysisError):
            found = self._diagnoser.with_tube_out(found)
        if found.tube_out and not self._asked():
            self.settled = read, found
            plain = as_json(found)
            plain["tube_out"] = passes_of_their_own(read, plain["tube_out"])
            self._tell({**answer, **plain}, points, True)

    def _expecting(self, diagnoser: Diagnoser, read: Stood) -> Diagnoser:
        """The diagnoser, made once more where it has no predictions for a reading, or a part was changed since, or
        something went out of circuit or in."""
        ready = self._ready_for
        alike = ready.model is read.model and ready.beside == read.beside and ready.now is read.now
        if not alike or ready.known != read.known or not diagnoser.expects(read.measurands):
            self._diagnoser = diagnoser = self._made(read)
            self._ready_for = read
        return diagnoser
