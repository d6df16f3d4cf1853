"""The oscilloscope: channels, time base, trigger, single shots, and records as raw codes with their scale."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from ..clock import Clock, rest
from ..errors import (
    AcquisitionError,
    CommandRefused,
    InstrumentNotFound,
    InstrumentReported,
    MeasurementError,
    OverRange,
    RecordVoid,
    ReplyMalformed,
)
from ..records import Capture
from ..scpi import fill, parse_number
from .accuracy import AccuracyTable
from .bench import Bench, ScopeEntry
from .knobs import require_unturned
from .pages import SeenBlocks, read_record
from .scope_settings import Channel, Timebase, Trigger, put_channel, put_timebase, put_trigger
from .scope_setup import ScopeSetup, leave_out_unknown, read_found
from .session import Session, open_session
from .waveform import Preamble, decode_codes, is_clipped, justified, malformed

T = TypeVar("T")

POLL_S = 0.05
FORCED_S = 1.0
"""What a slow scope may add to a record whose trigger was forced."""
ORDER_DISAGREEMENT = 0.25
"""Two-byte samples in the wrong order look like noise: above this difference of peak to peak they are refused."""


class Scope:
    """An oscilloscope.

    Parameters
    ----------
    session : Session
        Open.
    entry : ScopeEntry
        From the bench file.

    Attributes
    ----------
    identity : str
        What it says it is.
    channels : int
        How many it has.
    accuracy : AccuracyTable
        Of its vertical axis, as printed.
    found : ScopeSetup
        How it was set before it was set up for measuring.
    tells_inverted : bool
        It can be asked whether a channel is shown upside down.
    """

    def __init__(self, session: Session, entry: ScopeEntry) -> None:
        rules = session.dialect.scope
        assert rules is not None  # noqa: S101  a scope dialect has one
        self._rules = rules
        self.session = session
        self.identity = str(session.identity)
        self.channels = rules.channels
        self.accuracy: AccuracyTable = entry.accuracy
        self.found = ScopeSetup()
        self.tells_inverted = rules.channel.invert is not None
        self._wanted: dict[str, Callable[[], object]] = {}  # by name; sorted, in the order of setting
        self._trigger: Trigger | None = None
        self._timebase: Timebase | None = None
        self._set: dict[int, Channel] = {}
        self._shot = 0
        self._is_fresh = False  # the record of the last shot is still there
        self._times_set = 0  # how often all was set up, which ends whatever the scope was doing
        self._seen = SeenBlocks()
        session.apply_wanted = self._apply

    # Settings: what is wanted is kept, so that it can be set again after a loss.

    def _apply(self) -> None:
        self._is_fresh = False
        self._times_set += 1
        for command in self._rules.setup:
            self.session.send(command)
        for _, put in sorted(self._wanted.items()):
            put()
        self.session.check_errors("while it was set up")

    def _want(self, name: str, put: Callable[[], T]) -> T:
        """Set something now, and again after a loss, unless the scope refused it: no link could be mended then."""
        self.session.ready()
        before = dict(self._wanted)
        self._wanted[name] = put
        try:
            actual = put()
            self.session.check_errors(f"while the {name} was set")
        except (CommandRefused, InstrumentReported):
            self._wanted = before
            raise
        return actual

    def set_channel(self, wanted: Channel) -> Channel:
        """Show a channel and set it.

        Parameters
        ----------
        wanted : Channel
            What is wanted; the scope may choose a larger full scale.

        Returns
        -------
        Channel
            As read back.

        Raises
        ------
        CommandRefused
            No such channel, or the scope made something else of it.
        InstrumentReported
            Its error queue says so.
        """
        if not 1 <= wanted.channel <= self.channels:
            raise CommandRefused(
                f"the scope has channels 1 to {self.channels}, not {wanted.channel}", hint="choose another channel"
            )
        if not (wanted.full_scale_v > 0 and wanted.probe_factor > 0):
            raise CommandRefused("full scale and probe factor must be above zero", hint="check what was asked for")
        return self._want(f"channel {wanted.channel}", lambda: self._set_channel(wanted))

    def _set_channel(self, wanted: Channel) -> Channel:
        self._is_fresh = False
        actual = put_channel(self.session, self._rules, wanted)
        self._set[wanted.channel] = actual
        return actual

    def set_timebase(self, wanted: Timebase) -> Timebase:
        """Set the time axis.

        Parameters
        ----------
        wanted : Timebase
            What is wanted; the scope may choose a longer span and another number of points.

        Returns
        -------
        Timebase
            As read back.
        """
        if not (wanted.span_s > 0 and wanted.points > 0):
            raise CommandRefused("span and points must be above zero", hint="check what was asked for")
        return self._want("time base", lambda: self._set_timebase(wanted))

    def _set_timebase(self, wanted: Timebase) -> Timebase:
        self._is_fresh = False
        self._timebase = put_timebase(self.session, self._rules, wanted)
        return self._timebase

    def set_trigger(self, wanted: Trigger) -> Trigger:
        """Set the edge trigger.

        Parameters
        ----------
        wanted : Trigger
            What is wanted.

        Returns
        -------
        Trigger
            As read back.
        """
        return self._want("trigger", lambda: self._set_trigger(wanted))

    def _set_trigger(self, wanted: Trigger) -> Trigger:
        self._is_fresh = False
        self._trigger = wanted
        return put_trigger(self.session, self._rules, wanted)

    # Records.

    def single(
        self,
        timeout_s: float,
        *,
        expected_s: float = 0.0,
        may_force: bool = False,
        look: Callable[[], None] = lambda: None,
    ) -> int:
        """Take one single shot and wait until it is there.

        Parameters
        ----------
        timeout_s : float
            Longest wait in seconds: the record before and after the trigger, five periods, and a second.
        expected_s : float
            When the record should be there: the scope is not asked before. Some say for a moment after they were
            armed that they are stopped, and hold the record before.
        may_force : bool
            When no trigger came in that time, trigger at once: for hum, whose phase does not matter.
        look : callable
            Called all the while; may raise to leave the shot.

        Returns
        -------
        int
            Number of the shot; all channels of one shot are simultaneous.

        Raises
        ------
        MeasurementError
            No trigger came.
        RecordVoid
            A knob was turned since the channel was set, or the link was lost meanwhile: what the scope holds may be
            of another shot then.
        """
        session, run = self.session, self._rules.run
        session.ready()
        self._is_fresh, times_set = False, self._times_set
        session.send(run.stop)
        session.send(run.single)
        deadline_s = session.clock.monotonic_s() + timeout_s
        rest(session.clock, min(expected_s, timeout_s), look)
        forces = may_force and run.force is not None
        while (state := self.state()) != "stopped":
            if session.clock.monotonic_s() >= deadline_s:
                if forces and run.force is not None:
                    forces = False
                    deadline_s = session.clock.monotonic_s() + timeout_s + FORCED_S
                    session.send(run.force)
                    continue
                session.send(run.stop)
                self._require_unturned(failed=True)
                trigger = self._trigger
                at = f" on {trigger.source}, {trigger.slope} through {trigger.level_v:g} V" if trigger else ""
                raise MeasurementError(
                    f"no trigger{at} within {timeout_s:.3g} s (the scope is {state})",
                    hint="a trigger was forced and nothing came of it: does the scope's own single key work?"
                    if may_force and run.force is not None
                    else "is there a signal that crosses the level? no trigger is forced: phase would be void",
                )
            rest(session.clock, POLL_S, look)
        self._require_unturned()  # once it is there: a knob may be turned while it is taken
        if self._times_set != times_set:
            raise RecordVoid("the link was lost while the record was taken", hint="take the record again")
        self._shot += 1
        self._is_fresh = True
        return self._shot

    def state(self) -> str:
        """Say what the scope is doing: ``running``, ``waiting`` or ``stopped``."""
        run = self._rules.run
        word = self.session.ask(run.ask).strip('"').upper()
        if word not in run.words:
            raise self.session.malformed(word, f"one of {', '.join(run.words)}")
        return run.words[word]

    def _require_unturned(self, *, failed: bool = False) -> None:
        require_unturned(self.session, self._rules, self._set, self._trigger, self._timebase, failed=failed)

    def fetch(self, channel: int, point: str) -> Capture:
        """Fetch the record of one channel from the last shot.

        Parameters
        ----------
        channel : int
            Counted from 1.
        point : str
            Where the probe is.

        Returns
        -------
        Capture
            Raw codes with their scale.

        Raises
        ------
        MeasurementError
            The record is void: nothing was taken, the scope runs again, gives none, or its settings changed in
            between.
        ReplyMalformed
            Preamble and data do not fit each other, or cannot be fitted.
        """
        session, rules = self.session, self._rules.waveform
        if not self._is_fresh:
            raise RecordVoid("there is no record to fetch", hint="take a single shot first")
        shot = self._shot
        self._require_stopped()
        for command in rules.before:
            session.send(fill(command, {"channel": channel}))
        try:
            before, preamble, data = read_record(session, self._rules, self._seen, (shot, channel))
            codes = decode_codes(data, preamble)
        except InstrumentReported as error:
            session.drop()
            raise RecordVoid(
                f"the scope gives no record of channel {channel}: {error}",
                hint="was it switched off by hand? all is set again by the next question: take the record again",
            ) from error
        except AcquisitionError:
            session.drop()  # a block may still be on its way: only a new connection is free of it
            raise
        after = session.ask(rules.preamble, keep_header=True)
        if after != before:
            raise RecordVoid(
                f"the settings of channel {channel} changed while its record was read", hint="take the record again"
            )
        self._require_stopped()
        if not self._is_fresh or shot != self._shot:
            raise RecordVoid("the link was lost while the record was read", hint="take the record again")
        self._require_order(channel, codes, preamble)
        set_ = self._set.get(channel)
        if set_:
            preamble = justified(preamble, codes, set_.full_scale_v)
        return Capture(
            point=point,
            codes=codes,
            scale_v=preamble.scale_v,
            offset_v=preamble.offset_v,
            t0_s=preamble.t0_s,
            dt_s=preamble.dt_s,
            full_scale_v=preamble.full_scale_v,
            clipped=is_clipped(codes, preamble),
            channel=channel,
            shot=shot,
            probe_factor=set_.probe_factor if set_ else 1.0,
            coupling=set_.coupling if set_ else "dc",
            bandwidth_hz=self._rules.limit_hz if set_ and set_.is_limited else None,
            taken_utc=session.clock.utc(),
            instrument=self.identity,
        )

    def _require_stopped(self) -> None:
        if self.state() != "stopped":
            self._is_fresh = False
            raise RecordVoid("the scope runs again, so its record is void", hint="leave its run key alone")

    def _require_order(self, channel: int, codes: np.ndarray, preamble: Preamble) -> None:
        if preamble.bits != 16:
            return
        shown_v = self.read_pp(channel)
        got_v = float(np.ptp(codes)) * abs(preamble.scale_v)
        if shown_v and abs(got_v - shown_v) > ORDER_DISAGREEMENT * max(got_v, shown_v):
            raise malformed(f"{got_v:g} V", f"about {shown_v:g} V peak to peak: is the byte order right?")

    def read_pp(self, channel: int) -> float | None:
        """Ask the scope for its own peak-to-peak value; a cross-check, because noise always adds to it.

        Parameters
        ----------
        channel : int
            Counted from 1.

        Returns
        -------
        float or None
            In volts; None where the scope has no value.
        """
        session, rules = self.session, self._rules.pp
        for command in rules.before:
            session.send(fill(command, {"channel": channel}))
        text = session.ask(fill(rules.ask, {"channel": channel}))
        if text in rules.invalid:
            return None
        try:
            value = parse_number(text)
        except OverRange:
            return None
        except ReplyMalformed:
            raise session.malformed(text, "a peak-to-peak value") from None
        return None if math.isnan(value) else value

    def close(self) -> None:
        """Give the link back; the scope stays as it is."""
        self.session.close()

    def __enter__(self) -> Scope:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_scope(bench: Bench, *, clock: Clock | None = None) -> Scope:
    """Open the scope of a bench.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        No scope in the bench file, nothing at its address, or another instrument.
    """
    entry = bench.scope
    if entry is None:
        raise InstrumentNotFound("the bench file has no scope", hint="add a scope to the bench file", tried={})
    session = open_session(bench, entry, clock)
    try:
        leave_out_unknown(session)
        scope = Scope(session, entry)
        scope.found = read_found(session)
        scope._apply()
    except BaseException:
        session.close()
        raise
    return scope
