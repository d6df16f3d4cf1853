"""The thread that ranks suspects while the worker goes on listening to the meter."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from acquisition.errors import AnalysisError

if TYPE_CHECKING:
    from acquisition.records import Event, Measurand, Reading
    from analysis.chassis import ChassisModel

NOTHING_WEIGHED: dict[str, Any] = {
    "healthy_probability": None, "suspects": [], "next": [], "notes": [], "power_off": [],
}  # fmt: skip
"""The answer to no reading, in the shape the verb ``suspects`` prints."""


class Thinker:
    """Ranks the newest readings; older questions that were not answered yet are dropped.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        All that the survey may read, so that predictions are made once.
    events : sequence of Event
        Parts measured with power off.
    limit_v : float
        Lowest rating of lead and meter.
    tell : callable
        Takes each answer, in the shape the verb ``suspects`` prints, how many points it rests on, and whether it is
        settled: readings are answered at a glance first. Called from this thread.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand],
        events: Sequence[Event],
        limit_v: float,
        tell: Callable[[dict[str, Any], int, bool], None],
    ) -> None:
        self._tell = tell
        self._question: tuple[Reading, ...] | None = None
        self._wake = threading.Condition()
        self._ended = False
        self._make = (model, tuple(measurands), tuple(events), limit_v)
        self._thread = threading.Thread(target=self._run, name="suspects", daemon=True)
        self._thread.start()

    def ask(self, readings: Sequence[Reading]) -> None:
        """Rank these; returns at once.

        Parameters
        ----------
        readings : sequence of Reading
            All readings of the pass so far.
        """
        with self._wake:
            self._question = tuple(readings)
            self._wake.notify()

    def end(self) -> None:
        """Finish; an answer in the making is dropped."""
        with self._wake:
            self._ended = True
            self._wake.notify()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        from analysis.app.verbs.suspects import as_json
        from analysis.suspects import Diagnoser

        model, measurands, events, limit_v = self._make
        # Made before the first question: predictions of a whole chassis take longer than a touch.
        diagnoser, trouble = None, ""
        try:
            diagnoser = Diagnoser(model, measurands, events, limit_v, dc_only=True)
        except AnalysisError as error:
            trouble = str(error)
        while True:
            with self._wake:
                while self._question is None and not self._ended:
                    self._wake.wait()
                if self._ended:
                    return
                readings, self._question = self._question, None
            points = len({r.point for r in readings or ()})
            answer = {**NOTHING_WEIGHED, "notes": [trouble]}
            if diagnoser is not None:
                try:
                    rough = diagnoser.glance(readings or ())
                    if rough is not None and not self._ended:
                        self._tell(as_json(rough), points, False)
                    answer = as_json(diagnoser.diagnose(readings or ()))
                except AnalysisError as error:
                    answer["notes"] = [str(error)]
            if not self._ended:
                self._tell(answer, points, True)
