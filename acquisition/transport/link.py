"""What every link to an instrument does: bytes out, bytes in, each with a deadline.

A link knows nothing of the language. It keeps the bytes that arrived but were not asked for yet, cuts lines, counts
bytes, and remembers when something went wrong (`Link.dirty`): after a timeout or a short read nothing may be asked
until the link was cleared, or the next query would get the previous answer.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager

from ..clock import Clock, SystemClock
from ..errors import CommandRefused, ConnectionLost, TransportTimeout

MOST_LINE = 65_536
"""Bytes of a line; more without a terminator is garbage."""

MOST_WAITING = 1 << 20
"""Bytes of lines that can have waited to be read: hours of a meter. More come from a peer that is never done."""


class Link(ABC):
    """One open link to one instrument, used by one thread.

    Parameters
    ----------
    resource : str
        Where it leads, for messages.
    clock : Clock, optional
        For deadlines.

    Attributes
    ----------
    dirty : bool
        What arrives next may belong to an earlier question.
    owes : bool
        An answer was waited for in vain, and has not come since: it still may.
    has_end : bool
        The link itself marks the end of a message (VXI-11, HiSLIP, GPIB, USB-TMC); a byte stream does not.
    """

    has_end = False

    def __init__(self, resource: str, clock: Clock | None = None) -> None:
        self.resource = resource
        self.clock: Clock = clock or SystemClock()
        self.dirty = False
        self.owes = False
        self._held = bytearray()
        self._ended = False
        self._owner = threading.get_ident()
        self._closed = False

    # What a transport supplies. Each raises errors of acquisition.errors only.

    @abstractmethod
    def _send(self, data: bytes, timeout_s: float) -> None:
        """Send all bytes."""

    @abstractmethod
    def _receive(self, timeout_s: float, most: int) -> tuple[bytes, bool]:
        """Wait for bytes; give those there are (at most ``most``) and whether the message ended with them.

        No bytes within the time is ``(b"", False)``; a time of 0 only looks.
        """

    @abstractmethod
    def _release(self) -> None:
        """Give the connection back."""

    def _device_clear(self) -> bool:
        """Clear the instrument's buffers; False where the link has no such thing."""
        return False

    # What drivers use.

    def write(self, data: bytes, timeout_s: float = 2.0) -> None:
        """Send one message with its terminator.

        Parameters
        ----------
        data : bytes
            All of it.
        timeout_s : float
            Deadline in seconds.

        Raises
        ------
        TransportTimeout, ConnectionLost
            Not everything could be sent.
        """
        self._require_owner()
        self._ended = False
        try:
            self._send(data, timeout_s)
        except (TransportTimeout, ConnectionLost):
            self.dirty = True
            raise

    def read_line(self, timeout_s: float, end: bytes = b"\n", most: int = MOST_LINE) -> bytes:
        """Read up to a terminator, or up to the end of the message where the link marks it.

        Parameters
        ----------
        timeout_s : float
            Deadline for the whole line, in seconds.
        end : bytes
            Terminator of a byte stream.
        most : int
            Longest line that can be meant, in bytes.

        Returns
        -------
        bytes
            With its terminator.

        Raises
        ------
        TransportTimeout
            Not whole before the deadline; ``received`` has what came, which stays unread.
        ConnectionLost
            The peer is gone.
        """
        deadline_s = self._deadline_s(timeout_s)
        ended = False
        while True:
            found = self._held.find(end)
            if found >= 0:
                return self._take(found + len(end))
            if ended and self._held:
                return self._take(len(self._held))
            if len(self._held) > most:
                raise self._late(timeout_s, "the end of a line")
            ended = self._fill(deadline_s, timeout_s, "a line")

    def read_exact(self, count: int, timeout_s: float) -> bytes:
        """Read a number of bytes.

        Parameters
        ----------
        count : int
            As many and no fewer.
        timeout_s : float
            Deadline for all of them, in seconds.

        Raises
        ------
        TransportTimeout
            Fewer came before the deadline, or the message ended before.
        ConnectionLost
            The peer is gone.
        """
        deadline_s = self._deadline_s(timeout_s)
        while len(self._held) < count:
            if self._fill(deadline_s, timeout_s, f"{count} bytes") and len(self._held) < count:
                raise self._late(timeout_s, f"{count} bytes, the message is shorter")
        return self._take(count)

    def read_some(self, timeout_s: float) -> bytes:
        """Read what has arrived; wait only while there is nothing.

        Parameters
        ----------
        timeout_s : float
            Longest wait in seconds; 0 only looks.

        Returns
        -------
        bytes
            Empty when nothing came in time: that is no failure here.

        Raises
        ------
        ConnectionLost
            The peer is gone.
        """
        self._require_owner()
        if not self._held:
            data, _ = self._received(timeout_s)
            self._held += data
        return self._take(len(self._held))

    def read_newest(self, wait_s: float, end: bytes = b"\n") -> bytes:
        """Take the last whole line of those that wait or come within a time; those before it are dropped.

        Parameters
        ----------
        wait_s : float
            In seconds; 0 only looks.
        end : bytes
            Terminator.

        Returns
        -------
        bytes
            With its terminator; empty when there is no whole line. The start of the next stays unread. Of a peer
            that sends faster than it is read, one of the first megabyte.

        Raises
        ------
        ConnectionLost
            The peer is gone.
        """
        deadline_s = self._deadline_s(wait_s)
        while True:
            left_s = max(0.0, deadline_s - self.clock.monotonic_s())
            data, _ = self._received(left_s)
            self._held += data
            if left_s == 0.0 and (not data or len(self._held) > MOST_WAITING):
                break
        lines = self._take(self._held.rfind(end) + len(end)) if end in self._held else b""
        return lines[lines.rfind(end, 0, -len(end)) + len(end) :] if lines.count(end) > 1 else lines

    def read_message(self, timeout_s: float) -> bytes:
        """Read to the end of the message, on a link that marks it.

        Parameters
        ----------
        timeout_s : float
            Deadline in seconds.

        Raises
        ------
        CommandRefused
            A byte stream has no such end.
        TransportTimeout, ConnectionLost
            As `read_exact`.
        """
        if not self.has_end:
            raise CommandRefused(
                f"{self.resource}: a message without a length cannot be bounded on this link",
                hint="use HiSLIP, VXI-11, USB-TMC or GPIB for this instrument, or a dialect with definite blocks",
            )
        deadline_s = self._deadline_s(timeout_s)
        while not self._fill(deadline_s, timeout_s, "the end of a message"):
            pass
        return self._take(len(self._held))

    def has_input(self) -> bool:
        """Tell whether bytes lie there that nobody has asked for yet."""
        self._require_owner()
        if not self._held and not self.has_end:  # reading without a question is itself an error on the others
            data, _ = self._received(0.0)
            self._held += data
        return bool(self._held)

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Stand around a question and its answer: after Ctrl-C the answer may still come, and pass for another."""
        try:
            yield
        except BaseException as error:
            if not isinstance(error, Exception):  # what fails is marked where it does
                self.dirty = self.owes = True
            raise

    @property
    def is_at_end(self) -> bool:
        """True when all of a message was read, on a link that marks the end."""
        return self._ended and not self._held

    def has_held(self, harmless: bytes = b"") -> bool:
        """Tell whether bytes came together with what was read last.

        Parameters
        ----------
        harmless : bytes
            Bytes that do not count, such as a second line end; they are dropped.
        """
        self._held = self._held.lstrip(harmless)
        return bool(self._held)

    def clear(self, silence_s: float = 0.1, most_s: float = 5.0) -> None:
        """Make the link fit for use again after a failure.

        Parameters
        ----------
        silence_s : float
            Without a device clear: input is thrown away until it was silent for so long.
        most_s : float
            Give up when it is never silent.

        Raises
        ------
        TransportTimeout
            Input never stops: something is streaming.
        ConnectionLost
            The peer is gone.
        """
        self._require_owner()
        self._held.clear()
        if self._device_clear():
            self.owes = False  # the instrument threw it away too
        else:
            deadline_s = self.clock.monotonic_s() + most_s
            while self._received(silence_s)[0]:
                self.owes = False
                if self.clock.monotonic_s() > deadline_s:
                    raise self._late(most_s, "silence, but something keeps sending")
        self.dirty = False

    def close(self) -> None:
        """Give the connection back; never fails, may be called twice."""
        if not self._closed:
            self._closed = True
            self._held.clear()
            self._release()

    @property
    def is_of_this_thread(self) -> bool:
        """Whether it was opened by the thread that asks; any thread may close it."""
        return threading.get_ident() == self._owner

    def __enter__(self) -> Link:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Inside.

    def _deadline_s(self, timeout_s: float) -> float:
        self._require_owner()
        return self.clock.monotonic_s() + timeout_s

    def _require_owner(self) -> None:
        if not self.is_of_this_thread:
            raise CommandRefused(
                f"{self.resource}: this link belongs to another thread",
                hint="hand the work to the thread that opened the instrument",
            )
        if self._closed:
            raise ConnectionLost(f"{self.resource}: the link is closed", resource=self.resource)

    def _received(self, timeout_s: float, most: int = 262_144) -> tuple[bytes, bool]:
        try:
            data, self._ended = self._receive(timeout_s, most)
            return data, self._ended
        except (TransportTimeout, ConnectionLost):
            self.dirty = True
            raise

    def _fill(self, deadline_s: float, timeout_s: float, wanted: str) -> bool:
        """Wait for more bytes until the deadline; True when the message ended with them."""
        left_s = deadline_s - self.clock.monotonic_s()
        data, ended = self._received(max(0.0, left_s))
        self._held += data
        if not data and not ended and self.clock.monotonic_s() >= deadline_s:
            raise self._late(timeout_s, wanted)
        return ended

    def _late(self, timeout_s: float, wanted: str) -> TransportTimeout:
        self.dirty = self.owes = True
        got = bytes(self._held[:200])
        return TransportTimeout(
            f"{self.resource}: expected {wanted} within {timeout_s:.3g} s, got {got!r}"
            if got or not wanted.startswith("a line")
            else f"{self.resource}: no answer within {timeout_s:.3g} s",
            hint="is it on, in remote mode and not busy? a slow instrument needs query_s in the bench file",
            resource=self.resource,
            timeout_s=timeout_s,
            received=got,
        )

    def _take(self, count: int) -> bytes:
        data = bytes(self._held[:count])
        del self._held[:count]
        return data
