"""The connection to one instrument: opening, identity, and getting back into step.

A plausible number under the wrong name is the worst fault a logger can make. So whenever an answer is late, cut
short, doubled or not what was expected, nothing more is asked until the link is in step again: input thrown away
until it is silent, then ``*IDN?`` asked and compared with the text known from opening, at most three times; then
close, reopen, and set everything again.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from typing import TypeVar

from ..clock import Clock, SystemClock
from ..errors import (
    ConnectionLost,
    InstrumentNotFound,
    OverRange,
    ReplyMalformed,
    TransportTimeout,
)
from ..scpi import (
    EventStatus,
    Identity,
    decode_reply,
    parse_identity,
    parse_integer,
    strip_header,
)
from ..transport import Link
from .dialect import Dialect

T = TypeVar("T")

SLOW_HINT = "a slow instrument needs query_s in the bench file, the time it may take for an answer"
ROUNDS = 3
MOST_RECENT = 256


class Connection:
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
        What went wrong and was mended.
    waiting_since_s : float or None
        Moment of its clock since which questions have had no answer; for another thread to look at.
    recent_lines : deque of bytes
        The last answers without their ends: one that comes twice fills a place where bytes were lost.
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
        self.waiting_since_s: float | None = None
        self._link: Link | None = None
        self._known = ""  # the whole text of *IDN?
        self._mending = False
        self._reply_s = 0.03  # longest of the last good replies
        self._line_end = b"\n"  # as the last answer had it
        self.recent_lines: deque[bytes] = deque(maxlen=MOST_RECENT)

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
            late = self._identify(link)
            for command in self.dialect.clear:
                self._write(link, command)
            self._prove(link, late)
        except BaseException:
            self.close()
            raise

    def _identify(self, link: Link) -> str:
        """Ask who is there; what was late or malformed before the answer came is given back."""
        marker = self.dialect.identity
        reason = hint = ""
        if marker is None:
            return reason
        for _ in range(ROUNDS):
            # An instrument may need a moment after power-on, and may have greeted with garbage.
            try:
                link.clear()
                text = self._answer(link, marker.ask, self.dialect.link.identify_s)
                identity = parse_identity(text)
                break
            except (TransportTimeout, ReplyMalformed) as error:
                reason = str(error).removeprefix(f"{link.resource}: ")
                hint = _why_not_understood(error, marker.ask)
            except ConnectionLost as error:
                raise self._not_found(link, str(error), "is another program connected to it?") from error
        else:
            raise self._not_found(link, f"does not say what it is: {reason}", hint)
        wrong = self._known and text != self._known
        if wrong or not re.fullmatch(marker.pattern, text) or not re.search(self._pattern, text):
            wanted = self._known or self._pattern or f"a {self.dialect.role}"
            raise self._not_found(
                link, f"wrong instrument at the address: expected {wanted!r}, got {text!r}", "check the bench file"
            )
        self._known, self.identity = text, identity
        return reason

    def _prove(self, link: Link, late: str) -> None:
        """Ask something only this kind of instrument knows: a scope at the meter's address is found here."""
        proof = self.dialect.proof
        if proof is None:
            return
        try:
            text = self._answer(link, proof.ask, self.dialect.link.identify_s)
            fits, says = re.fullmatch(proof.pattern, text) is not None, f"answers {proof.ask} with {text!r}"
        except TransportTimeout:
            fits, says = False, f"does not answer {proof.ask}"
        if fits:
            return
        if late:
            raise self._not_found(link, f"answers, but not in time: {late}", SLOW_HINT)
        raise self._not_found(
            link,
            f"wrong instrument at the address: {self._known!r} {says}",
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
        if "?" in command and self.waiting_since_s is None:
            self.waiting_since_s = self.clock.monotonic_s()
        link.write(command.encode("ascii") + self.dialect.link.write_end)
        if "?" not in command:
            self.clock.sleep_s(self.dialect.link.after_set_s)

    def _answer(self, link: Link, query: str, timeout_s: float, *, keep_header: bool = False) -> str:
        with link.asking():
            self._write(link, query)
            start_s = self.clock.monotonic_s()
            raw = link.read_line(timeout_s, self.dialect.link.read_end)
        self.waiting_since_s = None
        taken_s = self.clock.monotonic_s() - start_s
        self._line_end = b"\r\n" if raw.endswith(b"\r\n") else self.dialect.link.read_end
        text = decode_reply(raw)
        if not text:
            link.dirty = True
            raise self.malformed("", f"an answer to {query}")
        self.recent_lines.append(raw.rstrip(b"\r\n"))
        if link.has_held(b"\r\n \0"):
            link.dirty = True
            raise self.malformed(text, f"one answer to {query}, not two")
        self._reply_s = max(taken_s, 0.9 * self._reply_s) if taken_s < 1.0 else self._reply_s
        has_header = self.dialect.link.headers and not query.startswith("*")
        return strip_header(text) if has_header and not keep_header else text

    def _switched_off(self, link: Link) -> ConnectionLost:
        self.close()
        return ConnectionLost(
            f"{link.resource}: the {self.dialect.role} was switched off and on, or may have been",
            hint="its settings are restored by the next question",
            resource=link.resource,
        )


def _why_not_understood(error: TransportTimeout | ReplyMalformed, asked: str) -> str:
    """What to do about an instrument that does not say what it is, by what came instead."""
    if isinstance(error, ReplyMalformed):
        came = error.raw
    else:
        came = error.received
        try:
            parse_identity(decode_reply(came))
        except ReplyMalformed:
            pass
        else:
            if came.endswith(b"\r"):
                return "it ends its answers with CR alone: set it to LF, or give its dialect ends: cr"
            return f"its answer came without a line end: set it to send LF; {SLOW_HINT}"
    if came.strip().upper() == asked.encode("ascii"):
        return "it sends back what it is told: switch off its echo"
    return f"check address, baud rate and cable; {SLOW_HINT}"
