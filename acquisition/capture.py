"""Captures of a stage under signal: generator set, ranges found, records of input and output kept.

The output of the generator is on only inside `StageCapture.driven`; every way out of it, an error, an interrupt or
a lost link, passes the switching off. A record is handed to ``commit`` before anybody else sees it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from .clock import Clock, SystemClock, rest
from .errors import CommandRefused, InstrumentReported, MeasurementError, RecordVoid, SafetyStop
from .instruments.generator import Generator, Sine
from .instruments.scope import Scope
from .instruments.scope_settings import Channel, Timebase, Trigger
from .records import RATING_MARGIN, Capture, usable_v

SMALLEST_FILL = 0.2
"""A wave lower than this share of the screen is taken again on a smaller range."""

WANTED_FILL = 0.65
WIDER = 3.0
MOST_TRIES = 10
LINK_S = 0.003
"""Time of a few messages on a quick link, in seconds."""

HUM_PATIENCE_S = 0.2
AC_SETTLE_S = 1.0
"""Rest after a coupling capacitor was switched in: its time constant is 0.1 to 1 s (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """Where one probe is clipped, and what to expect there.

    Parameters
    ----------
    point : str
        Name of the point.
    channel : int
        Scope channel, counted from 1.
    worst_v : float
        Highest voltage to earth in a fault, DC plus AC peak, volts.
    dc_v : float
        Expected direct voltage.
    pp_v : float, optional
        Expected signal, volts peak to peak; only a first guess for the range.
    """

    point: str
    channel: int
    worst_v: float = 0.0
    dc_v: float = 0.0
    pp_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ScopeRules:
    """How the scope is used, and what it can stand.

    Parameters
    ----------
    probe_factor : float
        Division of the probes.
    tip_rated_v : float
        Rating of the probe at its tip, volts to earth.
    input_rated_v : float
        Rating of the scope's input behind the probe. An AC-coupled input may get the whole direct voltage, whatever
        the probe divides (L2 of common bench practice), so there the probe's factor is not counted on.
    periods : float
        At least so many periods a record; the scope's next time base may hold up to 2.5 times as many.
    points : int
        Samples a record.
    is_limited : bool
        Bandwidth limit on: it keeps out radio and switching noise and acts on both channels alike.
    """

    probe_factor: float = 10.0
    tip_rated_v: float
    input_rated_v: float
    periods: float = 6.0
    points: int = 4000
    is_limited: bool = True

    def coupling(self, taps: Sequence[Tap]) -> str:
        """Coupling of all channels: AC where the input stands it at every tap, else DC.

        Parameters
        ----------
        taps : sequence of Tap
            One coupling serves all: what it does to the phase at low frequencies then cancels.

        Raises
        ------
        SafetyStop
            A point can take more than the probe, or the input behind it, is rated for.
        """
        for tap in taps:
            if not math.isfinite(tap.worst_v):
                raise SafetyStop(
                    f"what {tap.point} can take in a fault is not known: no rating can be held against it",
                    hint="tell the unloaded high tension, or write the rails in the chassis file",
                )
            if tap.worst_v > self.limit_v:
                raise SafetyStop(
                    f"{tap.point} can take {tap.worst_v:.0f} V in a fault; probe and scope allow "
                    f"{self.limit_v:.0f} V ({100 * RATING_MARGIN:.0f} % of the lower rating)",
                    hint="use a probe of a higher rating and enter it in the bench file, or choose another point",
                )
        return "ac" if all(tap.worst_v <= usable_v(self.input_rated_v) for tap in taps) else "dc"

    @property
    def limit_v(self) -> float:
        """Highest volts to earth at a tip, DC plus AC peak, that probe and scope are offered at."""
        return usable_v(min(self.tip_rated_v, self.input_rated_v * self.probe_factor))


Commit = Callable[[Capture], None]


class StageCapture:
    """Records of one or two points while the generator drives the chassis.

    Parameters
    ----------
    generator : Generator
        Open, its output off.
    scope : Scope
        Open.
    taps : sequence of Tap
        One, or input and output, on different channels.
    rules : ScopeRules
        Limits and sizes.
    commit : callable
        Keeps a record for good; called before the record is returned.
    trigger : str
        ``signal`` takes the first tap's channel, or the other where nothing crosses the level there; ``external``
        the generator's sync, which records of different shots need.
    note : str
        Written into every record: which run it belongs to.
    beside : sequence of Tap
        Taps of another capture whose records are compared with these: one coupling serves all of them.
    look : callable
        Called before each shot and in every longer wait; may raise to end it all, with the generator off.
    clock : Clock, optional
        For the waits.

    Raises
    ------
    SafetyStop
        A point can take more than the ratings allow.
    """

    def __init__(
        self,
        generator: Generator,
        scope: Scope,
        taps: Sequence[Tap],
        rules: ScopeRules,
        commit: Commit,
        *,
        trigger: str = "signal",
        note: str = "",
        beside: Sequence[Tap] = (),
        look: Callable[[], None] = lambda: None,
        clock: Clock | None = None,
    ) -> None:
        if len({tap.channel for tap in taps}) != len(taps):
            raise ValueError("every tap needs a channel of its own")
        if trigger not in {"signal", "external"}:
            raise ValueError(f"trigger {trigger!r} is neither signal nor external")
        self.generator = generator
        self.scope = scope
        self.taps = tuple(taps)
        self.rules = rules
        self.trigger = trigger
        self.note = note
        self.coupling = rules.coupling([*taps, *beside])
        self._commit, self._look = commit, look
        self._clock: Clock = clock or SystemClock()
        self._channels: dict[int, Channel] = {}
        self._smallest: set[int] = set()
        self._trigger_channel = taps[0].channel
        self._is_level_lost = False

    @contextmanager
    def driven(
        self, freq_hz: float, drive_pp_v: float, settle_s: float = 0.0
    ) -> Iterator[Callable[[], tuple[Capture, ...]]]:
        """Have the generator on inside a ``with`` block.

        Parameters
        ----------
        freq_hz, drive_pp_v : float
            Sine at the generator, hertz and volts peak to peak into an open circuit.
        settle_s : float
            Rest after switching on, for the chassis's own time constants.

        Yields
        ------
        callable
            Takes one single shot, again on another range where the record is clipped or too small, and returns one
            committed `Capture` a tap.

        Raises
        ------
        SafetyStop
            More drive than the bench file allows.
        MeasurementError
            No trigger, or no range fits.
        """
        self.generator.output(False)
        sine = self.generator.set_sine(freq_hz, drive_pp_v)
        self._prepare(sine)
        timebase = self.scope.set_timebase(
            Timebase(span_s=self.rules.periods / sine.freq_hz, points=self.rules.points)
        )
        with self.generator.measuring(self._look):
            rest(self._clock, settle_s, self._look)
            yield lambda: self._shoot(sine, timebase.span_s)

    def still(self, span_s: float, points: int = 20_000) -> tuple[Capture, ...]:
        """Record hum with the generator off.

        Parameters
        ----------
        span_s : float
            Length of the record in seconds.
        points : int
            Samples.

        Returns
        -------
        tuple of Capture
            One a tap, committed.
        """
        self.generator.output(False)
        self._prepare(None)
        timebase = self.scope.set_timebase(Timebase(span_s=span_s, points=points))
        return self._shoot(None, timebase.span_s)

    def _prepare(self, sine: Sine | None) -> None:
        is_first = not self._channels
        for tap in self.taps:
            if tap.channel not in self._channels:
                guess_v = tap.pp_v or (sine.pp_v if sine else 1.0)
                self._set_first(tap, guess_v / WANTED_FILL)
        if is_first and self.coupling == "ac":
            rest(self._clock, AC_SETTLE_S, self._look)

    def _set(self, tap: Tap, full_scale_v: float, centre_v: float) -> None:
        wanted = Channel(
            channel=tap.channel,
            full_scale_v=full_scale_v,
            centre_v=centre_v,
            coupling="ac" if self.coupling == "ac" else "dc",
            probe_factor=self.rules.probe_factor,
            is_limited=self.rules.is_limited,
        )
        self._channels[tap.channel] = self.scope.set_channel(wanted)
        if self.trigger == "external":
            self.scope.set_trigger(Trigger(source="external"))
        elif tap.channel == self._trigger_channel:
            self._set_level(centre_v)

    def _set_first(self, tap: Tap, guess_v: float) -> None:
        """Set a channel for the first time: a guess beyond the ranges or their offsets is brought into them."""
        centre_v = tap.dc_v if self.coupling == "dc" else 0.0
        for widening in (1.0, 2.0, 5.0, 20.0, 100.0, 500.0, 2000.0, 0.5, 0.2, 0.02):
            try:
                self._set(tap, guess_v * widening, centre_v)
                return
            except (InstrumentReported, CommandRefused) as error:
                refused = error
        raise refused

    def _shoot(self, sine: Sine | None, span_s: float) -> tuple[Capture, ...]:
        clipped_v: dict[int, list[float]] = {tap.channel: [] for tap in self.taps}
        for _ in range(MOST_TRIES):
            self._look()
            if sine is None:
                # Hum on a direct voltage seldom crosses the level that was expected, and its phase does not matter.
                self.scope.single(span_s + HUM_PATIENCE_S, expected_s=span_s, may_force=True, look=self._look)
            else:
                # The trigger comes within a period; asking earlier only keeps the link busy.
                self._single(span_s + 5.0 / sine.freq_hz + 1.0, span_s + 1.0 / sine.freq_hz + LINK_S)
            records = [self.scope.fetch(tap.channel, tap.point) for tap in self.taps]
            if self._is_level_lost:
                (seen,) = (record for record in records if record.channel == self._trigger_channel)
                self._set_level(float(np.median(seen.volts)))
            # All taps are looked at, so that one more shot mends every range at once.
            refit = [self._refit(tap, record, clipped_v) for tap, record in zip(self.taps, records, strict=True)]
            if not any(refit):
                break
        else:
            raise MeasurementError(
                f"no range of the scope fits the signal at {' and '.join(tap.point for tap in self.taps)}",
                hint="is the signal steady? look at the scope's screen",
            )
        if sine is not None:
            self.generator.require_sine()  # cut off and back during the record, it gave its own defaults
        freq_hz, pp_v = (sine.freq_hz, sine.pp_v) if sine else (None, None)
        marked = tuple(replace(record, freq_hz=freq_hz, drive_pp_v=pp_v, note=self.note) for record in records)
        for record in marked:
            self._commit(record)
        return marked

    def _single(self, timeout_s: float, expected_s: float) -> None:
        try:
            self.scope.single(timeout_s, expected_s=expected_s, look=self._look)
        except RecordVoid:
            raise  # that says nothing of the trigger
        except MeasurementError:
            self.generator.require_sine()  # one that was cut off, or switched off by hand, triggers nothing
            # A tap with hardly any signal does not cross the level: the other one may.
            others = [tap for tap in self.taps if tap.channel != self._trigger_channel]
            if self.trigger == "external" or not others:
                raise
            self._trigger_channel = others[0].channel
            self._set_level(self._channels[self._trigger_channel].centre_v)
            try:
                self.scope.single(timeout_s, expected_s=expected_s, look=self._look)
            except MeasurementError:
                # Both ride on so much direct voltage that the error of a range moves them off their levels. Records
                # of one shot share their time axis, so that any moment serves; the next level is taken from them.
                self.scope.single(expected_s, expected_s=expected_s, may_force=True, look=self._look)
                self._is_level_lost = True

    def _set_level(self, level_v: float) -> None:
        self.scope.set_trigger(Trigger(source=f"ch{self._trigger_channel}", level_v=level_v))
        self._is_level_lost = False

    def _refit(self, tap: Tap, record: Capture, clipped_v: dict[int, list[float]]) -> bool:
        """Choose another range where the record asks for one; True when a new shot is needed.

        ``clipped_v`` remembers for this shot the ranges that clipped: the first time the expected direct voltage
        may have been wrong, but every range shows another mean, as its own error has it, and one that lost the
        wave twice is not tried again.
        """
        before = self._channels[tap.channel]
        volts = record.volts
        low_v, high_v = float(volts.min()), float(volts.max())
        size_v = high_v - low_v
        middle_v = 0.5 * (low_v + high_v) if self.coupling == "dc" else 0.0
        if record.clipped:
            if not self._changed(tap, WIDER, middle_v):
                raise MeasurementError(
                    f"{tap.point}: the signal is larger than the largest range of the scope, "
                    f"{before.full_scale_v:g} V",
                    hint="lower the drive, or use a probe of higher division",
                )
            self._smallest.discard(tap.channel)
            clipped_v[tap.channel].append(before.full_scale_v)
            return True
        if size_v >= SMALLEST_FILL * before.full_scale_v or tap.channel in self._smallest:
            return False
        # A few converter steps say little about the true size, so the range falls by no more than ten at once.
        smaller = max(size_v / WANTED_FILL / before.full_scale_v, 0.1)
        if self.coupling == "dc":
            lost_v = clipped_v[tap.channel]
            lost = max((v for v in lost_v if lost_v.count(v) > 1), default=0.0) / before.full_scale_v
            smaller = max(smaller, 1.01 * lost)
            if smaller > 0.5:
                return False
        if self._changed(tap, smaller, middle_v):
            return True
        self._smallest.add(tap.channel)  # the scope has no smaller one: the record stands as it is
        return False

    def _changed(self, tap: Tap, ratio: float, centre_v: float) -> bool:
        """Ask for another range; False where the scope has none in that direction, and the old one stands."""
        before = self._channels[tap.channel]
        # The second try asks for the next step of a 1-2-5 sequence, where the first lies beyond the end of it.
        for each in (ratio, 1.2 if ratio > 1 else max(ratio, 0.4)):
            try:
                self._set(tap, each * before.full_scale_v, centre_v)
            except (InstrumentReported, CommandRefused):
                continue
            if abs(self._channels[tap.channel].full_scale_v / before.full_scale_v - 1.0) > 0.01:
                return True
        self._set(tap, before.full_scale_v, centre_v)
        return False
