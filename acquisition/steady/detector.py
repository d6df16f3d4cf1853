"""The streaming detector: away, touched, bouncing, settling, taken, lifted."""

from __future__ import annotations

import math
from collections import deque

from ..instruments.samples import REFUSED_FLAGS
from .events import EventKind, Sample, State, SteadyEvent, SteadyReading
from .fit import MeterFacts, Rules, Verdict, judge_run
from .frames import Frames
from .free_lead import BLOCK, CEILING_V, FreeLead
from .lift import Lift
from .scale import Scale

BLIND_S = 3.0
"""Longer than this without a sample, in seconds, and a tip may have gone anywhere. A meter that changes range is
silent for one or two. Common practice, no source."""


class SteadyDetector:
    """Decide from a meter's samples when a probe touched, settled, was read and lifted.

    Parameters
    ----------
    facts : MeterFacts
        Specification and noise of the meter.
    rules : Rules, optional
        Settings; the package docstring gives their reasons.
    """

    def __init__(self, facts: MeterFacts, rules: Rules | None = None) -> None:
        self.facts = facts
        self.rules = rules or Rules()
        self.state = State.AWAY
        self._t: deque[float] = deque()
        self._v: deque[float] = deque()
        self._last: Sample | None = None
        self._last_v: float | None = None
        self._scale = Scale()
        self._frames = Frames()
        self._period_s = 0.0
        self._lead = FreeLead(self.rules)
        self._lift = Lift(self.rules)
        self._falling = False
        # The touch in progress.
        self._clipped = False
        self._asserted = False
        self._hold_s: float | None = None
        self._hold_told = False
        self._since_s = 0.0
        self._inside = 0
        self._excursion_v = 0.0
        self._overloaded = False
        self._refused = ""
        self._offered = False
        self._node_s = 0.0

    @property
    def band_v(self) -> float:
        """Half-width of the no-contact band in volts."""
        return self._least_band_v if self._clipped else max(self._lead.band_v, self._least_band_v)

    @property
    def _least_band_v(self) -> float:
        return max(self.rules.band_floor_v, 5.0 * self._scale.digit_v)

    @property
    def has_heard(self) -> bool:
        """Enough was heard of the free lead to tell a touch of a few volts from it."""
        return self._lead.heard >= BLOCK

    @property
    def hold_can_tell(self) -> bool:
        """The free lead was heard, and is restless enough that its falling quiet means contact."""
        return self._lead.quietest_v >= 4.0 * self.facts.noise_std_v(self._scale.digit_v) > 0.0

    def arm(self, *, hold_s: float | None = None, settle_s: float = 0.0, clipped: bool = False) -> None:
        """Get ready for the next touch; whatever was in progress is dropped.

        Parameters
        ----------
        hold_s : float, optional
            A timed hold was announced: a value in the no-contact band is taken after this time, in seconds, if the
            lead has fallen quiet against what it showed while free.
        settle_s : float
            Slowest time constant of the node, in seconds, from the model.
        clipped : bool
            The lead was clipped on with power off: contact is known, there is no free lead to tell from.
        """
        # A tip that still rests on the last point is no touch of the next one.
        self._falling = self.state is not State.AWAY or self._falling
        self.state = State.AWAY
        self._hold_s, self._hold_told, self._clipped = hold_s, False, clipped
        self._node_s = self.rules.settle_margin * settle_s
        self._asserted = self._offered = False
        self._clear()

    def confirm(self, t_s: float) -> None:
        """A key says that the tip is on the point: a value in the no-contact band may be taken too.

        Parameters
        ----------
        t_s : float
            Now, on the meter's time.
        """
        self._asserted, self._offered = True, False
        self._since_s = t_s
        if self.state in (State.AWAY, State.BOUNCING):
            self._drop_run()  # what was heard before may be of the lead in the air: it would count in the mean
            self.state = State.TOUCHED

    def feed(self, sample: Sample) -> list[SteadyEvent]:
        """Take one sample and say what it means.

        Parameters
        ----------
        sample : Sample
            The next conversion, in order of time.

        Returns
        -------
        list of SteadyEvent
            Mostly empty.
        """
        t = sample.t_s
        last = self._last
        lost: list[SteadyEvent] = []
        if last is not None:
            if t <= last.t_s:
                return []
            free = self.state is State.AWAY
            if sample.is_reading and self._frames.is_repeat(sample.value_v, sample.resolution_v, free=free):
                return []
            gap = t - last.t_s
            if self._period_s and gap > max(1.0, 5.0 * self._period_s):
                self._clear()
            if gap > BLIND_S:
                lost = self._lose(t)
            self._period_s = gap if not self._period_s else 0.9 * self._period_s + 0.1 * min(gap, 1.0)
        self._last = sample
        return lost + self._heard(sample)

    def _heard(self, sample: Sample) -> list[SteadyEvent]:
        t, v, flags = sample.t_s, sample.value_v, sample.flags
        if flags and "overload" in flags:
            return self._overload(t)
        reasons = [text for flag, text in REFUSED_FLAGS.items() if flag in flags] if flags else []
        if reasons or not math.isfinite(v):
            self._clear()
            told, self._refused = self._refused, "; ".join(reasons) or "the meter has no value"
            lost = self._lose(t) if "gap" in flags else []
            if told == self._refused:
                return lost
            return [SteadyEvent(kind=EventKind.REFUSED, t_s=t, text=self._refused), *lost]
        self._refused = ""
        self._overloaded = False
        if self._scale.is_changed_by(sample):
            self._drop_run()  # but no time off the contact: the free lead may go through ranges all the time
        if self.state is State.AWAY:
            return self._away(t, v)
        if self.state is State.TAKEN:
            return self._taken(t, v)
        return self._touching(t, v)

    def rough(self) -> SteadyReading | None:
        """Mean and spread of what was seen last of a touch that would not settle; None where nothing was since."""
        return self._rough(self._t[-1]) if self._t and self.state is not State.AWAY else None

    # -- states ----------------------------------------------------------------------------------------------

    def _away(self, t: float, v: float) -> list[SteadyEvent]:
        previous = self._last_v
        self._last_v = v
        size = abs(v)
        # Behind a slow filter the first step out of the band is small: look a little farther back.
        before = self._v[-3] if len(self._v) >= 3 and not self._falling else previous
        step = size if before is None else abs(v - before)
        if size <= self.band_v:
            rising = before is not None and not self._falling and (size > abs(before) or v * before < 0.0)
            self._falling = False
            if rising and self._stands_out(size, step):
                return self._touch(t, v)
            self._learn(v, previous)
            self._keep(t, v)
            return [] if self._hold_s is None else self._holding(t, self._hold_s)
        heard_enough = self._clipped or self.has_heard or size > CEILING_V
        jumped = self._lead.is_beyond(step, size, 6.0) and heard_enough
        if self._falling:
            jumped = jumped and previous is not None and (size > abs(previous) or v * previous < 0.0)
        if jumped or self._clipped:
            return self._touch(t, v)
        if not self._falling:
            self._learn(v, previous)  # crept out of the band: the free lead can do that too
        return []

    def _touch(self, t: float, v: float) -> list[SteadyEvent]:
        self._clear()
        self._last_v = v
        self.state = State.TOUCHED
        self._since_s = t
        self._inside, self._excursion_v = 0, abs(v)
        self._offered = False
        self._keep(t, v)
        return [SteadyEvent(kind=EventKind.TOUCHED, t_s=t)]

    def _stands_out(self, size_v: float, step_v: float) -> bool:
        """Within the band, a jump that the free lead never made: from here on nothing is learned of it.

        A contact would teach the band its own level, and no touch of that point would ever be seen again.
        """
        if self._hold_s is not None or self._clipped or not self.has_heard or size_v <= self._least_band_v:
            return False
        return self._lead.is_beyond(step_v, size_v, 10.0)

    def _touching(self, t: float, v: float) -> list[SteadyEvent]:
        events: list[SteadyEvent] = []
        previous, self._last_v = self._last_v, v
        inside_v = min(self.band_v, max(self._least_band_v, 0.5 * self._excursion_v))
        if not (self.has_heard or self._clipped):
            inside_v = CEILING_V  # a lead that was not heard yet may have any level that is learned of one
        inside = abs(v) <= inside_v
        if inside and not self._asserted:
            self._inside += 1
            if self._t:
                events.append(SteadyEvent(kind=EventKind.BOUNCED, t_s=t))
            self._t.clear()
            self._v.clear()
            self.state = State.BOUNCING
            if self._inside >= 3 and self._inside * self._period_s >= 0.3:
                self.state = State.AWAY
                events.append(SteadyEvent(kind=EventKind.LOST, t_s=t))
                if not self._clipped:
                    self._lead.learn_peak(self._excursion_v)
                self._learn(v, previous)
            return events
        self._inside, self._excursion_v = 0, max(self._excursion_v, abs(v))
        if self.state is State.BOUNCING:
            self.state = State.TOUCHED
        self._keep(t, v)
        if abs(v) <= self.band_v and not self._asserted:
            return events + self._standing_in_band(t)
        verdict = self._judge(vouched=self._asserted or self._clipped)
        if verdict is not None:
            # A value outside the band may settle into it: then only a key vouches for it.
            if abs(verdict.value_v) > self.band_v or self._asserted:
                events.append(self._take(t, verdict))
                return events
        elif len(self._t) > 1:
            self.state = State.SETTLING
        if not self._offered and t - self._since_s > self.rules.patience_s:
            self._offered = True
            if not self._asserted and self._judge(vouched=True) is not None:
                # It stands; only that it is a contact does not show, as on a range whose digit is too coarse.
                text = "a free lead could show this too: press the key when the tip is on"
                events.append(SteadyEvent(kind=EventKind.NEEDS_KEY, t_s=t, text=text))
            else:
                events.append(SteadyEvent(kind=EventKind.UNSTEADY, t_s=t, reading=self._rough(t)))
        return events

    def _standing_in_band(self, t: float) -> list[SteadyEvent]:
        """What jumped to a level that the free lead has, and may stand there as only a contact can."""
        self.state = State.SETTLING
        needed_s = min(self.rules.in_band_s, 0.9 * self.rules.longest_run * self._period_s)
        if self.hold_can_tell and len(self._t) >= BLOCK and t - self._t[0] >= needed_s:
            verdict = self._judge(vouched=False, in_band=True)
            if verdict is not None and verdict.samples >= BLOCK and t - self._t[-verdict.samples] >= needed_s:
                return [self._take(t, verdict)]
        if t - self._since_s <= 2.0 * max(self.rules.in_band_s, BLOCK * self._period_s):
            return []
        self.state = State.AWAY
        return [SteadyEvent(kind=EventKind.LOST, t_s=t)]

    def _holding(self, t: float, hold_s: float) -> list[SteadyEvent]:
        """In the no-contact band with an announced hold."""
        if not self.hold_can_tell:
            if self._lead.heard >= 4 * BLOCK and not self._hold_told:
                self._hold_told = True
                text = "the free lead is as quiet as a contact: press the key when the tip is on"
                return [SteadyEvent(kind=EventKind.NEEDS_KEY, t_s=t, text=text)]
            return []
        if t - self._t[0] < hold_s:
            return []
        while len(self._t) > 2 and t - self._t[1] >= hold_s:
            self._t.popleft()
            self._v.popleft()
        verdict = self._judge(vouched=True, whole_only=True)  # all of the hold has to be quiet, not only its end
        if verdict is None:
            return []
        self._since_s = self._t[0]
        return [self._take(t, verdict)]

    def _taken(self, t: float, v: float) -> list[SteadyEvent]:
        previous, self._last_v = self._last_v, v
        self._keep(t, v)
        band_v = self.band_v
        quietest_v = self._lead.quietest_v if self.hold_can_tell else None
        noise_v, period_s = self.facts.noise_std_v(self._scale.digit_v), self._period_s
        if not self._lift.is_off(t, v, band_v=band_v, quietest_v=quietest_v, noise_v=noise_v, period_s=period_s):
            return []
        self.state = State.AWAY
        self._hold_s, self._asserted, self._clipped = None, False, False
        self._falling = abs(v) > self.band_v
        self._clear()
        self._last_v = v if previous is None or abs(self._lift.level_v) > band_v else 0.0
        return [SteadyEvent(kind=EventKind.LIFTED, t_s=t)]

    def _overload(self, t: float) -> list[SteadyEvent]:
        # Overload is unknown and high, never a number: whatever was gathered is void.
        first = not self._overloaded
        self._overloaded = True
        events = []
        self._clear()
        if self.state is State.AWAY:
            self.state = State.TOUCHED
            self._since_s, self._inside, self._excursion_v, self._offered = t, 0, 0.0, False
            events.append(SteadyEvent(kind=EventKind.TOUCHED, t_s=t))
        if first:
            events.append(SteadyEvent(kind=EventKind.OVERLOAD, t_s=t))
        return events

    def _lose(self, t: float) -> list[SteadyEvent]:
        """Nothing was seen for a while: where the tip went meanwhile, and what a key said of it, is not known."""
        self._asserted = False
        if self.state in (State.AWAY, State.TAKEN):
            return []
        self.state = State.AWAY
        return [SteadyEvent(kind=EventKind.LOST, t_s=t, text="the meter was not heard for a while")]

    # -- parts -----------------------------------------------------------------------------------------------

    def _keep(self, t: float, v: float) -> None:
        self._t.append(t)
        self._v.append(v)
        # A hold needs all of its time, everything else only the last run.
        while len(self._t) > self.rules.longest_run and (self._hold_s is None or t - self._t[1] >= self._hold_s):
            self._t.popleft()
            self._v.popleft()

    def _clear(self) -> None:
        self._drop_run()
        self._lift.unseen()

    def _drop_run(self) -> None:
        self._t.clear()
        self._v.clear()
        self._last_v = None

    def _learn(self, v: float, previous: float | None) -> None:
        self._lead.learn(v, previous, self._period_s, scatter=self._hold_s is None)

    def _judge(self, *, vouched: bool, whole_only: bool = False, in_band: bool = False) -> Verdict | None:
        v = self._v[-1]
        if vouched:
            # Contact is vouched for; where the free lead is known to be restless it must still be told from that.
            told = self.hold_can_tell and not self._clipped
            noise_v = self.facts.noise_std_v(self._scale.digit_v)
            against = self._lead.against_vouched(v, noise_v, told=told, held=bool(self._hold_s))
        else:
            against = self._lead.against(v, in_band=in_band)
        return judge_run(
            list(self._t),
            list(self._v),
            self._scale.digit_v,
            self._scale.range_v,
            self.facts,
            self.rules,
            against,
            self._node_s,
            whole_only,
        )

    def _take(self, t: float, verdict: Verdict) -> SteadyEvent:
        reading = self._reading(t, verdict)
        self.state = State.TAKEN
        self._lift.begin(t, verdict.value_v, 6.0 * verdict.type_a_v * math.sqrt(verdict.samples))
        return SteadyEvent(kind=EventKind.TAKEN, t_s=t, reading=reading)

    def _reading(self, t: float, verdict: Verdict) -> SteadyReading:
        spec_v = self.facts.spec_std_v(verdict.value_v, self._scale.digit_v, self._scale.range_v)
        return SteadyReading(
            value_v=verdict.value_v,
            std_v=math.hypot(verdict.type_a_v, spec_v),
            type_a_v=verdict.type_a_v,
            spec_v=spec_v,
            samples=verdict.samples,
            drift_v_per_s=verdict.drift_v_per_s,
            tail_v=verdict.tail_v,
            resolution_v=self._scale.digit_v,
            range_v=self._scale.range_v,
            waited_s=t - self._since_s,
            in_band=abs(verdict.value_v) <= self.band_v,
        )

    def _rough(self, t: float) -> SteadyReading:
        """Mean and half the range of what was seen: a value that would not settle."""
        values = list(self._v)
        spread = max(0.5 * (max(values) - min(values)), self._scale.digit_v)
        mean = sum(values) / len(values)
        slope = (values[-1] - values[0]) / max(self._t[-1] - self._t[0], 1e-9)
        rough = Verdict(value_v=mean, type_a_v=spread, drift_v_per_s=slope, tail_v=0.0, samples=len(values))
        return self._reading(t, rough)
