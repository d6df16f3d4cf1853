"""The meter: DC volts, asked for or streaming, always with time, range, resolution and flags."""

from __future__ import annotations

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Iterator

from ..clock import Clock
from ..errors import (
    AcquisitionError,
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    MeasurementError,
    OverRange,
    ProtocolError,
    ReplyMalformed,
    TransportError,
    TransportTimeout,
)
from ..scpi import decode_reply, parse_number
from ..transport import Link
from .accuracy import AccuracyTable
from .bench import Bench, MeterEntry
from .dialect import AskingMeter, StreamingMeter
from .samples import Sample
from .session import Session, open_session

BAD_IN_A_ROW = 3
"""Damaged frames or failed questions in a row that make a fault."""

LONGEST_FRAME = 200


class Meter(ABC):
    """A meter on DC volts.

    Attributes
    ----------
    identity : str
        What it says it is; the dialect's words where it cannot be asked.
    input_ohm : float
        Its input resistance in ohms.
    rate_hz : float
        Samples a second to expect.
    session : Session
        The dialogue underneath.
    gaps : list of str
        Losses of the link that were mended.
    """

    identity: str
    rate_hz: float
    session: Session
    gaps: list[str]

    def __init__(self, entry: MeterEntry) -> None:
        self.input_ohm = entry.input_ohm
        self.accuracy: AccuracyTable = entry.accuracy

    @abstractmethod
    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        """Set the meter to DC volts.

        Parameters
        ----------
        range_v : float, optional
            Highest voltage to be read, in volts; autorange when left out.
        nplc : float
            Integration time in mains periods; whole numbers reject hum.

        Raises
        ------
        CommandRefused
            The meter cannot, or did not take it.
        """

    @abstractmethod
    def stream(self) -> Iterator[Sample]:
        """Give samples for ever.

        Yields
        ------
        Sample
            In order of time. Overload, HOLD and the like come as flagged samples; so does a mended loss of the link
            (flag ``gap``).

        Raises
        ------
        InstrumentNotFound, TransportError, ProtocolError
            The link could not be mended. A new ``stream()`` tries again.
        """

    @abstractmethod
    def _next(self) -> Sample:
        """Get one fresh sample."""

    @abstractmethod
    def close(self) -> None:
        """Give the link back."""

    def read(self) -> Sample:
        """Take one reading.

        Returns
        -------
        Sample
            One that is a reading.

        Raises
        ------
        OverRange
            Beyond the range: unknown and high.
        MeasurementError
            HOLD, REL, low battery, not DC volts, or no value.
        TransportError, ProtocolError, InstrumentNotFound
            As their names say.
        """
        sample = self._next()
        if sample.is_reading:
            return sample
        if "overload" in sample.flags:
            raise OverRange(
                f"the meter shows overload on its range of {sample.range_v:g} V",
                hint="unknown and high, not zero: use a higher range, and check the ratings first",
                limit_v=sample.range_v,
            )
        raise MeasurementError(
            f"not a reading: {sample.reason}", hint="look at the display and the buttons of the meter"
        )

    def std_v(self, sample: Sample) -> float:
        """Give the standard uncertainty of a sample from the printed accuracy.

        Parameters
        ----------
        sample : Sample
            One that is a reading.

        Returns
        -------
        float
            In volts, k = 1; the limit of error taken as rectangular.
        """
        accuracy = self.accuracy.for_range(sample.range_v)
        full_scale_v = sample.range_v if math.isfinite(sample.range_v) else abs(sample.value_v)
        return accuracy.std_v(sample.value_v, sample.resolution_v, full_scale_v)

    def __enter__(self) -> Meter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class AskedMeter(Meter):
    """A meter that measures when asked.

    Parameters
    ----------
    session : Session
        Open.
    entry : MeterEntry
        From the bench file.
    mains_hz : float
        For the length of a conversion.
    """

    def __init__(self, session: Session, entry: MeterEntry, mains_hz: float) -> None:
        super().__init__(entry)
        rules = session.dialect.meter
        assert isinstance(rules, AskingMeter)  # noqa: S101  open_meter looks at the mode
        self._rules = rules
        self.session = session
        self._mains_hz = mains_hz
        self._wanted: tuple[float | None, float] | None = None
        self._resolutions: dict[float, float] = {}
        self.identity = str(session.identity)
        self.gaps = session.gaps
        self.rate_hz = mains_hz / (2.0 * entry.nplc)
        session.apply_wanted = self._apply

    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        self.session.ready()  # so that a mended link does not apply the new settings twice
        self._wanted = (range_v, nplc)
        self._apply()

    def _apply(self) -> None:
        if self._wanted is None:
            return
        range_v, nplc = self._wanted
        session, settings = self.session, self._rules.settings
        for command in self._rules.setup:
            session.send(command)
        session.put(self._rules.function)
        if settings.input is not None:
            session.put(settings.input, False)
        if settings.nplc is not None:
            session.put(settings.nplc, nplc)
        if range_v is None:
            session.put(settings.autorange, True)
        else:
            session.put(settings.range, range_v)
        session.check_errors("while it was set to DC volts")
        self._resolutions.clear()
        self.rate_hz = self._mains_hz / (2.0 * nplc)

    def deadline_s(self) -> float:
        """Longest time a reading can take with the settings in force, in seconds.

        Integration over ``nplc`` mains periods, twice for the automatic zero, two conversions more for autorange,
        and the margin of the dialect, half a second.
        """
        range_v, nplc = self._wanted or (None, 1.0)
        conversion_s = 2.0 * nplc / self._mains_hz
        return conversion_s * (3.0 if range_v is None else 1.0) + self.session.dialect.link.margin_s

    def _next(self) -> Sample:
        session, rules = self.session, self._rules
        text = session.ask(rules.read, self.deadline_s())
        t_s = session.clock.monotonic_s()
        if not self._is_volts():
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset({"wrong_function"}))
        range_v = self._confirmed(rules.range_ask)
        if not 0 < range_v < 1e5:
            raise session.malformed(f"{range_v:g}", "a range in volts")
        resolution_v = self._resolution_v(range_v)
        if rules.again is not None and (again := session.ask(rules.again)) != text:
            # Asked last: function and range between the two belong to this reading, or all is void.
            raise session.malformed(again, f"the same reading again, {text}")
        flags = {"auto"} if self._wanted is None or self._wanted[0] is None else set()
        try:
            value_v = parse_number(text)
        except OverRange:
            flags |= {"overload", "negative"} if text.startswith("-") else {"overload"}
            value_v = math.nan
        except ReplyMalformed:
            raise session.malformed(text, "a reading") from None
        else:
            if math.isnan(value_v):
                flags.add("no_value")
            elif abs(value_v) > 1.3 * range_v:
                raise session.malformed(text, f"a reading within the range of {range_v:g} V")
        return Sample(t_s=t_s, value_v=value_v, resolution_v=resolution_v, range_v=range_v, flags=frozenset(flags))

    def _is_volts(self) -> bool:
        """Read the function back: somebody may have turned the knob."""
        return str(self.session.get(self._rules.function)) in {name.upper() for name in self._rules.function.accept}

    def _confirmed(self, query: str) -> float:
        """Ask for a number twice, because an answer can be damaged or belong to an earlier question."""
        number = self.session.ask_number(query)
        if (again := self.session.ask_number(query)) != number:
            raise self.session.malformed(f"{again:g}", f"the same answer to {query} again, {number:g}")
        return number

    def _resolution_v(self, range_v: float) -> float:
        if self._rules.counts is not None:
            return range_v / self._rules.counts
        assert self._rules.resolution_ask is not None  # noqa: S101  the dialect model wants one of the two
        if range_v not in self._resolutions:
            resolution_v = self._confirmed(self._rules.resolution_ask)
            if not 0 < resolution_v <= range_v:
                raise self.session.malformed(f"{resolution_v:g}", f"a resolution within {range_v:g} V")
            self._resolutions[range_v] = resolution_v
        return self._resolutions[range_v]

    def stream(self) -> Iterator[Sample]:
        failed = 0
        while True:
            try:
                sample = self._next()
            except (TransportError, ProtocolError) as error:
                failed += 1
                if failed >= BAD_IN_A_ROW:
                    raise
                yield _gap(self.session.clock, error)
            else:
                failed = 0
                yield sample

    def close(self) -> None:
        self.session.close()


