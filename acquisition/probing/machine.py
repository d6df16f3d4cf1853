"""`Probing`: announce, (clip on,) touch, steady, taken, lift, next."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from ..errors import StoreError
from ..instruments.samples import REFUSED_FLAGS
from ..records import Reading, SurveyPlan, SurveyStep
from ..steady import EventKind, Sample, State, SteadyDetector, SteadyEvent, SteadyReading
from .actions import Action, ActionKind, Do, Key
from .gates import OFF, PREPARE, Gates
from .keeping import Keeping
from .limits import ProbingLimits, left_out, looked_at
from .options import Options, Phase
from .overload import Overload
from .route import Route
from .wording import (
    CAUTIONS,
    HOLD_S,
    NEARLY_ZERO_V,
    TIP,
    UNSEEN_S,
    conditions,
    doubt_of,
    fits_elsewhere,
    said_of,
    spoken,
    stop_of,
    touch_of,
    unsteady_of,
    verdict_of,
    volts,
)

ENOUGH = 12
"""Samples that tell how far a value that will not stand goes (common practice, no source)."""


class Probing:
    """Guide somebody through a survey.

    Parameters
    ----------
    plan : SurveyPlan
        Points in order.
    limits : ProbingLimits
        Ratings.
    detector : SteadyDetector
        Fed by `sample`.
    commit : callable
        Called with each Reading before it is announced; returns when it is on disk, or raises StoreError.
    utc : callable
        Gives the time as ISO 8601 text.
    options : Options
        What the person chose.
    advise : callable, optional
        Gives the point that would tell most; it goes before the order of the plan while it is not read yet.
    """

    def __init__(
        self,
        plan: SurveyPlan,
        limits: ProbingLimits,
        detector: SteadyDetector,
        commit: Callable[[Reading], None],
        utc: Callable[[], str],
        options: Options | None = None,
        advise: Callable[[], str | None] | None = None,
    ) -> None:
        self.limits, self.detector, self.options = limits, detector, options or Options()
        self._keeping, self._utc = Keeping(commit), utc
        self._route = Route(plan, limits, self.options, advise)
        self.phase = Phase.ASKING
        self.results: dict[str, Reading] = {}
        self._to_clip: set[str] = set()
        self._gates = Gates()
        self._after: Callable[[], list[Action]] = self._next
        self._live: Sample | None = None
        self._held: Reading | None = None
        self._rough: SteadyReading | None = None
        self._unseen_from_s: float | None = None
        self._key_is_for_tip = False  # what was said last asks for space with the tip on
        self._overload = Overload()

    @property
    def steps(self) -> Sequence[SurveyStep]:
        """The points that are offered."""
        return self._route.steps

    @property
    def index(self) -> int:
        """Of the point in hand among them; -1 before the first."""
        return self._route.index

    @property
    def step(self) -> SurveyStep | None:
        """The point in hand."""
        return self._route.step

    @property
    def doing(self) -> str:
        """What the tip does, for the live line."""
        return TIP[self.detector.state]

    @property
    def refused(self) -> Mapping[str, str]:
        """Points that were not named, each with its cause."""
        return self._route.refused

    @property
    def not_kept(self) -> StoreError | None:
        """Why the last reading is not on disk; None where it is."""
        return self._keeping.refused

    @property
    def minutes_on(self) -> float | None:
        """Minutes since the person confirmed that it was switched on; None while off or not known."""
        if self._gates.on_since_s is None or self._live is None:
            return None
        return (self._live.t_s - self._gates.on_since_s) / 60.0

    def expect(self, plan: SurveyPlan) -> list[Action]:
        """Go by another plan of the same points from now on, as where a tube is said to be out of its socket.

        What was asked for or shown of the point in hand may hold no longer, such as whether it is clipped on, so
        that it is announced anew; a point that was read, or that is being left, is not.

        Parameters
        ----------
        plan : SurveyPlan
            What is expected of the points, and what they can reach.
        """
        self._route.expect(plan)
        if self._after != self._arm or self.phase in (Phase.LIFT, Phase.NOT_KEPT, Phase.STOPPED, Phase.DONE):
            return []
        return self._leave(self._again)

    # -- input -----------------------------------------------------------------------------------------------

    def start(self) -> list[Action]:
        """Begin: cautions, then the first point."""
        self._gates.put([PREPARE])
        actions = [Action(kind=ActionKind.CAUTION, text=text) for text in CAUTIONS]
        return actions + self._open_gate()

    def sample(self, sample: Sample) -> list[Action]:
        """Take one sample of the meter.

        Parameters
        ----------
        sample : Sample
            In order of time.
        """
        self._live = sample
        actions: list[Action] = []
        self._overload.see(sample)
        if self.phase not in (Phase.DONE, Phase.STOPPED):
            if stop := self.limits.stop(sample, held=self._gates.is_live_in_hand, lasting=self._overload.lasts):
                self.phase = Phase.STOPPED
                self._held = self._rough = None
                if self.step is not None and abs(sample.value_v) <= self.limits.rated_v:
                    self._to_clip.add(self.step.point)
                return [Action(kind=ActionKind.CAUTION, text=stop, step=self.step), self._ask_after_stop()]
            if self._lead_is_free_or_wanted():
                for event in self.detector.feed(sample):
                    actions += self._event(event)
            if self._overload.is_due():
                text = "No reading: overload: unknown and high, waiting for the meter to change range."
                actions.append(Action(kind=ActionKind.SAY, text=text, step=self.step))
            if self.phase is Phase.LISTENING and self.detector.has_heard:
                actions += self._arm()
            elif self.phase is Phase.ARMED:
                actions += self._ask_if_unseen(sample.t_s)
        return actions

    def _ask_if_unseen(self, t_s: float) -> list[Action]:
        """Ask for the key, once each time it was armed, where the words have not asked for it already."""
        step, from_s = self.step, self._unseen_from_s
        if step is None or from_s is None or t_s - from_s < UNSEEN_S:
            return []
        self._unseen_from_s = None
        self._key_is_for_tip = True
        text = f"No contact seen for {UNSEEN_S:.0f} seconds. Tip on {step.point}: press space."
        return [Action(kind=ActionKind.SAY, text=text, do=Do.TOUCH_AND_KEY, step=step)]

    def _lead_is_free_or_wanted(self) -> bool:
        """Keep what a clip or a test for remaining volts shows from the detector: that is no free lead."""
        if self.phase not in (Phase.ASKING, Phase.VERIFYING):
            return True
        gate = self._gates.first
        return not self._gates.clip and gate is not None and gate.do in (Do.PREPARE, Do.POWER_ON)

    def key(self, key: Key) -> list[Action]:
        """Take one key.

        Parameters
        ----------
        key : Key
            ``space`` confirms, takes a zero and goes on.
        """
        if self.phase is Phase.DONE:
            return []
        if key is Key.QUIT:
            kept = "Everything" if self.not_kept is None else "The last reading is NOT kept. Everything else"
            return self._finish(f"Stopped. {kept} read so far is on disk; the same command goes on from here.")
        if self.phase is Phase.STOPPED and key is not Key.SPACE:
            return [self._ask_after_stop()]
        if key is Key.SPACE:
            return self._space()
        if self._gates.first is PREPARE:
            return []  # the cautions are not skipped
        if key is Key.SKIP:
            self._route.skip()
            return self._leave(self._next)
        if key is Key.BACK:
            return self._leave(self._previous)
        return self._leave(self._again)

    # -- keys ------------------------------------------------------------------------------------------------

    def _space(self) -> list[Action]:
        if self.phase is Phase.ASKING:
            return self._pass_gate()
        if self.phase is Phase.VERIFYING:
            return self._verify()
        if self.phase is Phase.STOPPED:
            self._gates.switched_off()
            if self.step is not None and self.step.point in self._to_clip:
                return self._leave(self._again)
            self._route.skip()  # or advice would name it again
            return self._leave(self._next)
        keeps = self.phase is Phase.WRONG_PIN or (self.phase is Phase.ARMED and not self._key_is_for_tip)
        if keeps and self._held is not None:
            return self._keep(self._held, "good", "confirmed by key")
        if self.phase is Phase.UNSTEADY and self._rough is not None:
            # What it is now, not what it was when it was offered: a rail may have risen for a minute since.
            now, offered = self.detector.rough(), self._rough
            if now is None or now.samples < min(ENOUGH, offered.samples):
                text = (
                    "Too little was seen of it since it changed range or had no value: wait a little, then space."
                )
                return [Action(kind=ActionKind.SAY, text=text, step=self.step)]
            return self._take(now, "unsteady")
        if self.phase is Phase.NOT_KEPT:
            return self._keeping.again()
        if self.phase is Phase.LIFT:
            return self._leave(self._next)
        if self._live is not None and self.phase is not Phase.LISTENING:  # there the tip is in the air
            self.detector.confirm(self._live.t_s)
        return []

    def _ask_after_stop(self) -> Action:
        clips_on = self.step is not None and self.step.point in self._to_clip
        do, text = stop_of(clips_on=clips_on, clipped=self._gates.is_live_on_clip)
        return Action(kind=ActionKind.ASK, text=text, do=do, step=self.step)

    # -- gates -----------------------------------------------------------------------------------------------

    def _open_gate(self) -> list[Action]:
        gate = self._gates.first
        if gate is None:
            return self._after()
        self.phase = gate.phase
        if self.phase is Phase.VERIFYING:
            self._live = None  # only what is read from now on counts
        return [gate.ask(self.step)]

    def _pass_gate(self) -> list[Action]:
        self._gates.confirm(None if self._live is None else self._live.t_s)
        return self._open_gate()

    def _verify(self) -> list[Action]:
        told, is_low = looked_at(self._live, self.step, self._gates.clip)
        return [told, *(self._pass_gate() if is_low else [])]

    def _leave(self, where: Callable[[], list[Action]]) -> list[Action]:
        """Go to another point; a clip that hangs on moves only with power off."""
        self._held = self._rough = None
        self._gates.put([OFF] if self._gates.is_live_on_clip else [])
        self._after = where
        return self._open_gate()

    # -- points ----------------------------------------------------------------------------------------------

    def _next(self) -> list[Action]:
        return self._announce(self._route.onward())

    def _previous(self) -> list[Action]:
        return self._announce(self._route.back())

    def _again(self) -> list[Action]:
        return self._announce(self._route.again())

    def _announce(self, refused: Sequence[SurveyStep]) -> list[Action]:
        actions = [Action(kind=ActionKind.CAUTION, text=self.limits.refusal(left), step=left) for left in refused]
        step = self.step
        if step is None:
            return actions + self._end()
        actions.append(Action(kind=ActionKind.SHOW, text=spoken(step), step=step))
        clip_on = self.limits.needs_clip(step) or step.point in self._to_clip
        self._gates.before(step, clip_on=clip_on)
        self._after = self._arm
        return actions + self._open_gate()

    def _arm(self) -> list[Action]:
        step = self.step
        if step is None:
            return self._end()
        clipped = self._gates.clip == step.point
        if not clipped and not self.detector.has_heard:
            self.phase = Phase.LISTENING
            text = "Tip in the air for a moment: what the free lead shows has to be known first."
            return [Action(kind=ActionKind.SAY, text=text, do=Do.TIP_FREE, step=step), *self._refusing()]
        hold = step.may_be_zero and not clipped and self.detector.hold_can_tell
        self.detector.arm(hold_s=HOLD_S if hold else None, settle_s=step.settle_s, clipped=clipped)
        self.phase = Phase.ARMED
        do, text = touch_of(step, clipped=clipped, hold=hold)
        asks_anyway = do in (Do.WAIT, Do.TOUCH_AND_KEY)  # a hold may go unseen too
        self._unseen_from_s = None if asks_anyway or self._live is None else self._live.t_s
        self._key_is_for_tip = do is not Do.TOUCH
        if self._held is not None and self._key_is_for_tip:
            text = f"{volts(self._held.value)} is kept only if it reads the same again. {text}"
        return [Action(kind=ActionKind.SAY, text=text, do=do, step=step), *self._refusing()]

    def _refusing(self) -> list[Action]:
        """Say again why nothing will be read as the meter stands: it was said once, while hands were elsewhere."""
        live = self._live
        if live is None or not REFUSED_FLAGS.keys() & set(live.flags) - {"overload", "gap"}:
            return []
        return [Action(kind=ActionKind.SAY, text=f"No reading: {live.reason}.", step=self.step)]

    def _end(self) -> list[Action]:
        if self._gates.is_live_on_clip:
            self._gates.put([OFF])
            self._after = self._end
            return self._open_gate()
        return self._finish(f"Survey done: {len(self.results)} points read.{left_out(self.refused)}")

    def _finish(self, text: str) -> list[Action]:
        self.phase = Phase.DONE
        tail = " Mains off before you reach in; what a point read before says nothing about now."
        return [Action(kind=ActionKind.DONE, text=text + tail)]

    # -- events ----------------------------------------------------------------------------------------------

    def _event(self, event: SteadyEvent) -> list[Action]:
        step = self.step
        awaited = self.phase in (Phase.LISTENING, Phase.ARMED, Phase.TOUCHED)
        # The detector tells once why there is no reading: heard now, or only when the next point is asked for.
        if event.kind is EventKind.REFUSED or (event.kind is EventKind.OVERLOAD and awaited):
            if not event.text and self._live is not None and "auto" in self._live.flags:
                self._overload.hold_back()
                return []
            text = event.text or "overload: unknown and high, the meter needs a higher range or autorange"
            return [Action(kind=ActionKind.SAY, text=f"No reading: {text}.", step=step)]
        if step is None or self.phase in (Phase.ASKING, Phase.VERIFYING, Phase.LISTENING, Phase.NOT_KEPT):
            return []
        if event.kind is EventKind.TOUCHED and self.phase is Phase.ARMED:
            self.phase = Phase.TOUCHED
            return []
        if event.kind is EventKind.LOST and self.phase in (Phase.ARMED, Phase.TOUCHED, Phase.UNSTEADY):
            self._rough = None
            if event.text:
                return self._arm()  # a key pressed before says nothing of where the tip is now
            self.phase = Phase.ARMED
            return []
        if event.kind is EventKind.NEEDS_KEY:
            self._key_is_for_tip = True
            text = "Press space when the tip is on."
            return [Action(kind=ActionKind.SAY, text=text, do=Do.TOUCH_AND_KEY, step=step)]
        if event.kind is EventKind.UNSTEADY and event.reading is not None and self.phase is not Phase.LIFT:
            self.phase, self._rough = Phase.UNSTEADY, event.reading
            do, text = unsteady_of(event.reading.value_v, clipped=self._gates.is_live_on_clip)
            return [Action(kind=ActionKind.ASK, text=text, do=do, step=step)]
        if event.kind in (EventKind.LIFTED, EventKind.LOST):
            if self.phase is Phase.LIFT:
                return self._leave(self._next)
            if self.phase is Phase.WRONG_PIN:
                return self._arm()  # a second touch that agrees answers the question without a key
        if event.kind is EventKind.TAKEN and event.reading is not None and self.phase is not Phase.LIFT:
            is_zero = event.reading.in_band and abs(event.reading.value_v) <= NEARLY_ZERO_V
            return self._take(event.reading, "confirmed_zero" if is_zero else "good")
        return []

    def _take(self, steady: SteadyReading, quality: str) -> list[Action]:
        step = self.step
        if step is None:
            return []
        reading = Reading(
            point=step.point,
            quantity="dc_v",
            value=steady.value_v,
            std=steady.std_v,
            taken_utc=self._utc(),
            instrument=self.options.instrument,
            range_v=steady.range_v if math.isfinite(steady.range_v) else None,
            quality=quality,
            note=conditions(self.options.mains_v, self.minutes_on, steady.drift_v_per_s),
        )
        other = fits_elsewhere(step, reading)
        if other and quality == "good":
            before = self._held
            if before is not None and abs(before.value - reading.value) <= 4.0 * (reading.std or 0.0):
                return self._keep(reading, "good", "read twice")
            held = replace(reading, quality="held", note=f"{reading.note}; fits {other}: wrong pin?")
            return self._write(held, lambda: self._doubt(reading, held, other))
        return self._keep(reading, quality, "")

    def _doubt(self, reading: Reading, held: Reading, other: str) -> list[Action]:
        self._held, self.phase = reading, Phase.WRONG_PIN
        do, text = doubt_of(held.value, self.step, other, clipped=self._gates.is_live_on_clip)
        return [Action(kind=ActionKind.ASK, text=text, do=do, step=self.step, reading=held)]

    def _keep(self, reading: Reading, quality: str, remark: str) -> list[Action]:
        kept = replace(reading, quality=quality, note="; ".join(text for text in (reading.note, remark) if text))
        return self._write(kept, lambda: self._kept(kept))

    def _write(self, reading: Reading, then: Callable[[], list[Action]]) -> list[Action]:
        actions = self._keeping.write(reading, self.step, then)
        if self.not_kept is not None:
            self.phase = Phase.NOT_KEPT
        return actions

    def _kept(self, kept: Reading) -> list[Action]:
        step = self.step
        self.results[kept.point] = kept
        self._route.read.add(kept.point)
        self._held = self._rough = None
        verdict = verdict_of(step, kept)
        said = said_of(step, kept)
        words = f"{kept.point} {volts(kept.value)}" + (f", {said}" if said else "")
        actions = [Action(kind=ActionKind.TAKEN, text=words, step=step, reading=kept, verdict=verdict)]
        if self._gates.clip or self.detector.state is State.AWAY:
            return actions + self._leave(self._next)
        self.phase = Phase.LIFT
        return [*actions, Action(kind=ActionKind.SAY, text="Lift.", do=Do.LIFT, step=step)]
