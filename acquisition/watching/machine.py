"""`Watching`: clip on, hands away, switch on, and tell what the point does."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from ..errors import StoreError
from ..probing import Action, ActionKind, Do, Key, Phase, ProbingLimits
from ..probing.gates import PREPARE, Gate, Gates, gates_for
from ..probing.limits import looked_at
from ..probing.overload import Overload
from ..probing.wording import CAUTIONS, conditions, fits_elsewhere, said_of, spoken, verdict_of, volts
from ..records import STANDS, Event, Reading, Stretch, SurveyStep
from ..steady import Sample
from .course import Course, CourseEvent, CourseKind, Piece
from .options import Keeper, WatchOptions
from .wording import course_text, minutes, progress_text

BEGIN = Gate(Do.POWER_ON, "Hands away. Space first, then switch on: it is watched from that moment.", power="on")
LOOK_EVERY_S = 5.0
"""How often it is asked what the value means for the ratings of the tube, in seconds."""

AWAKE_S = 60.0
"""Tubes take so long to pass current: what stands near nothing before is not told as rest (common practice)."""

NEARLY_NOTHING = 0.05
"""Share of what is expected that counts as nothing yet."""

BACK_SHARE = 0.01
"""Share of a limit by which a value has to be inside it again before it can ring anew."""

MEANT_S = 30.0
"""A verdict has to be another one for so long before that is told: a value at the edge of its band sways."""

TOLD_AT_MIN = (1, 2, 3, 5)
"""Minutes after which the value is told; then every fifth."""


class Watching:
    """Guide somebody through the watch of one point.

    Parameters
    ----------
    step : SurveyStep
        The point.
    limits : ProbingLimits
        Ratings; the point must not be refused by them.
    course : Course
        New.
    keeper : Keeper
        Puts on disk what is found, before it is announced.
    std_of : callable
        Standard uncertainty of a sample by the meter's specification, in volts.
    utc : callable
        Gives the time as ISO 8601 text.
    options : WatchOptions
        What the person chose.
    look : callable, optional
        Takes the volts now; gives what they say against ratings, one sentence each.
    """

    def __init__(
        self,
        step: SurveyStep,
        limits: ProbingLimits,
        course: Course,
        keeper: Keeper,
        std_of: Callable[[Sample], float],
        utc: Callable[[], str],
        options: WatchOptions,
        look: Callable[[float], Sequence[str]] | None = None,
    ) -> None:
        self.step: SurveyStep | None = step
        self.steps, self.index = (step,), 0
        self.phase = Phase.ASKING
        self.not_kept: StoreError | None = None
        self._point, self._limits, self._course, self._options = step, limits, course, options
        self._keeper, self._std_of, self._utc, self._look = keeper, std_of, utc, look
        self._gates = Gates()
        self._overload = Overload()
        self._live: Sample | None = None
        self._begun_s, self._begun_utc = math.nan, ""
        self._waiting: list[Callable[[], None]] = []
        self._warned: dict[str, float] = {}  # what is beyond, and when that was seen last
        self._has_come_up = False
        self._looked_s = -math.inf
        self._lines = 0
        self._marks = self._departures = 0
        self._lowest_v, self._highest_v = math.inf, -math.inf
        self._verdict, self._rest_told = "", False
        self._other_from_s = math.inf
        self._settled: Reading | None = None

    @property
    def has_warned(self) -> bool:
        """Something is beyond a rating or a limit now, and was told."""
        return bool(self._warned)

    @property
    def is_at_rest(self) -> bool:
        """It is watched, and the value stands."""
        return self.phase is Phase.WATCHING and not math.isnan(self._course.rest_v)

    @property
    def doing(self) -> str:
        """What the value does, in a word or two, for the live line."""
        if self.phase is not Phase.WATCHING:
            return ""
        state = "moving" if not self.is_at_rest else "settled" if self._settled else "at rest"
        return f"{state}, {self._clock()}"

    # -- input -----------------------------------------------------------------------------------------------

    def start(self) -> list[Action]:
        """Begin: cautions, the point, then what has to be confirmed."""
        clip_on = gates_for(self._point, clip_on=True, power="off", clip="")[:-1]
        self._gates.put([PREPARE, *clip_on, BEGIN])
        cautions = [Action(kind=ActionKind.CAUTION, text=text) for text in CAUTIONS]
        show = Action(kind=ActionKind.SHOW, text=spoken(self._point), step=self._point)
        return [*cautions, show, *self._open_gate()]

    def sample(self, sample: Sample) -> list[Action]:
        """Take one sample of the meter.

        Parameters
        ----------
        sample : Sample
            In order of time.
        """
        self._live = sample
        self._overload.see(sample)
        if self.phase is Phase.DONE:
            return self._keep_what_waits() if self._waiting else []
        if self.phase is not Phase.WATCHING:
            return self._beyond_what_is_rated(sample)  # a tip looks for remaining volts
        self._begin(sample)
        actions: list[Action] = []
        pieces, events = self._course.feed(sample)
        for piece in pieces:
            actions += self._keep_piece(piece)
        if sample.is_reading:
            self._lowest_v = min(self._lowest_v, sample.value_v)
            self._highest_v = max(self._highest_v, sample.value_v)
        actions += self._against_limits(sample)
        for event in events:
            actions += self._happened(event)
        if pieces:
            actions += self._at_rest_or_not() + self._against_ratings(pieces[-1])
            actions += self._told_now_and_then()
        if sample.t_s - self._begun_s >= self._options.watch_s:
            actions += self._finish()
        return actions

    def key(self, key: Key) -> list[Action]:
        """Take one key.

        Parameters
        ----------
        key : Key
            ``space`` confirms, and sets a mark; ``q`` ends.
        """
        if self.phase is Phase.DONE:
            return []
        if key is Key.QUIT:
            return self._finish()
        if key is not Key.SPACE:
            return []
        if self.phase is Phase.WATCHING:
            return self._mark()
        if self.phase is Phase.VERIFYING:
            return self._verify()
        return self._pass_gate()

    def _begin(self, sample: Sample) -> None:
        if math.isnan(self._begun_s):
            self._begun_s, self._begun_utc = sample.t_s, self._utc()

    # -- gates -----------------------------------------------------------------------------------------------

    def _open_gate(self) -> list[Action]:
        gate = self._gates.first
        if gate is None:
            self.phase = Phase.WATCHING
            if self._live is not None:
                self._begin(self._live)
            text = "Watching. Hands stay away. Space sets a mark, q ends."
            return [Action(kind=ActionKind.SAY, text=text, do=Do.HANDS_AWAY, step=self._point)]
        self.phase = gate.phase
        if self.phase is Phase.VERIFYING:
            self._live = None  # only what is read from now on counts
        return [gate.ask(self._point)]

    def _pass_gate(self) -> list[Action]:
        self._gates.confirm(None if self._live is None else self._live.t_s)
        return self._open_gate()

    def _verify(self) -> list[Action]:
        told, is_low = looked_at(self._live, self._point)
        return [told, *(self._pass_gate() if is_low else [])]

    # -- what is kept ----------------------------------------------------------------------------------------

    def _keep(self, write: Callable[[], None]) -> list[Action]:
        """Put something on disk, behind what waits; what a full disk does not take waits too, in order."""
        self._waiting.append(write)
        return self._keep_what_waits()

    def _keep_what_waits(self) -> list[Action]:
        try:
            while self._waiting:
                self._waiting[0]()
                del self._waiting[0]
        except StoreError as error:
            first = self.not_kept is None
            self.not_kept = error
            text = f"NOT kept: {error} ({error.hint}). The watch goes on, and keeps it as soon as that is possible."
            return [Action(kind=ActionKind.CAUTION, text=text, step=self._point)] if first else []
        if self.not_kept is None:
            return []
        self.not_kept = None
        return [Action(kind=ActionKind.SAY, text="Kept again, with all that waited.", step=self._point)]

    def _keep_piece(self, piece: Piece) -> list[Action]:
        stretch = Stretch(
            point=self._point.point,
            begun_utc=self._begun_utc,
            end_s=piece.end_s - self._begun_s,
            span_s=piece.end_s - piece.start_s,
            mean_v=piece.mean_v,
            lowest_v=piece.lowest_v,
            highest_v=piece.highest_v,
            samples=piece.samples,
        )
        return self._keep(lambda: self._keeper.stretch(stretch))

    def _tell(self, kind: ActionKind, words: str, value_v: float, *, t_s: float | None = None) -> list[Action]:
        """Keep what happened, then tell it."""
        said = Action(kind=kind, text=f"{self._clock(t_s)} {self._point.point} {words}.", step=self._point)
        return [*self._note(words, value_v, t_s), said]

    def _note(self, words: str, value_v: float, t_s: float | None = None) -> list[Action]:
        event = Event(
            kind="watched",
            subject=self._point.point,
            value=value_v if math.isfinite(value_v) else None,
            text=f"{self._clock(t_s)} {words}",
            taken_utc=self._utc(),
        )
        return self._keep(lambda: self._keeper.event(event))

    # -- what is told ----------------------------------------------------------------------------------------

    @property
    def _now_s(self) -> float:
        return self._live.t_s if self._live is not None else self._begun_s

    def _clock(self, t_s: float | None = None) -> str:
        since_s = (self._now_s if t_s is None else t_s) - self._begun_s
        return minutes(since_s if math.isfinite(since_s) else 0.0)

    def _mark(self) -> list[Action]:
        if math.isnan(self._begun_s):
            return []
        self._marks += 1
        live = self._live
        value_v = live.value_v if live is not None and live.is_reading else math.nan
        at = f" at {volts(value_v)}" if math.isfinite(value_v) else ""
        return self._tell(ActionKind.NEWS, f"mark {self._marks}{at}", value_v)

    def _happened(self, event: CourseEvent) -> list[Action]:
        if event.kind is CourseKind.SETTLED:
            return self._take(event)
        if event.kind is CourseKind.RESTS:
            return []  # told with its verdict, and not while the tubes are cold
        if event.kind in (CourseKind.LEFT, CourseKind.DIPPED, CourseKind.MOVED):
            if not self._rest_told:
                return []
            self._departures += event.kind is CourseKind.LEFT
            if event.kind is CourseKind.MOVED:
                self._rest_told, self._verdict = False, ""
        if event.kind is CourseKind.SILENT:
            self._rest_told, self._verdict = False, ""
        return self._tell(ActionKind.NEWS, course_text(event), event.value_v, t_s=event.t_s)

    def _at_rest_or_not(self) -> list[Action]:
        """Tell where the value stands when it comes to rest, and whenever that begins to mean something else."""
        rest_v, last = self._course.rest_v, self._course.last
        if math.isnan(rest_v) or last is None:
            return []
        expected_v = abs(self._point.expected_v or 0.0)
        is_nothing = abs(rest_v) <= max(NEARLY_NOTHING * expected_v, 0.05)
        if is_nothing and not self._rest_told and self._now_s - self._begun_s < AWAKE_S:
            return []
        reading = self._reading(rest_v, last)
        verdict = verdict_of(self._point, reading)
        if verdict == self._verdict:
            self._other_from_s = math.inf
        self._other_from_s = min(self._other_from_s, self._now_s)
        if self._rest_told and (verdict == self._verdict or self._now_s - self._other_from_s < MEANT_S):
            return []
        self._rest_told, self._verdict = True, verdict
        said = said_of(self._point, reading)
        return self._tell(ActionKind.NEWS, f"{STANDS} {volts(rest_v)}" + (f", {said}" if said else ""), rest_v)

    def _take(self, event: CourseEvent) -> list[Action]:
        last = self._course.last
        if last is None or not self._rest_told:
            self._course.look_again()  # tubes are cold, and what they pass then is nothing that settles
            return []
        reading = self._reading(event.value_v, last)
        if other := fits_elsewhere(self._point, reading):
            text = f"has come to {volts(event.value_v)}, which would fit {other}: wrong pin? Not kept as a reading"
            return self._tell(ActionKind.NEWS, text, event.value_v)
        if self._settled is not None:
            return self._tell(ActionKind.NEWS, f"settled again, at {volts(event.value_v)}", event.value_v)
        self._settled = reading
        said = said_of(self._point, reading)
        actions = self._note(course_text(event), event.value_v)
        actions += self._keep(lambda: self._keeper.reading(reading))
        words = f"{self._clock()} {reading.point} {volts(reading.value)}, settled" + (f", {said}" if said else "")
        if self.not_kept is not None:
            words += " (NOT kept yet)"
        return [
            *actions,
            Action(kind=ActionKind.TAKEN, text=words, step=self._point, reading=reading,
                   verdict=verdict_of(self._point, reading)),
        ]  # fmt: skip

    def _reading(self, value_v: float, last: Sample) -> Reading:
        return Reading(
            point=self._point.point,
            quantity="dc_v",
            value=value_v,
            std=self._std_of(last),
            taken_utc=self._utc(),
            instrument=self._options.instrument,
            range_v=last.range_v if math.isfinite(last.range_v) else None,
            quality="good",
            note=f"{conditions(self._options.mains_v, self._minutes_on, 0.0)}, watched until it settled".strip(
                ", "
            ),
        )

    @property
    def _minutes_on(self) -> float:
        return (self._now_s - self._begun_s) / 60.0

    def _beyond_what_is_rated(self, sample: Sample) -> list[Action]:
        """What is above the rating of lead or meter."""
        text = self._limits.stop(sample, held=False, lasting=self._overload.lasts)
        return self._warn({"rating": text}, sample.value_v, back_after_s=MEANT_S)

    def _against_limits(self, sample: Sample) -> list[Action]:
        """What is above the ratings in use, or beyond the person's own limits, once until it is back."""
        actions, found = self._beyond_what_is_rated(sample), {}
        if sample.is_reading:
            value_v = sample.value_v
            above_v, below_v = self._options.above_v, self._options.below_v
            self._has_come_up |= below_v <= value_v <= above_v or sample.t_s - self._begun_s > AWAKE_S
            for name, limit_v, sign in (("above", above_v, 1.0), ("below", below_v, -1.0)):
                # Where nothing is beyond the limit too, the way up from there is not.
                if not math.isfinite(limit_v) or (not self._has_come_up and sign * limit_v < 0.0):
                    continue
                # A value that sways at the limit rings once: it is back when it is clearly back.
                back_v = BACK_SHARE * abs(limit_v) if name in self._warned else 0.0
                words = f"{volts(value_v)} is {name} {volts(limit_v)}, the limit that was set"
                found[name] = words if sign * (value_v - limit_v) > -back_v else ""
        return [*actions, *self._warn(found, sample.value_v)]

    def _against_ratings(self, piece: Piece) -> list[Action]:
        if self._look is None or piece.end_s - self._looked_s < LOOK_EVERY_S:
            return []
        # A tube that runs away comes to no rest; only what rises while tubes warm up says nothing of them yet.
        if math.isnan(self._course.rest_v) and piece.end_s - self._begun_s < AWAKE_S:
            return []
        self._looked_s = piece.end_s
        told = self._look(piece.mean_v)
        return self._warn({"tube": " ".join(told)}, piece.mean_v, back_after_s=MEANT_S)

    def _warn(self, found: dict[str, str], value_v: float, *, back_after_s: float = 0.0) -> list[Action]:
        """Tell what is beyond, once until it has been back for so long."""
        actions: list[Action] = []
        for what, text in found.items():
            seen_s = self._warned.get(what)
            if text:
                self._warned[what] = self._now_s
                if seen_s is None:
                    actions += self._tell(ActionKind.CAUTION, text.rstrip("."), value_v)
            elif seen_s is not None and self._now_s - seen_s >= back_after_s:
                del self._warned[what]
        return actions

    def _told_now_and_then(self) -> list[Action]:
        due = (
            TOLD_AT_MIN[self._lines] if self._lines < len(TOLD_AT_MIN) else 5 * (self._lines - len(TOLD_AT_MIN) + 2)
        )
        if self._minutes_on < due or not self._course.pieces:
            return []
        self._lines += 1
        words = progress_text(self._course.pieces[-1].mean_v, self._course.drift, settled=self._settled is not None)
        return [Action(kind=ActionKind.SAY, text=f"{self._clock()} {words}", step=self._point)]

    # -- the end ---------------------------------------------------------------------------------------------

    def _finish(self) -> list[Action]:
        actions: list[Action] = []
        tail = "Mains off before you reach in; what a point read before says nothing about now."
        if self.phase is Phase.WATCHING and math.isfinite(self._lowest_v):
            for piece in self._course.end():
                actions += self._keep_piece(piece)
            parts = [f"{volts(self._lowest_v)} to {volts(self._highest_v)}"]
            if self._settled is not None:
                parts.append(f"settled at {volts(self._settled.value)}")
            elif self._now_s - self._begun_s >= self._course.settled_s:
                parts.append("not settled")
            if self._departures:
                parts.append(f"left where it stood {_times(self._departures)}")
            if self._marks:
                parts.append(f"{self._marks} mark{'s' if self._marks > 1 else ''}")
            kept = "" if self.not_kept is None else "Not all of it is on disk. "
            tail = f"Watched {self._point.point} for {self._clock()}: {', '.join(parts)}. {kept}{tail}"
        else:
            tail = f"Nothing was watched. {tail}"
        self.phase = Phase.DONE
        return [*actions, Action(kind=ActionKind.DONE, text=tail)]


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
