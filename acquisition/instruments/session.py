"""One instrument at the other end of a connection: questions, settings read back, errors emptied."""

from __future__ import annotations

import math

from ..clock import Clock
from ..errors import (
    AcquisitionError,
    CommandRefused,
    ConnectionLost,
    InstrumentReported,
    OverRange,
    ProtocolError,
    ReplyMalformed,
    TransportError,
    TransportTimeout,
)
from ..scpi import (
    BlockReader,
    ErrorEntry,
    fill,
    parse_error_entry,
    parse_number,
    parse_string,
    parse_switch,
)
from ..transport import Link, open_link
from .bench import Bench, Instrument
from .connection import Connection
from .dialect import load_dialect
from .dialect_parts import Setting

MOST_ERRORS = 30
NUMBER_TOLERANCE = 1e-3
"""Relative difference between a number set and read back that is rounding, not clamping."""


class Session(Connection):
    """The dialogue with one instrument: questions, settings, errors; see `Connection` for the rest."""

    # Dialogue.

    def send(self, command: str) -> None:
        """Send a command that has no answer.

        Parameters
        ----------
        command : str
            One program message without terminator.
        """
        self._write(self.ready(), command)

    def ask(self, query: str, timeout_s: float | None = None, *, keep_header: bool = False) -> str:
        """Send a query and read its answer.

        Parameters
        ----------
        query : str
            One program message without terminator.
        timeout_s : float, optional
            Deadline for the answer in seconds; the dialect's when left out.
        keep_header : bool
            Leave the header of a dialect with headers where it is.

        Returns
        -------
        str
            The answer without line end and header.

        Raises
        ------
        InstrumentReported
            It did not answer, and its error queue says why.
        TransportTimeout, ConnectionLost, ReplyMalformed, InstrumentNotFound
            As their names say; the next question puts the link into step first.
        """
        link = self.ready()
        try:
            return self._answer(link, query, timeout_s or self.dialect.link.query_s, keep_header=keep_header)
        except TransportTimeout as error:
            raise self._explained(link, query, error) from error
        except ConnectionLost:
            self.close()
            raise

    def ask_block(self, query: str, unit_bytes: int = 1) -> bytes:
        """Send a query and read the block it answers with, each quarter megabyte within the time for an answer.

        Parameters
        ----------
        query : str
            One program message without terminator.
        unit_bytes : int
            Bytes a point, for dialects whose blocks count points.

        Returns
        -------
        bytes
            The payload.

        Raises
        ------
        ReplyMalformed, TransportTimeout, ConnectionLost, InstrumentReported, InstrumentNotFound
            As `ask`.
        """
        link = self.ready()
        counts_points = self.dialect.link.block_counts == "points"
        reader = BlockReader(unit_bytes if counts_points else 1)
        try:
            with link.asking():
                self._read_block(link, query, reader)
            return reader.end()
        except TransportTimeout as error:
            raise self._explained(link, query, error) from error
        except ConnectionLost:
            self.close()
            raise
        except ReplyMalformed:
            link.dirty = True
            raise

    def _read_block(self, link: Link, query: str, reader: BlockReader) -> None:
        patience_s = self.dialect.link.query_s
        self._write(link, query)
        while reader.missing:
            reader.feed(link.read_exact(min(reader.missing, 262_144), patience_s))
            self.waiting_since_s = None
        if reader.is_indefinite:
            reader.feed(link.read_message(patience_s))
        elif link.is_at_end:
            pass  # as good as a line end: links that mark the end lose no bytes
        elif self.dialect.link.block_end == "newline":
            # Where exactly the line end must come, a byte lost or doubled cannot hide behind it; and a last
            # sample of 0x0D is no CR where other answers have none.
            end = self.dialect.link.read_end
            if link.read_line(patience_s, end) not in {end, self._line_end} or link.has_input():
                raise self.malformed(f"{reader.payload[-20:]!r}", "a line end, and nothing else, after the block")
        else:
            # It may come all the same; left unread it would spoil the next answer.
            reader.feed(link.read_some(0.05))

    def ask_number(self, query: str) -> float:
        """Ask for a number of a setting: what stands for overload or no value is an odd answer, not a state.

        Parameters
        ----------
        query : str
            One program message without terminator.

        Raises
        ------
        ReplyMalformed
            Not a finite number; the rest as `ask`.
        """
        text = self.ask(query)
        try:
            number = parse_number(text)
        except (OverRange, ReplyMalformed):
            number = math.nan
        if math.isnan(number):
            raise self.malformed(text, f"a number in answer to {query}")
        return number

    def knows(self, query: str) -> bool:
        """Ask a question that not every instrument of the family knows, and find out whether this one does.

        Errors it reports for that are emptied; the queue has to be empty before.

        Parameters
        ----------
        query : str
            Answered by ON, OFF, 1 or 0 where it is known.

        Raises
        ------
        ConnectionLost, InstrumentNotFound
            The instrument is gone.
        """
        for _ in range(2):  # one answer may be damaged, and would leave the question out for good
            link = self.ready()
            try:
                try:
                    parse_switch(self._answer(link, query, self.dialect.link.identify_s))
                    return True
                except TransportTimeout:
                    link.clear()
                    if any(entry.kind == "command" for entry in self._drain(link)):
                        link.owes = False  # what it could not read it never answers
                        return False
            except (TransportTimeout, ProtocolError):
                pass
            except ConnectionLost:
                self.close()
                raise
            link.dirty = True
        return False

    def _explained(self, link: Link, query: str, late: TransportTimeout) -> AcquisitionError:
        """Find out why an answer did not come: an unknown question is silent, and the error queue knows it."""
        if self._mending or self.dialect.errors is None:
            return late
        self._mending = True
        try:
            link.clear()
            marker = self.dialect.identity
            if marker is not None and self._answer(link, marker.ask, self.dialect.link.identify_s) != self._known:
                link.dirty = True
                return late
            if not self._keeps_settings(link):
                raise self._switched_off(link)
            entries = self._drain(link)
            if link.owes:
                self.close()  # the answer may still come, at any time: only a new connection is free of it
        except ConnectionLost as lost:
            self.close()  # everything set is set again when the link is opened again
            return lost
        except (TransportError, ProtocolError):
            link.dirty = True
            return late
        finally:
            self._mending = False
        return self._reported(entries, f"after {query}") if entries else late

    # Settings.

    def put(
        self, setting: Setting, value: float | bool | str | None = None, channel: int = 0
    ) -> float | bool | str:
        """Set something and read back what the instrument made of it.

        Parameters
        ----------
        setting : Setting
            From the dialect.
        value : float, bool or str, optional
            What is wanted; None where the command itself says it.
        channel : int
            For commands with a channel.

        Returns
        -------
        float, bool or str
            As read back, or as set where the instrument cannot be asked.

        Raises
        ------
        CommandRefused
            The instrument made something else of it.
        """
        command = setting.ask
        if setting.set is not None:
            wire: object = value
            if setting.form == "word":
                if str(value) not in setting.words:
                    raise CommandRefused(
                        f"{setting.set}: {value!r} is not one of {', '.join(setting.words)}",
                        hint="the dialect has no word for it",
                    )
                wire = setting.words[str(value)][0]
            command = fill(setting.set, {"channel": channel, "value": wire})
            self.send(command)
        if setting.ask is None:
            return "" if value is None else value
        got = self.get(setting, channel)
        if not agrees(setting, value, got):
            raise CommandRefused(
                f"the {self.dialect.role} was told {command!r} but says {got!r}",
                hint="the value is beyond its limits, or another setting forbids it",
            )
        return got

    def get(self, setting: Setting, channel: int = 0) -> float | bool | str:
        """Read a setting back.

        Parameters
        ----------
        setting : Setting
            From the dialect.
        channel : int
            For commands with a channel.
        """
        if setting.ask is None:
            raise CommandRefused("this setting cannot be asked for", hint="look at the dialect file")
        query = fill(setting.ask, {"channel": channel})
        if setting.form == "number":
            return self.ask_number(query)
        text = self.ask(query)
        if setting.form == "switch":
            return self._parsed(parse_switch, text)
        word = self._parsed(parse_string, text).upper()
        if setting.form == "text":
            return word
        if setting.form == "word":
            for ours, theirs in setting.words.items():
                if word in {each.upper() for each in theirs}:
                    return ours
            raise self.malformed(text, f"one of {', '.join(t for each in setting.words.values() for t in each)}")
        try:
            return self._parsed(parse_number, text)
        except OverRange:
            return "infinite"
        except ReplyMalformed:
            return "infinite" if word in {"INF", "INFINITY"} else text

    # Errors.

    def drain_errors(self) -> list[ErrorEntry]:
        """Empty the error queue.

        Returns
        -------
        list of ErrorEntry
            Oldest first, at most 30; then ``*CLS`` is sent, whatever is left.
        """
        return self._drain(self.ready())

    def _drain(self, link: Link) -> list[ErrorEntry]:
        queue = self.dialect.errors
        entries: list[ErrorEntry] = []
        if queue is None:
            return entries
        if queue.after_events and not self._keeps_settings(link):
            raise self._switched_off(link)
        for _ in range(MOST_ERRORS):
            entry = self._parsed(parse_error_entry, self._answer(link, queue.ask, self.dialect.link.query_s))
            if entry.code in queue.none:
                return entries
            entries.append(entry)
        self._write(link, "*CLS")
        return entries

    def check_errors(self, doing: str) -> None:
        """Empty the error queue and complain if there was anything in it, or if settings may have been lost.

        Parameters
        ----------
        doing : str
            What was being done, for the message.

        Raises
        ------
        InstrumentReported
            With the first entry.
        ConnectionLost
            It was switched off and on meanwhile.
        """
        self.require_settings()
        if entries := self.drain_errors():
            raise self._reported(entries, doing)

    def require_settings(self) -> None:
        """Make sure that the instrument was not switched off since it was set.

        Raises
        ------
        ConnectionLost
            It was, or may have been; the next question sets everything again.
        """
        link = self.ready()
        if not self._keeps_settings(link):
            raise self._switched_off(link)

    def _reported(self, entries: list[ErrorEntry], doing: str) -> InstrumentReported:
        first = entries[0]
        more = f" (and {len(entries) - 1} more)" if len(entries) > 1 else ""
        return InstrumentReported(
            f"the {self.dialect.role} reports {doing}: {first}{more}",
            hint=f"{first.kind} error: does {self.dialect.dialect} fit this instrument?",
            code=first.code,
            text=first.text,
        )