class StreamedMeter(Meter):
    """A meter that sends a line for each conversion, unasked.

    Parameters
    ----------
    session : Session
        Open, of a dialect that streams.
    entry : MeterEntry
        From the bench file.
    """

    def __init__(self, session: Session, entry: MeterEntry) -> None:
        super().__init__(entry)
        rules = session.dialect.meter
        assert isinstance(rules, StreamingMeter)  # noqa: S101  open_meter looks at the mode
        self._rules = rules
        self.session = session
        self._frame = re.compile(rules.frame)
        self._fresh_until_s = -math.inf
        self.rate_hz = rules.rate_hz
        self.identity = f"{session.dialect.dialect} at {entry.resource}"
        self.gaps = session.gaps
        self.damaged = 0

    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        """Check that the meter is on DC volts; nothing can be set over this link.

        Parameters
        ----------
        range_v, nplc
            Only as they are.

        Raises
        ------
        CommandRefused
            A range is asked for, or the meter is on another function.
        """
        if range_v is not None:
            raise CommandRefused(
                "this meter chooses its range at its own knob", hint="set the range on the meter, or use autorange"
            )
        if "wrong_function" in self._next().flags:
            raise CommandRefused("the meter is not set to DC volts", hint="turn its knob to DC volts")

    def _link(self) -> Link:
        session = self.session
        link = session.link
        now_s = session.clock.monotonic_s()
        if link is None:
            link = session.ready()
        elif not link.dirty and now_s <= self._fresh_until_s:
            return link
        # What lies in the buffers is old, and what comes first may be the tail of a line.
        link.dirty = False
        try:
            while link.read_some(0.0):
                pass
            link.read_line(self._silence_s(), self._end)
        except TransportError:
            session.drop()
            raise
        return link

    @property
    def _end(self) -> bytes:
        return self.session.dialect.link.read_end

    def _silence_s(self) -> float:
        return max(1.0, 4.0 / self.rate_hz)

    def _next(self) -> Sample:
        bad: list[bytes] = []
        pending, seen = "", 0
        while True:
            link = self._link()
            try:
                raw = link.read_line(self._silence_s(), self._end, LONGEST_FRAME)
            except TransportTimeout as error:
                self.session.drop()
                if error.received:
                    raise
                raise TransportTimeout(
                    f"{link.resource}: the meter is silent for {self._silence_s():.3g} s",
                    hint="switched off, asleep, its output not switched on, or the cable out?",
                    resource=link.resource,
                    timeout_s=self._silence_s(),
                    received=b"",
                ) from error
            except ConnectionLost:
                self.session.drop()
                raise
            t_s = self.session.clock.monotonic_s()
            self._fresh_until_s = t_s + max(1.0, 2.0 / self.rate_hz)
            text = decode_reply(raw)
            match = self._frame.fullmatch(text)
            if match is None or not raw.endswith(self.session.dialect.link.write_end):
                self.damaged += 1
                bad.append(raw)
                pending, seen = "", 0
                if len(bad) >= BAD_IN_A_ROW:
                    link.dirty = True
                    raise ReplyMalformed(
                        f"{link.resource}: {len(bad)} lines in a row are not frames of this meter: {raw[:60]!r}",
                        hint="does the dialect fit the meter? are baud rate, bits and parity right?",
                        raw=raw,
                        expected=self._rules.frame,
                    )
                continue
            if text != pending:
                if seen:
                    self.damaged += 1  # a frame whose twin did not come
                pending, seen = text, 0
            seen += 1
            if seen >= self._rules.repeats:
                return self._sample(t_s, match)

    def _sample(self, t_s: float, match: re.Match[str]) -> Sample:
        rules = self._rules
        shown = match["value"].replace(" ", "")
        flags = {rules.flags.get(word, "") for word in match["flags"].split()} - {""}
        unknown = [word for word in match["flags"].split() if word not in rules.flags]
        if unknown:
            raise ReplyMalformed(
                f"the meter shows {' '.join(unknown)}, which its dialect does not know",
                hint="add the flag to the dialect file",
                raw=match.string.encode("latin-1"),
                expected=" ".join(rules.flags),
            )
        unit = match["unit"].strip()
        if match["coupling"] != rules.coupling or unit not in rules.units:
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset(flags | {"wrong_function"}))
        unit_v = rules.units[unit]
        if shown.lstrip("+-") in rules.overload:
            flags |= {"overload", "negative"} if shown.startswith("-") else {"overload"}
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset(flags))
        decimals = len(shown.partition(".")[2])
        resolution_v = unit_v * 10.0**-decimals
        return Sample(
            t_s=t_s,
            value_v=round(parse_number(shown) * unit_v, 12),
            resolution_v=resolution_v,
            range_v=round(rules.counts * resolution_v, 12),
            flags=frozenset(flags),
        )

    def stream(self) -> Iterator[Sample]:
        failed = 0
        while True:
            try:
                sample = self._next()
            except (TransportError, ReplyMalformed) as error:
                failed += 1
                if failed >= BAD_IN_A_ROW:
                    raise
                yield _gap(self.session.clock, error)
            else:
                failed = 0
                yield sample

    def close(self) -> None:
        self.session.close()


def _gap(clock: Clock, error: AcquisitionError) -> Sample:
    del error  # the session keeps the words
    return Sample(t_s=clock.monotonic_s(), value_v=math.nan, flags=frozenset({"gap"}))


def open_meter(bench: Bench, *, clock: Clock | None = None) -> Meter:
    """Open the meter of a bench and make sure that it is one.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        No meter in the bench file, nothing at its address, or another instrument.
    """
    entry = bench.meter
    if entry is None:
        raise InstrumentNotFound("the bench file has no meter", hint="add a meter to the bench file", tried={})
    session = open_session(bench, entry, clock)
    if isinstance(session.dialect.meter, StreamingMeter):
        streamed = StreamedMeter(session, entry)
        try:
            streamed._next()
        except AcquisitionError as error:
            session.close()
            raise InstrumentNotFound(
                f"{entry.resource}: no meter of this kind: {error}",
                hint=error.hint,
                tried={entry.resource: str(error)},
            ) from error
        return streamed
    meter = AskedMeter(session, entry, float(bench.mains_hz))
    try:
        meter.configure_dc(nplc=entry.nplc)
    except BaseException:
        session.close()
        raise
    return meter
