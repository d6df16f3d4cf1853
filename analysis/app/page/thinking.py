"""The thread that ranks suspects while the worker goes on listening to the meter."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from acquisition.errors import AnalysisError, StoreError

if TYPE_CHECKING:
    from acquisition.records import Event, Measurand, Reading
    from acquisition.store import Job
    from analysis.chassis import ChassisModel
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
    model : ChassisModel
        The chassis, with the tubes that are in.
    measurands : sequence of Measurand
        All that the survey may read, so that predictions are made once.
    work : sequence of Event
        Done before, and the mains, from `analysis.app.passes.known_of`, for the first predictions.
    limit_v : float
        Lowest rating of lead and meter.
    tell : callable
        Takes each answer, in the shape the verb ``suspects`` prints and with what is ``asked`` first, how many
        points it rests on, and whether it is settled: readings are answered at a glance first. Called from this
        thread.

    Attributes
    ----------
    settled : tuple of (model, readings, work, Diagnosis), optional
        What was told last, its ground and the answer, once it has settled.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand],
        work: Sequence[Event],
        limit_v: float,
        tell: Callable[[dict[str, Any], int, bool], None],
    ) -> None:
        self._tell = tell
        self._question: tuple[ChassisModel, tuple[Reading, ...], tuple[Event, ...]] | None = None
        self._told: tuple[dict[str, Any], int] | None = None
        self._work = tuple(work)
        self.settled: tuple[ChassisModel, tuple[Reading, ...], tuple[Event, ...], Diagnosis] | None = None
        self._wake = threading.Condition()
        self._ended = False
        self._model, self._measurands, self._limit_v = model, tuple(measurands), limit_v
        self._diagnoser: Diagnoser | None = None
        self._trouble = ""
        self._thread = threading.Thread(target=self._run, name="suspects", daemon=True)
        self._thread.start()

    def ask(self, model: ChassisModel, readings: Sequence[Reading], work: Sequence[Event]) -> None:
        """Rank these; returns at once.

        Parameters
        ----------
        model : ChassisModel
            Another one from then on, where tubes are noted as out of their sockets, or as in.
        readings : sequence of Reading
            All readings of the pass so far.
        work : sequence of Event
            Done before, and the mains, from `analysis.app.passes.known_of`; a part noted as changed in the middle
            of a pass counts from then on.
        """
        with self._wake:
            self._question = model, tuple(readings), tuple(work)
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
        from analysis.app.passes import known_of
        from analysis.app.told import SUSPECTS, as_record, basis_of

        if self.settled is None:
            return
        model, *known, found = self.settled
        one = job.read_pass(pass_name)
        if model.chassis.pulled == one.pulled and tuple(known) == known_of(job, pass_name, model.chassis):
            basis = basis_of(job.sheet, [one], job.work_done(pass_name))
            with suppress(StoreError):  # whoever asks next works it out again
                job.keep_told(pass_name, as_record(SUSPECTS, basis, found))

    def end(self) -> None:
        """Finish; an answer in the making is dropped."""
        with self._wake:
            self._ended = True
            self._wake.notify()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        # Made before the first question: predictions of a whole chassis take longer than a touch.
        try:
            self._diagnoser = self._made(self._model, self._measurands, self._work)
        except AnalysisError as error:
            self._trouble = str(error)
        while True:
            with self._wake:
                self._wake.wait_for(self._asked, IDLE_S if self._told is not None else None)
                if self._ended:
                    return
                question, self._question = self._question, None
            if question is not None:
                self._answer(*question)
            else:
                self._look_further()

    def _asked(self) -> bool:
        return self._ended or self._question is not None

    def _made(self, model: ChassisModel, measurands: tuple[Measurand, ...], work: tuple[Event, ...]) -> Diagnoser:
        from analysis.suspects import Diagnoser

        return Diagnoser(model, measurands, work, self._limit_v, dc_only=True)

    def _answer(self, model: ChassisModel, readings: tuple[Reading, ...], work: tuple[Event, ...]) -> None:
        """Tell what these readings come to, at a glance and then in full."""
        from acquisition.records import JUDGED_QUALITIES
        from analysis.app.passes import asked_of
        from analysis.app.verbs.suspects import as_json

        points = len({p for r in readings if r.quality in JUDGED_QUALITIES for p in r.measurand.points})
        answer, found = {**NOTHING_WEIGHED, "notes": [self._trouble]}, None
        if self._diagnoser is not None:
            try:
                diagnoser = self._expecting(self._diagnoser, model, readings, work)
                asked = asked_of(model, readings, work)
                rough = diagnoser.glance(readings)
                if rough is not None and not self._ended:
                    self._tell({**as_json(rough), "asked": asked}, points, False)
                found = diagnoser.diagnose(readings)
                answer = {**as_json(found), "asked": asked}
            except AnalysisError as error:
                answer["notes"] = [str(error)]
        if not self._ended:
            self.settled = None if found is None else (model, readings, work, found)
            self._told = answer, points
            self._tell(answer, points, True)

    def _look_further(self) -> None:
        """Add to the answer what pulling a tube would tell, where nobody has asked anything since."""
        from analysis.app.verbs.suspects import as_json

        told, self._told = self._told, None
        if told is None or self.settled is None or self._diagnoser is None:
            return
        (answer, points), (model, readings, work, found) = told, self.settled
        with suppress(AnalysisError):
            found = self._diagnoser.with_tube_out(found)
        if found.tube_out and not self._asked():
            self.settled = model, readings, work, found
            self._tell({**answer, **as_json(found)}, points, True)

    def _expecting(
        self,
        diagnoser: Diagnoser,
        model: ChassisModel,
        readings: tuple[Reading, ...],
        work: tuple[Event, ...],
    ) -> Diagnoser:
        """The diagnoser, made once more where it has no predictions for a reading, or a part was changed since, or
        a tube went in or out."""
        from analysis.app.passes import reached

        read = [reading.measurand for reading in reached(model, readings)]
        if model is not self._model or work != self._work or not diagnoser.expects(read):
            measurands = tuple(dict.fromkeys([*self._measurands, *read]))
            diagnoser = self._made(model, measurands, work)
            self._diagnoser, self._model, self._measurands, self._work = diagnoser, model, measurands, work
        return diagnoser