def agrees(setting: Setting, wanted: float | bool | str | None, got: float | bool | str) -> bool:
    """Whether an instrument says what was wanted, as far as its dialect lets it choose.

    Parameters
    ----------
    setting : Setting
        From the dialect.
    wanted : float, bool or str, optional
        None where the command itself says it.
    got : float, bool or str
        As read back.
    """
    if setting.loose:
        return True
    if setting.form == "infinite":
        return got == "infinite"
    if setting.form == "text":
        return str(got).upper() in {each.upper() for each in setting.accept}
    if wanted is None or isinstance(got, str) or isinstance(got, bool):
        return wanted is None or got == wanted
    slack = max(NUMBER_TOLERANCE * abs(float(wanted)), 1e-6 if float(wanted) == 0 else 0.0)
    difference = float(got) - float(wanted)
    return difference >= -slack if setting.at_least else abs(difference) <= slack


def open_session(bench: Bench, entry: Instrument, clock: Clock | None = None) -> Session:
    """Open the dialogue with one instrument of a bench.

    Parameters
    ----------
    bench : Bench
        For the VISA library.
    entry : Instrument
        The meter, scope or generator of the bench file.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        Nothing there, or something else.
    """
    dialect = load_dialect(entry.dialect)
    if entry.query_s is not None:
        dialect = dialect.model_copy(update={"link": dialect.link.slowed(entry.query_s)})
    serial = (entry.serial or dialect.link.serial).settings()

    def opener() -> Link:
        return open_link(entry.resource, serial=serial, backend=bench.backend, clock=clock)

    session = Session(opener, dialect, identity_pattern=entry.identity, clock=clock)
    session.open()
    return session
