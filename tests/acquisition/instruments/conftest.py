"""A rig: a driver on a small instrument in memory that plays faults when it is told to."""

from collections import deque

import pytest

from acquisition.clock import FakeClock
from acquisition.errors import ConnectionLost, InstrumentNotFound
from acquisition.instruments import load_dialect
from acquisition.instruments.session import Session
from acquisition.transport import Link


class Peer:
    """An instrument in memory: a table of answers, an error queue, and faults on cue.

    ``answers`` maps a query to text, bytes, or a function without arguments. A setting ``X v`` makes ``X?``
    answer v.
    An unknown query is silent and leaves -113 in the queue, as the standard wants.
    """

    def __init__(self, answers=None, identity="QUAYSIDE,PEER,7,1.0"):
        self.answers = {"*IDN?": identity, "*ESR?": "0", "*STB?": "0", **(answers or {})}
        self.heard = []
        self.queue = deque()
        self.faults = deque()  # each changes (data, delay) of the next answer
        self.reachable = True
        self.opened = 0
        self.no_error = '0,"No error"'
        self.error_query = ":SYST:ERR?"

    def hear(self, text):
        self.heard.append(text)
        if text == "*CLS":
            self.queue.clear()
            return b""
        if text == self.error_query:
            return self.line(self.queue.popleft() if self.queue else self.no_error)
        head, _, value = text.partition(" ")
        if not text.endswith("?") and "?" not in head:
            if value:
                self.answers[head + "?"] = self.shown(head, value)
            return b""
        answer = self.answers.get(text, self.answers.get(head))
        answer = answer() if callable(answer) else answer
        if answer is None:
            self.queue.append(f'-113,"Undefined header;{text}"')
            return b""
        return answer if isinstance(answer, bytes) else self.line(answer)

    @staticmethod
    def shown(head, value):
        del head
        return {"ON": "1", "OFF": "0", "INF": "9.9E37"}.get(value, value)

    @staticmethod
    def line(text):
        return text.encode("latin-1") + b"\n"


class PeerLink(Link):
    """A link to a `Peer`; time passes only while something is waited for."""

    def __init__(self, peer, clock):
        super().__init__("PEER", clock)
        if not peer.reachable:
            raise InstrumentNotFound("PEER: cannot be opened", hint="plug it in", tried={"PEER": "unplugged"})
        self.peer = peer
        self.coming = deque()
        peer.opened += 1
        peer.link = self

    def _send(self, data, timeout_s):
        if not self.peer.reachable:
            raise ConnectionLost("PEER: the link is lost", hint="plug it in", resource="PEER")
        for line in data.decode().split("\n")[:-1]:
            answer = self.peer.hear(line.strip())
            delay_s = 0.0
            if answer and self.peer.faults:
                answer, delay_s = self.peer.faults.popleft()(answer)
            if answer:
                self.arrive(answer, delay_s)

    def arrive(self, data, delay_s=0.0):
        self.coming.append((self.clock.monotonic_s() + delay_s, data))

    def _receive(self, timeout_s, most):
        if not self.peer.reachable:
            raise ConnectionLost("PEER: the link is lost", hint="plug it in", resource="PEER")
        now_s = self.clock.monotonic_s()
        if not self.coming or self.coming[0][0] > now_s + timeout_s:
            self.clock.sleep_s(timeout_s)
            return b"", False
        when_s, data = self.coming.popleft()
        self.clock.sleep_s(when_s - now_s)
        return data, False

    def _release(self):
        pass


class Rig:
    """A peer, a clock and an open session of a dialect."""

    def __init__(self, dialect, answers, pattern="", **peer):
        self.clock = FakeClock()
        self.peer = Peer(answers, **peer)
        self.dialect = load_dialect(dialect)
        if self.dialect.errors:
            self.peer.error_query = self.dialect.errors.ask
        self.session = Session(
            lambda: PeerLink(self.peer, self.clock), self.dialect, identity_pattern=pattern, clock=self.clock
        )

    def open(self):
        self.session.open()
        return self


@pytest.fixture
def rig():
    """Build a rig: ``rig("scpi-meter", {...})``."""
    return Rig


# Faults, for ``peer.faults.append(...)``.


class Faults:
    @staticmethod
    def late(seconds):
        return lambda answer: (answer, seconds)

    @staticmethod
    def silent(answer):
        return b"", 0.0

    @staticmethod
    def twice(answer):
        return answer * 2, 0.0

    @staticmethod
    def cut(answer):
        return answer[: len(answer) // 2], 0.0

    @staticmethod
    def instead(data):
        return lambda answer: (data, 0.0)

    @staticmethod
    def none(answer):
        return answer, 0.0


@pytest.fixture
def faults():
    return Faults
