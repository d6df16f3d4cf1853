"""The watch on the page: what the point did, and its course as it goes."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from acquisition.probing import Action, ActionKind, Phase
from acquisition.probing.wording import volts
from analysis.app.watching import WatchChoice

from . import showing
from .hub import Hub

if TYPE_CHECKING:
    from acquisition.records import Stretch
    from acquisition.watching import Watching
    from analysis.chassis import Chassis

MOST_TOLD = 12
"""Lines of what happened that stand on the page; all are in the job."""

MOST_COLUMNS = 240
"""The course is shown in so many columns; where it gets longer, each holds twice the time."""


def to_watch(body: Mapping[str, Any], mains_v: float | None) -> WatchChoice | None:
    """Read what the start form says of a watch; None where a survey is to begin.

    Parameters
    ----------
    body : mapping
        From the page; under ``watch`` its point, minutes and limits.
    mains_v : float, optional
        Mains now.

    Raises
    ------
    UsageError
        Something in it is no number, or no point is named.
    """
    asked = body.get("watch")
    if not isinstance(asked, Mapping):
        return None
    point = str(asked.get("point") or "").strip()
    if not point:
        raise click.UsageError("Name the point to be watched, such as V3.8.")
    minutes = _number(asked, "minutes", "minutes")
    if minutes is not None and minutes <= 0:
        raise click.UsageError(f"Expected minutes above zero, got {minutes:g}.")
    limits = (_number(asked, name, f"volts to ring {name}") for name in ("above", "below"))
    above_v, below_v = limits
    return WatchChoice(point=point, minutes=minutes, above_v=above_v, below_v=below_v, mains_v=mains_v)


def _number(asked: Mapping[str, Any], name: str, what: str) -> float | None:
    words = str(asked.get(name) or "").strip()
    if not words:
        return None
    try:
        value = float(words.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise click.UsageError(f"Expected {what} as a number, got {words!r}.")
    return value


class CoursePanel:
    """Panels ``step`` and ``course`` while a point is watched.

    Parameters
    ----------
    hub : Hub
        Where they are shown.
    """

    def __init__(self, hub: Hub) -> None:
        self.hub = hub
        self._told: deque[str] = deque(maxlen=MOST_TOLD)
        self._columns: list[tuple[float, float, float, float]] = []
        self._each, self._in_last = 1, 0  # stretches a column holds, and how many the last one has
        self._step: dict[str, Any] = {}
        self._hazard = ""
        self._machine: Watching | None = None

    def begin(self, machine: Watching, chassis: Chassis) -> None:
        """Make room for a watch.

        Parameters
        ----------
        machine : Watching
            Not yet started.
        chassis : Chassis
            For place and pin.
        """
        self._told.clear()
        self._columns.clear()
        self._each, self._in_last = 1, 0
        step = machine.steps[0]
        self._machine = machine
        self._step = {**showing.step_panel(step, machine, chassis), "count": "One point watched", "watching": True}
        self._hazard = self._step["hazard"]
        self._publish_course()

    def stretch(self, stretch: Stretch) -> None:
        """Add a second to the course, once it is kept.

        Parameters
        ----------
        stretch : Stretch
            The second.
        """
        if self._columns and self._in_last < self._each:
            _, low, mean, high = self._columns[-1]
            mean = (mean * self._in_last + stretch.mean_v) / (self._in_last + 1)
            low, high = min(low, stretch.lowest_v), max(high, stretch.highest_v)
            self._columns[-1] = (stretch.end_s / 60.0, low, mean, high)
            self._in_last += 1
        else:
            self._columns.append((stretch.end_s / 60.0, stretch.lowest_v, stretch.mean_v, stretch.highest_v))
            self._in_last = 1
        if len(self._columns) > MOST_COLUMNS:
            *full, newest = self._columns
            pairs = zip(full[::2], full[1::2], strict=True)
            self._columns = [(b[0], min(a[1], b[1]), 0.5 * (a[2] + b[2]), max(a[3], b[3])) for a, b in pairs]
            self._columns.append(newest)
            self._each *= 2
        self._publish_course()
        if self._machine is not None and not self._machine.has_warned and self._step["hazard"] != self._hazard:
            self._step = {**self._step, "hazard": self._hazard}  # what was beyond a limit is back
            self.publish()

    def show(self, action: Action, machine: Watching) -> None:
        """Take one action of the watch in.

        Parameters
        ----------
        action : Action
            What is said, asked or told.
        machine : Watching
            The watch.
        """
        self._step = {**self._step, "marks": machine.phase is Phase.WATCHING}
        if action.kind is ActionKind.SHOW and action.step is not None:
            self._step = {**self._step, "hazard": self._hazard}  # the cautions before it were for everything
            self.hub.cue("prompt", text=showing.spoken_step(action.step))
            return
        is_under_way = machine.phase in (Phase.WATCHING, Phase.DONE)
        if is_under_way and action.kind in (ActionKind.NEWS, ActionKind.TAKEN, ActionKind.CAUTION):
            self._told.appendleft(action.text)
            self._publish_course()
        if action.kind is ActionKind.CAUTION:
            self._step = {**self._step, "hazard": action.text}
            self.hub.cue("alarm", text=action.text)
        elif action.kind is ActionKind.DONE:
            self._step = {
                **self._step,
                **showing.NO_POINT,
                "title": "Watch over",
                "prompt": action.text,
                "over": True,
            }
            self.hub.cue("taken", text=action.text)
            self.hub.cue("records")
        else:
            self._step = {**self._step, "prompt": action.text}
            if action.kind is ActionKind.ASK and not machine.has_warned:
                self._step = {**self._step, "hazard": self._hazard}  # what kept it from going on is over
            news = action.kind in (ActionKind.NEWS, ActionKind.TAKEN)
            self.hub.cue("off-band" if news else "say", text=action.text)

    def publish(self) -> None:
        """Show the point as the actions so far left it."""
        self.hub.publish("step", self._step)

    def _publish_course(self) -> None:
        rows = [[round(number, 5) for number in column] for column in self._columns]
        last = volts(self._columns[-1][2]) if self._columns else ""
        self.hub.publish("course", {"told": list(self._told), "columns": rows, "last": last})
