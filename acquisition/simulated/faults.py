"""What real instruments do wrong on the wire, to be played on cue or at random.

A fault turns one answer into what is sent in its place: pieces of bytes, waits, and the end of the link. To add
one, write a function here and name it in ``LINK_FAULTS``.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wait:
    """Pause before what follows.

    Parameters
    ----------
    seconds : float
        How long, in real time.
    """

    seconds: float


@dataclass(frozen=True, slots=True)
class Close:
    """End of the link."""


Action = bytes | Wait | Close
Fault = Callable[[bytes, random.Random], Iterator[Action]]


def late(seconds: float) -> Fault:
    """Answer after a pause, the classic way to get replies out of step.

    Parameters
    ----------
    seconds : float
        How long.
    """

    def play(answer: bytes, rng: random.Random) -> Iterator[Action]:
        yield Wait(seconds)
        yield answer

    return play


def _drip(answer: bytes, rng: random.Random) -> Iterator[Action]:
    for index in range(len(answer)):
        yield answer[index : index + 1]
        yield Wait(0.001)


def _unterminated(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer.rstrip(b"\r\n")


def _carriage_return(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer.rstrip(b"\r\n") + b"\r"


def _both_terminators(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer.rstrip(b"\r\n") + b"\r\n"


def _twice(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer + answer


def _garbage(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield bytes(rng.choice(b"\x00\x80\xfe#?;,:E+-") for _ in range(rng.randint(1, 12))) + answer


def _noise_line(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield bytes(rng.randrange(0x80, 0x100) for _ in range(rng.randint(1, 20))) + b"\n"


def _cut_short(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer[: rng.randrange(max(1, len(answer) - 1))]


def _flip(answer: bytes, rng: random.Random) -> Iterator[Action]:
    if len(answer) > 1:
        place = rng.randrange(len(answer) - 1)
        answer = answer[:place] + bytes([answer[place] ^ 0x80]) + answer[place + 1 :]
    yield answer


def _wrong_length(answer: bytes, rng: random.Random) -> Iterator[Action]:
    start = answer.find(b"#")
    if start >= 0 and (digits := answer[start + 1 : start + 2]).isdigit() and int(digits):
        count = int(digits)
        length = int(answer[start + 2 : start + 2 + count]) + rng.choice((-3, 3, 250))
        text = str(max(0, length)).zfill(count)[-count:].encode()
        answer = answer[: start + 2] + text + answer[start + 2 + count :]
    yield answer


def _text_for_block(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield b"1,2,3,4,5\n" if b"#" in answer else answer


def _overload(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield rng.choice((b"+9.90000000E+37\n", b"-9.90000000E+37\n", b"9.91E37\n", b"OL\n"))


def _silence(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield from ()


def _hang_up(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield Close()


def _half_then_hang_up(answer: bytes, rng: random.Random) -> Iterator[Action]:
    yield answer[: len(answer) // 2]
    yield Close()


LINK_FAULTS: Mapping[str, Fault] = {
    "late": late(3.0),
    "drip": _drip,
    "unterminated": _unterminated,
    "carriage return": _carriage_return,
    "both terminators": _both_terminators,
    "twice": _twice,
    "garbage before": _garbage,
    "noise line": _noise_line,
    "cut short": _cut_short,
    "flipped bit": _flip,
    "wrong block length": _wrong_length,
    "text for block": _text_for_block,
    "overload": _overload,
    "silence": _silence,
    "hang up": _hang_up,
    "half then hang up": _half_then_hang_up,
}
"""Every fault of a link by name."""


class Mischief:
    """Decides which answer is played with which fault.

    Parameters
    ----------
    seed : int
        For the faults that draw, and for `rate`.
    rate : float
        Share of answers that get a fault drawn from ``names``; 0 plays only what is cued.
    names : tuple of str
        Faults to draw from.
    """

    def __init__(self, seed: int = 1, rate: float = 0.0, names: tuple[str, ...] = ()) -> None:
        self.rng = random.Random(seed)
        self.rate = rate
        self.names = names
        self.terminator = b"\n"
        self.echo = False
        self.greeting = b""
        self.played: list[str] = []
        self._cues: list[tuple[bytes, str, Fault]] = []
        self._lock = threading.Lock()  # they are given and taken back while another thread answers
        self._held = b""
        self._hold = 0
        self._ended = threading.Event()

    def cue(self, name: str, *, on: bytes = b"", times: int = 1, fault: Fault | None = None) -> None:
        """Play a fault on the next answers.

        Parameters
        ----------
        name : str
            Key of ``LINK_FAULTS``, or any name with ``fault``.
        on : bytes
            Only for messages that contain this.
        times : int
            How many answers.
        fault : callable, optional
            One of your own, such as ``late(0.3)``.
        """
        with self._lock:
            self._cues += [(on, name, fault or LINK_FAULTS[name])] * times

    def calm(self) -> None:
        """Play no fault any more that was cued."""
        with self._lock:
            self._cues.clear()

    def _cued(self, message: bytes) -> tuple[str, Fault] | None:
        with self._lock:
            for index, (on, name, fault) in enumerate(self._cues):
                if on in message:
                    del self._cues[index]
                    return name, fault
        return None

    def hold(self, answers: int = 1) -> None:
        """Keep answers back and send them together with the one that follows.

        Parameters
        ----------
        answers : int
            How many to keep back.
        """
        self._hold = answers

    def greet(self) -> list[Action]:
        """What is sent to a client that just connected."""
        return [self.greeting]

    def answer(self, message: bytes, answer: bytes) -> list[Action]:
        """What is sent for an answer.

        Parameters
        ----------
        message : bytes
            What was asked.
        answer : bytes
            Without terminator; empty when the instrument says nothing.
        """
        echo: list[Action] = [message + b"\n"] if self.echo else []
        if not answer:
            return echo
        whole = self._held + answer + self.terminator
        if self._hold:
            self._hold -= 1
            self._held = whole
            return echo
        self._held = b""
        if (cued := self._cued(message)) is not None:
            name, fault = cued
            self.played.append(name)
            return echo + list(fault(whole, self.rng))
        if self.rate and self.rng.random() < self.rate:
            name = self.rng.choice(self.names)
            self.played.append(name)
            return echo + list(LINK_FAULTS[name](whole, self.rng))
        return [*echo, whole]

    def wait(self, seconds: float) -> None:
        """Let real time pass, but not beyond the end of the bench.

        Parameters
        ----------
        seconds : float
            How long.
        """
        self._ended.wait(seconds)

    def end(self) -> None:
        """Cut every wait short."""
        self._ended.set()
