"""The generator: a sine of known amplitude into an open circuit, and off whenever nothing is measured."""

from __future__ import annotations

import atexit
import math
import sys
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass

from ..clock import Clock, rest
from ..errors import (
    AcquisitionError,
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    InstrumentReported,
    ProtocolError,
    RecordVoid,
    SafetyStop,
    TransportError,
    TransportTimeout,
    harmless,
)
from ..scpi import fill
from ..signals import leaving_on_signals, undisturbed
from .accuracy import AccuracyTable
from .bench import Bench, GeneratorEntry
from .dialect_parts import Setting
from .session import Session, agrees, open_session

_open: weakref.WeakSet[Generator] = weakref.WeakSet()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sine:
    """A sine as the generator says it gives it.

    Parameters
    ----------
    freq_hz : float
        In hertz.
    pp_v : float
        Volts peak to peak into an open circuit.
    offset_v : float
        Volts.
    """

    freq_hz: float
    pp_v: float
    offset_v: float = 0.0


class Generator:
    """A generator whose output is off unless a measurement runs.

    Parameters
    ----------
    session : Session
        Open.
    entry : GeneratorEntry
        From the bench file.

    Attributes
    ----------
    identity : str
        What it says it is.
    source_ohm : float
        Its output resistance in ohms.
    sine : Sine or None
        What was read back last.
    was_on : bool
        Its output was on when it was opened; it is off since.
    """

    def __init__(self, session: Session, entry: GeneratorEntry) -> None:
        rules = session.dialect.generator
        assert rules is not None  # noqa: S101  a generator dialect has one
        self._rules = rules
        self.session = session
        self.identity = str(session.identity)
        self.source_ohm = entry.source_ohm
        self.accuracy: AccuracyTable = entry.accuracy
        self.most_pp_v = entry.most_pp_v
        self.sine: Sine | None = None
        self.was_on = False
        self._found: list[tuple[Setting, float | bool | str]] = []
        self._unread = ""
        self._plain: list[Setting] = []  # of the dialect's switches those that it has
        self._wanted: Sine | None = None
        self._is_on = False
        # What the generator calls amplitude, a volt peak to peak.
        self._per_pp = {"pp": 1.0, "peak": 0.5, "rms": 0.5 / 2.0**0.5}[rules.amplitude.means or "pp"]
        session.apply_wanted = self._apply
        _open.add(self)

    @property
    def is_on(self) -> bool:
        """True from the moment the output was told to switch on until it confirmed that it is off."""
        return self._is_on

    def note_found(self) -> None:
        """Ask how it was left, before anything is sent to it: output on or off, and what `restore` sets again."""
        try:
            self.was_on = bool(self.session.get(self._rules.output))
            self._found = [(setting, self.session.get(setting)) for setting in self._rules.kept]
        except (ProtocolError, TransportTimeout) as error:
            # Somebody uses it for something this dialect has no words for, or that leaves it no such setting; the
            # rest alone would be something else. Whatever it is, the output has to go off.
            self._found, self._unread = [], str(error)

    def make_plain(self) -> None:
        """Switch off what makes something else of a sine, as far as it has such switches; the output is off."""
        session = self.session
        session.drain_errors()
        self._plain = [each for each in self._rules.plain if each.ask is not None and session.knows(each.ask)]
        if not self._unread:
            self._found += [(each, session.get(each)) for each in self._plain]
        self._switch_off_what_is_not_plain()

    def _switch_off_what_is_not_plain(self) -> None:
        for each in self._plain:
            if self.session.get(each):
                self.session.put(each, False)

    def restore(self) -> list[str]:
        """Set it as it was found, the output off.

        Returns
        -------
        list of str
            What could not be set again, in words.
        """
        self._off()
        self._wanted = self.sine = None
        for setting, value in self._found:
            wire = setting.words[str(value)][0] if setting.words else "INF" if value == "infinite" else value
            self.session.send(fill(setting.set or "", {"value": wire}))
        left = [self._unread] if self._unread else []
        left += [str(entry) for entry in self.session.drain_errors()]
        for setting, value in self._found:
            try:
                got = self.session.get(setting)
            except ProtocolError as error:
                left.append(str(error))
                continue
            if got != value and not (isinstance(got, float) and math.isclose(got, float(value), rel_tol=1e-4)):
                left.append(f"{setting.ask} gives {got}, was {value}")
        return left

    def set_sine(self, freq_hz: float, pp_v: float, offset_v: float = 0.0) -> Sine:
        """Set up a sine; the output is switched off for it.

        Parameters
        ----------
        freq_hz : float
            In hertz.
        pp_v : float
            Volts peak to peak into an open circuit.
        offset_v : float
            Volts.

        Returns
        -------
        Sine
            As read back.

        Raises
        ------
        SafetyStop
            More than the bench file allows.
        CommandRefused
            The generator made something else of it.
        """
        if not (freq_hz > 0 and pp_v > 0):
            raise CommandRefused(
                "a sine needs a frequency and an amplitude above zero", hint="check what was asked for"
            )
        if pp_v / 2 + abs(offset_v) > self.most_pp_v / 2:
            raise SafetyStop(
                f"{pp_v:g} V peak to peak at {offset_v:g} V offset is more than most_pp_v, {self.most_pp_v:g} V",
                hint="lower the drive, or raise most_pp_v in the bench file if the input can stand it",
            )
        self.session.ready()
        self._wanted, self.sine = Sine(freq_hz=freq_hz, pp_v=pp_v, offset_v=offset_v), None
        try:
            self._apply()
        except (CommandRefused, InstrumentReported):
            self._wanted = None  # set again after a loss it would be refused again, and no link could be mended
            raise
        assert self.sine is not None  # noqa: S101  _apply() sets it or raises
        return self.sine

    def _apply(self) -> None:
        """Off first; then load before amplitude, unit before amplitude, offset to zero before amplitude."""
        session, rules = self.session, self._rules
        session.put(rules.output, False)
        self._is_on = False
        session.put(rules.load)
        session.put(rules.unit)
        session.put(rules.function)
        self._switch_off_what_is_not_plain()
        wanted = self._wanted
        if wanted is None:
            return
        per_pp = self._per_pp
        offset_v = session.put(rules.offset, 0.0)
        freq_hz = session.put(rules.frequency, wanted.freq_hz)
        amplitude_v = session.put(rules.amplitude, wanted.pp_v * per_pp)
        if wanted.offset_v != 0:
            offset_v = session.put(rules.offset, wanted.offset_v)
        session.check_errors("while the sine was set")
        self.sine = Sine(freq_hz=float(freq_hz), pp_v=float(amplitude_v) / per_pp, offset_v=float(offset_v))

    def output(self, on: bool, look: Callable[[], None] = lambda: None) -> None:
        """Switch the output, and read back that it is so.

        Parameters
        ----------
        on : bool
            True gives signal after the settling time.
        look : callable
            Called before it is switched on and while it settles; may raise.

        Raises
        ------
        ConnectionLost
            Switching off failed, and so the output may still be on: the text says it.
        """
        if not on:
            self._off()
            return
        if self.sine is None:
            raise CommandRefused("no sine is set", hint="set frequency and amplitude first")
        # After a power cut it would give something else than was set.
        self.session.require_settings()
        amplitude_v = float(self.session.get(self._rules.amplitude)) / self._per_pp
        if self.session.get(self._rules.load) != "infinite" or not math.isclose(
            amplitude_v, self.sine.pp_v, rel_tol=1e-3
        ):
            self.session.drop()
            raise ConnectionLost(
                "the generator no longer has the settings it was given",
                hint="they are restored by the next question: was it switched off and on?",
            )
        self.session.ready()  # a link that is mended switches off
        look()  # setting all up took its time: who asked to stop meanwhile gets no signal at all
        self._is_on = True  # from here on it may be on, whatever the answer
        self.session.put(self._rules.output, True)
        self.require_sine()  # cut off and back just before, it would give its own defaults now
        settle_s = self._rules.settle_periods / self.sine.freq_hz + self._rules.settle_s
        rest(self.session.clock, settle_s, look)

    def require_sine(self) -> None:
        """Make sure that it still gives what was set; to be asked after a record and before it is kept.

        Raises
        ------
        ConnectionLost
            It was switched off and on meanwhile, or may have been.
        RecordVoid
            It gives something else: somebody turned a knob, or it protected itself.
        """
        link = self.session.link
        self.session.require_settings()
        if self.session.link is not link:  # mended by the question, and all was set again with the output off
            raise ConnectionLost(
                "the generator's link was lost while it gave its signal",
                hint="its output was switched off and the sine set again: take the record again",
            )
        rules, sine = self._rules, self.sine
        if sine is None:
            return
        wanted: tuple[tuple[str, Setting, float | bool | None], ...] = (
            ("output", rules.output, True),
            ("load", rules.load, None),
            ("wave", rules.function, None),
            ("frequency", rules.frequency, sine.freq_hz),
            ("amplitude", rules.amplitude, sine.pp_v * self._per_pp),
            ("offset", rules.offset, sine.offset_v),
        )
        for name, setting, value in wanted:
            if setting.ask is not None and not agrees(setting, value, got := self.session.get(setting)):
                told = "off" if got is False else f"{got:g}" if isinstance(got, float) else got
                raise RecordVoid(
                    f"the generator no longer gives what was set: its {name} is {told}",
                    hint="leave its keys and knobs alone; does it switch itself off at this load?",
                )
        for each in self._plain:
            if self.session.get(each):
                raise RecordVoid(
                    f"the generator no longer gives a plain sine: {each.ask} says that it is on",
                    hint="modulation, sweep or burst was switched on at it: leave its keys alone",
                )

    def _off(self) -> None:
        # One that is lost already is looked for through all its time-outs, and once more when the program ends.
        with nullcontext() if self.session.link is None else undisturbed():
            try:
                try:
                    self.session.put(self._rules.output, False)
                except (TransportError, ProtocolError):
                    # A loss is noticed only by asking; the second time the link is opened afresh, switching off
                    # first. And the order may have got lost on the way, or its confirmation.
                    self.session.put(self._rules.output, False)
            except AcquisitionError as error:
                raise ConnectionLost(
                    f"the generator could not be told to switch off: {error}",
                    hint="its output may still be ON: switch it off by hand",
                ) from error
            self._is_on = False

    @contextmanager
    def measuring(self, look: Callable[[], None] = lambda: None) -> Iterator[Sine]:
        """Have the output on inside a ``with`` block, and off after it however it is left.

        Parameters
        ----------
        look : callable
            As for `output`.

        Yields
        ------
        Sine
            What is being given.

        Notes
        -----
        In the main thread a polite request to end the process (`OFF_SIGNALS`) becomes ``SystemExit`` inside the
        block, so that the output is switched off on that way too; Ctrl-Z stops the process after the block.
        """
        if self.sine is None:
            raise CommandRefused("no sine is set", hint="set frequency and amplitude first")
        with leaving_on_signals():
            try:
                self.output(True, look)
                yield self.sine
            finally:
                self.output(False)

    def close(self) -> None:
        """Switch off and give the link back.

        Raises
        ------
        ConnectionLost
            It may still be on.
        """
        try:
            if self.session.link is not None or self._is_on:
                self._off()
        finally:
            self.session.close()

    def __enter__(self) -> Generator:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _all_off() -> None:
    """Switch off whatever was left open when the process ends."""
    for generator in list(_open):
        link = generator.session.link
        if link is not None and not link.is_of_this_thread:
            # Its thread is in the middle of something and did not end in time: it loses the link, and a new one
            # switches off.
            generator.session.drop()
        try:
            generator.close()
        except AcquisitionError as error:
            # Not where the results go: that may be a file nobody looks at now.
            print(f"{harmless(str(error))}\n  hint: {error.hint}", file=sys.stderr)


atexit.register(_all_off)


def open_generator(bench: Bench, *, clock: Clock | None = None) -> Generator:
    """Open the generator of a bench; its output is off, its load set to infinite.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        No generator in the bench file, nothing at its address, or another instrument.
    """
    entry = bench.generator
    if entry is None:
        raise InstrumentNotFound(
            "the bench file has no generator", hint="add a generator to the bench file", tried={}
        )
    session = open_session(bench, entry, clock)
    generator: Generator | None = None
    try:
        generator = Generator(session, entry)
        generator.note_found()
        generator._apply()
        generator.make_plain()
    except BaseException:
        if generator is not None:
            with suppress(AcquisitionError):  # one that is gone cannot be set, and hides no other error
                generator.restore()
        session.close()
        raise
    return generator
