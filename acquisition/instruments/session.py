"""One instrument at the other end of a link: questions, settings, errors, and getting back into step.

A plausible number under the wrong name is the worst fault a logger can make. So whenever an answer is late, cut
short, doubled or not what was expected, nothing more is asked until the link is in step again: input thrown away
until it is silent, then ``*IDN?`` asked and compared with the text known from opening, at most three times; then
close, reopen, and set everything again.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypeVar

from ..clock import Clock, SystemClock
from ..errors import (
    AcquisitionError,
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
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
    EventStatus,
    Identity,
    decode_reply,
    fill,
    parse_error_entry,
    parse_identity,
    parse_integer,
    parse_number,
    parse_string,
    parse_switch,
    strip_header,
)
from ..transport import Link, open_link
from .bench import Bench, Instrument
from .dialect import Dialect, Setting, load_dialect

T = TypeVar("T")

ROUNDS = 3
MOST_ERRORS = 30
NUMBER_TOLERANCE = 1e-3
"""Relative difference between a number set and read back that is rounding, not clamping."""


class Session:
    """The dialogue with one instrument.

    Parameters
    ----------
    opener : callable
        Opens a fresh link; called again after each loss.
    dialect : Dialect
        How the instrument talks.
    identity_pattern : str
        Pattern that its ``*IDN?`` must contain; empty takes any of the dialect.
    clock : Clock, optional
        For waiting.

    Attributes
    ----------
    identity : Identity
        Known after `open`.
    apply_wanted : callable
        Set by the role: sets everything again after a reopening.
    gaps : list of str
        What went wrong and was mended, for the record.
    """

    def __init__(
        self,
        opener: Callable[[], Link],
        dialect: Dialect,
        *,
        identity_pattern: str = "",
        clock: Clock | None = None,
    ) -> None:
        self._opener = opener
        self.dialect = dialect
        self._pattern = identity_pattern
        self.clock: Clock = clock or SystemClock()
        self.identity = Identity(dialect.does, dialect.dialect, "", "")
        self.apply_wanted: Callable[[], None] = lambda: None
        self.gaps: list[str] = []
        self._link: Link | None = None
        self._known = ""  # the whole text of *IDN?
        self._mending = False
        self._reply_s = 0.03  # longest of the last good replies

    # Opening and closing.

    def open(self) -> None:
        """Open the link, make sure that the right instrument answers, and empty its error queue.

        Raises
        ------
        InstrumentNotFound
            Nothing there, or something else; ``tried`` says why.
        """
        link = self._opener()
        self._link = link
        try:
            self._identify(link)
            for command in self.dialect.clear:
                self._write(link, command)
            self._prove(link)
        except BaseException:
            self.close()
            raise

    def _identify(self, link: Link) -> None:
        marker = self.dialect.identity
        if marker is None:
            return
        reason = ""
        for _ in range(ROUNDS):
            # An instrument may need a moment after power-on, and may have greeted with garbage.
            try:
                link.clear()
                text = self._answer(link, marker.ask, self.dialect.link.identify_s)
                identity = parse_identity(text)
                break
            except (TransportTimeout, ReplyMalformed) as error:
                reason = str(error)
            except ConnectionLost as error:
                raise self._not_found(link, str(error), "is another program connected to it?") from error
        else:
            raise self._not_found(link, f"does not say what it is: {reason}", "check address, baud rate and cable")
        wrong = self._known and text != self._known
        if wrong or not re.fullmatch(marker.pattern, text) or not re.search(self._pattern, text):
            wanted = self._known or self._pattern or f"a {self.dialect.role}"
            raise self._not_found(
                link, f"wrong instrument at the address: expected {wanted!r}, got {text!r}", "check the bench file"
            )
        self._known, self.identity = text, identity

    def _prove(self, link: Link) -> None:
        """Ask something only this kind of instrument knows: a scope at the meter's address is found here."""
        proof = self.dialect.proof
        if proof is None:
            return
        try:
            text = self._answer(link, proof.ask, self.dialect.link.identify_s)
        except TransportTimeout as error:
            raise self._not_found(
                link,
                f"wrong instrument at the address: {self._known!r} does not answer {proof.ask}",
                f"is it really a {self.dialect.role}, and is {self.dialect.dialect} its dialect?",
            ) from error
        if not re.fullmatch(proof.pattern, text):
            raise self._not_found(
                link,
                f"wrong instrument at the address: {self._known!r} answers {proof.ask} with {text!r}",
                f"is it really a {self.dialect.role}, and is {self.dialect.dialect} its dialect?",
            )

    def _not_found(self, link: Link, reason: str, hint: str) -> InstrumentNotFound:
        return InstrumentNotFound(f"{link.resource}: {reason}", hint=hint, tried={link.resource: reason})

    def close(self) -> None:
        """Close the link; nothing is sent."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def drop(self) -> None:
        """Forget the link; the next question opens a new one and sets everything again."""
        self.close()

    @property
    def link(self) -> Link | None:
        """The link as it is; None after a loss."""
        return self._link

    # Getting back into step.

    def ready(self) -> Link:
        """Give a link that is in step, mending it first where needed.

        Raises
        ------
        InstrumentNotFound, TransportError
            It could not be mended.
        """
        link = self._link
        if link is None:
            return self._reopen("the link was lost")
        try:
            if not link.dirty and not link.has_input():
                return link
            return self._resynchronise(link)
        except ConnectionLost:
            self.close()
            raise

    def _resynchronise(self, link: Link) -> Link:
        marker = self.dialect.identity
        silence_s = max(0.1, 3.0 * self._reply_s)
        why = "answers stayed out of step"
        for _ in range(ROUNDS):
            try:
                link.clear(silence_s)
                if link.owes and marker is not None:
                    why = "an answer is still owed and could come at any time"
                    break
                if (
                    marker is not None
                    and self._answer(link, marker.ask, self.dialect.link.identify_s) != self._known
                ):
                    continue
            except (TransportTimeout, ReplyMalformed):
                continue
            if self._keeps_settings(link):
                self.gaps.append(f"{self.clock.utc()} {link.resource}: out of step, mended")
                return link
            why = "it was switched off and on, or may have been"
            break
        return self._reopen(why)

    def _keeps_settings(self, link: Link) -> bool:
        """Look at the power-on bit, which is lost by reading it: so a doubtful answer counts as switched off."""
        if self.dialect.events is None:
            return True
        try:
            events = parse_integer(self._answer(link, self.dialect.events, self.dialect.link.identify_s))
        except (TransportTimeout, ReplyMalformed, OverRange):
            return False
        return not events & EventStatus.POWER_ON

    def _reopen(self, why: str) -> Link:
        if self._mending:
            raise ConnectionLost(
                f"{self.dialect.role}: {why} again while it was being mended", hint="check the cable"
            )
        self._mending = True
        self.close()
        try:
            self.open()
            self.gaps.append(f"{self.clock.utc()} {self.dialect.role}: {why}, opened again")
            self.apply_wanted()
        except BaseException:
            self.close()
            raise
        finally:
            self._mending = False
        assert self._link is not None  # noqa: S101  open() sets it or raises
        return self._link

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

    def ask_block(self, query: str, unit_bytes: int = 1, timeout_s: float | None = None) -> bytes:
        """Send a query and read the block it answers with.

        Parameters
        ----------
        query : str
            One program message without terminator.
        unit_bytes : int
            Bytes a point, for dialects whose blocks count points.
        timeout_s : float, optional
            Deadline in seconds for each quarter megabyte.

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
        patience_s = timeout_s or self.dialect.link.query_s
        counts_points = self.dialect.link.block_counts == "points"
        reader = BlockReader(unit_bytes if counts_points else 1)
        try:
            self._write(link, query)
            while reader.missing:
                reader.feed(link.read_exact(min(reader.missing, 262_144), patience_s))
            if reader.is_indefinite:
                reader.feed(link.read_message(patience_s))
            elif self.dialect.link.block_end == "newline":
                # Where exactly the line end must come, a byte lost or doubled cannot hide behind it.
                if link.read_line(patience_s) not in {b"\n", b"\r\n"} or link.has_input():
                    raise self.malformed(
                        f"{reader.payload[-20:]!r}", "a line end, and nothing else, after the block"
                    )
            else:
                # It may come all the same; left unread it would spoil the next answer.
                reader.feed(link.read_some(0.05))
            return reader.end()
        except TransportTimeout as error:
            raise self._explained(link, query, error) from error
        except ConnectionLost:
            self.close()
            raise
        except ReplyMalformed:
            link.dirty = True
            raise

    def ask_number(self, query: str, timeout_s: float | None = None) -> float:
        """Ask for a number; see `ask` and `acquisition.scpi.parse_number`."""
        return self._parsed(parse_number, self.ask(query, timeout_s))

    def malformed(self, text: str, expected: str) -> ReplyMalformed:
        """Build the error for an answer that cannot be right, and mark the link.

        Parameters
        ----------
        text, expected : str
            What came and what should have.
        """
        if self._link is not None:
            self._link.dirty = True
        return ReplyMalformed(
            f"{self.dialect.role}: expected {expected}, got {text[:80]!r}",
            hint="the link is put into step before the next question; if it happens again, check dialect and cable",
            raw=text.encode("latin-1", "replace"),
            expected=expected,
        )

    def _parsed(self, parse: Callable[[str], T], text: str) -> T:
        try:
            return parse(text)
        except ReplyMalformed:
            if self._link is not None:
                self._link.dirty = True
            raise

    def _write(self, link: Link, command: str) -> None:
        link.write(command.encode("ascii") + self.dialect.link.write_end)
        if "?" not in command:
            self.clock.sleep_s(self.dialect.link.after_set_s)

    def _answer(self, link: Link, query: str, timeout_s: float, *, keep_header: bool = False) -> str:
        self._write(link, query)
        start_s = self.clock.monotonic_s()
        raw = link.read_line(timeout_s, self.dialect.link.read_end)
        taken_s = self.clock.monotonic_s() - start_s
        text = decode_reply(raw)
        if not text:
            link.dirty = True
            raise self.malformed("", f"an answer to {query}")
        if link.has_held(b"\r\n \0"):
            link.dirty = True
            raise self.malformed(text, f"one answer to {query}, not two")
        self._reply_s = max(taken_s, 0.9 * self._reply_s) if taken_s < 1.0 else self._reply_s
        has_header = self.dialect.link.headers and not query.startswith("*")
        return strip_header(text) if has_header and not keep_header else text

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
            if link.owes and not entries:
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

    def _switched_off(self, link: Link) -> ConnectionLost:
        self.close()
        return ConnectionLost(
            f"{link.resource}: the {self.dialect.role} was switched off and on, or may have been",
            hint="its settings are restored by the next question",
            resource=link.resource,
        )

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
        if setting.set is not None:
            wire: object = value
            if setting.form == "word":
                if str(value) not in setting.words:
                    raise CommandRefused(
                        f"{setting.set}: {value!r} is not one of {', '.join(setting.words)}",
                        hint="the dialect has no word for it",
                    )
                wire = setting.words[str(value)][0]
            self.send(fill(setting.set, {"channel": channel, "value": wire}))
        if setting.ask is None:
            return "" if value is None else value
        got = self.get(setting, channel)
        if not _agrees(setting, value, got):
            command = setting.set or setting.ask
            raise CommandRefused(
                f"the {self.dialect.role} was told {command!r} with {value!r} but says {got!r}",
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
        text = self.ask(fill(setting.ask, {"channel": channel}))
        if setting.form == "switch":
            return self._parsed(parse_switch, text)
        if setting.form == "number":
            return self._parsed(parse_number, text)
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
            f"the {self.dialect.role} reports {doing}: {first.code} {first.text}{more}",
            hint=f"{first.kind} error: does {self.dialect.dialect} fit this instrument?",
            code=first.code,
            text=first.text,
        )


def _agrees(setting: Setting, wanted: float | bool | str | None, got: float | bool | str) -> bool:
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
