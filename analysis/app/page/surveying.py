"""The survey on the page: the point in hand, and the list of what was taken, from the actions of the survey."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from acquisition.probing import Action, ActionKind, Phase, Probing

from . import showing
from .hub import Hub

if TYPE_CHECKING:
    from acquisition.records import Reading, SurveyStep
    from analysis.chassis import Chassis


class SurveyPanel:
    """What the page shows of a survey, and what it lets be heard.

    Parameters
    ----------
    hub : Hub
        Shows the panels ``step`` and ``taken``.
    """

    def __init__(self, hub: Hub) -> None:
        self.hub = hub
        self._rows: dict[str, dict[str, Any]] = {}
        self._step: dict[str, Any] = {"running": False}
        self._ended: tuple[str, bool] = ("", False)

    def clear(self) -> None:
        """Forget what was taken: another pass is in hand."""
        self._rows.clear()
        self._step, self._ended = {"running": False}, ("", False)
        self.publish()
        self._publish_taken()

    def publish(self) -> None:
        """Show the point in hand as the actions so far left it."""
        self.hub.publish("step", self._step)

    def begin(self) -> None:
        """Make room for the first point of a survey."""
        self._step = {"running": True, "title": "Get ready", "prompt": ""}

    def keep(self, readings: Iterable[Reading], steps: Sequence[SurveyStep] = ()) -> None:
        """List what was read before, against the bands that hold from now on.

        Parameters
        ----------
        readings : iterable of Reading
            Of the pass so far.
        steps : sequence of SurveyStep
            Points of the survey, with their bands.
        """
        by_point = {step.point: step for step in steps}
        for reading in readings:
            self._rows[reading.point] = showing.taken_row(reading, by_point.get(reading.point))
        self._publish_taken()

    def rejudge(self, readings: Sequence[Reading], machine: Probing, chassis: Chassis) -> None:
        """Judge what was read once more, by the bands that hold from now on; shown by `publish`.

        Parameters
        ----------
        readings : sequence of Reading
            Of the pass so far.
        machine : Probing
            The survey, with its new bands.
        chassis : Chassis
            For places and pins.
        """
        from acquisition.probing.wording import verdict_of

        self.keep(readings, machine.steps)
        step = machine.step
        if self._step.get("over"):
            self._end(*self._ended)
        elif machine.phase is Phase.LIFT and step is not None:
            reading = next(one for one in reversed(readings) if one.point == step.point)
            prompt = {"prompt": self._step.get("prompt", "")}
            self._step = {**showing.step_panel(step, machine, chassis), **prompt}
            self._judged(step, reading, verdict_of(step, reading))

    def show(self, action: Action, machine: Probing, chassis: Chassis) -> None:
        """Take one action in; the point in hand is shown by `publish`, once all that belong together are in.

        Parameters
        ----------
        action : Action
            Of the survey.
        machine : Probing
            The survey.
        chassis : Chassis
            For places and pins.
        """
        if action.kind is ActionKind.SHOW and action.step is not None:
            self._step = {**showing.step_panel(action.step, machine, chassis), "prompt": ""}
            self.hub.cue("prompt", text=showing.spoken_step(action.step))
        elif action.kind is ActionKind.TAKEN and action.reading is not None:
            self._taken(action)
        elif action.kind is ActionKind.CAUTION:
            self._step = {**self._step, "hazard": action.text}
            self.hub.cue("alarm", text=action.text)
        elif action.kind is ActionKind.DONE:
            self._end(action.text, any(step.point not in self._rows for step in machine.steps))
            self.hub.cue("taken", text=action.text)
        else:
            self._step = {**self._step, "prompt": action.text}
            kind, words = ("lift", "lift") if action.text == "Lift." else ("say", action.text)
            self.hub.cue(kind, text=words)

    def _end(self, words: str, left: bool) -> None:
        self._ended = (words, left)
        self._step = showing.over_panel(self._step, words, self._rows.values(), left=left)

    def _taken(self, action: Action) -> None:
        reading, step = action.reading, action.step
        if reading is None or step is None:
            return
        self._rows.pop(reading.point, None)
        self._rows[reading.point] = showing.taken_row(reading, step)
        self._publish_taken()
        self._judged(step, reading, action.verdict)
        self.hub.cue("off-band" if action.verdict in ("low", "high") else "taken", text=action.text)
        self.hub.cue("records")

    def _judged(self, step: SurveyStep, reading: Reading, verdict: str) -> None:
        if verdict:
            words = showing.verdict_words(verdict, step, reading)
            self._step = {**self._step, "verdict": verdict, "verdict_words": words}

    def _publish_taken(self) -> None:
        self.hub.publish("taken", {"readings": list(reversed(self._rows.values()))})
