"""A link that misbehaves as serial lines and cheap firmware do, and the loop that counts the outcome."""

import os
import random
from collections import Counter, deque

import pytest

from acquisition.clock import FakeClock
from acquisition.errors import AcquisitionError, ConnectionLost, InstrumentNotFound
from acquisition.instruments.session import Session
from acquisition.transport import Link

EXCHANGES = int(os.environ.get("STAGEWALK_FUZZ", "2000"))
SEED = int(os.environ.get("STAGEWALK_FUZZ_SEED", "0"))
FAULT_RATE = 1 / 15
DROP_RATE = 1 / 200


class Wobbly(Link):
    """A link that damages answers, loses the connection, and refuses to be opened."""

    FAULTS = (
        "late", "very late", "silent", "twice", "cut", "no end", "cr only", "garbage before", "noise line before",
        "previous before", "previous after", "in pieces", "drop", "insert", "change", "high bit", "lost",
        "off and on", "error storm", "nul bytes",
    )  # fmt: skip

    def __init__(self, instrument, clock, rng, tally):
        if instrument.refuses > 0:
            instrument.refuses -= 1
            raise InstrumentNotFound("refused", hint="x", tried={"x": "refused"})
        super().__init__("WOBBLY", clock)
        self.instrument, self.rng, self.tally = instrument, rng, tally
        self.coming = deque()
        self.lost = False
        self.previous = b"1\n"

    def _send(self, data, timeout_s):
        self.live()
        for line in data.decode().splitlines():
            if not line.endswith("?") and self.rng.random() < DROP_RATE:
                self.tally["command lost"] += 1  # a slow parser drops what comes back to back
                continue
            answer = self.instrument.hear(line.strip())
            self.tally["exchanges"] += 1
            if answer:
                self.deliver(answer)

    def live(self):
        if self.lost:
            raise ConnectionLost("lost", hint="x", resource="WOBBLY")

    def deliver(self, answer):
        fault = self.rng.choice(self.FAULTS) if self.rng.random() < FAULT_RATE else ""
        self.tally[fault] += 1
        now_s = self.clock.monotonic_s()
        for delay_s, data in self.damaged(answer, fault):
            self.coming.append((now_s + delay_s, data))
        self.coming = deque(sorted(self.coming, key=lambda pair: pair[0]))
        self.previous = answer

    def damaged(self, answer, fault):
        rng, size = self.rng, len(answer)
        place = rng.randrange(size)
        if fault == "late":
            return [(rng.uniform(0.3, 4.0), answer)]
        if fault == "very late":
            return [(rng.uniform(4.0, 60.0), answer)]
        if fault == "silent":
            return []
        if fault == "twice":
            return [(0.0, answer), (rng.choice([0.0, 0.0, 0.3, 3.0]), answer)]
        if fault == "cut":
            return [(0.0, answer[:place])] if place else []
        if fault == "no end":
            return [(0.0, answer.rstrip(b"\r\n"))]
        if fault == "cr only":
            return [(0.0, answer.rstrip(b"\r\n") + b"\r")]
        if fault == "garbage before":
            return [(0.0, bytes(rng.randrange(128, 256) for _ in range(rng.randint(1, 9))) + answer)]
        if fault == "noise line before":
            return [(0.0, bytes(rng.randrange(32, 127) for _ in range(5)) + b"\n" + answer)]
        if fault == "previous before":
            return [(0.0, self.previous), (rng.choice([0.0, 0.0, 0.05, 1.0]), answer)]
        if fault == "previous after":
            return [(0.0, answer), (rng.choice([0.0, 0.05, 1.0, 10.0]), self.previous)]
        if fault == "in pieces":
            return [(0.01 * index, answer[index : index + 1]) for index in range(size)]
        if fault == "drop":
            return [(0.0, answer[:place] + answer[place + 1 :])]
        if fault == "insert":
            return [(0.0, answer[:place] + bytes([rng.choice(b"0123456789+-.E ,\n")]) + answer[place:])]
        if fault == "change":
            return [(0.0, answer[:place] + bytes([rng.choice(b"0123456789+-.E ,\n")]) + answer[place + 1 :])]
        if fault == "high bit":
            return [(0.0, answer[:place] + bytes([answer[place] ^ 0x80]) + answer[place + 1 :])]
        if fault == "lost":
            self.lost = True
            self.instrument.refuses = rng.choice([0, 0, 1, 3])
            return []
        if fault == "off and on":
            self.instrument.power_cycle()
            return []
        if fault == "error storm":
            self.instrument.queue.extend(['-350,"Queue overflow"'] * rng.choice([1, 5, 100]))
            return []
        if fault == "nul bytes":
            return [(0.0, b"\0\0" + answer)]
        return [(0.0, answer)]

    def _receive(self, timeout_s, most):
        self.live()
        now_s = self.clock.monotonic_s()
        if not self.coming or self.coming[0][0] > now_s + timeout_s:
            self.clock.sleep_s(timeout_s)
            return b"", False
        when_s, data = self.coming.popleft()
        self.clock.sleep_s(when_s - now_s)
        return data, False

    def _release(self):
        self.coming.clear()


def run(make, work, seed):
    """Repeat ``work`` until enough was exchanged; give the tally. ``work`` returns True, False or raises."""
    rng, tally, clock = random.Random(seed + SEED), Counter(), FakeClock()
    driver = make(rng, tally, clock)
    while tally["exchanges"] < EXCHANGES:
        try:
            outcome = work(driver, rng)
        except AcquisitionError as error:
            assert error.hint or str(error)
            tally["refused"] += 1
            tally[type(error).__name__] += 1
        else:
            tally["right" if outcome else "WRONG"] += 1
        tally["tries"] += 1
    return tally


def open_session(box, rng, tally, clock):
    session = Session(lambda: Wobbly(box, clock, rng, tally), box.dialect, clock=clock)
    for _ in range(100):
        try:
            session.open()
            return session
        except AcquisitionError:
            continue
    pytest.fail("never opened")


def until_it_works(call):
    for _ in range(200):
        try:
            return call()
        except AcquisitionError:
            continue
    pytest.fail("the driver did not come back within 200 tries")


def check(tally, refused=0.02, right=0.2, faults=Wobbly.FAULTS):
    print(dict(tally))
    assert tally["WRONG"] == 0, tally
    assert tally["right"] > right * tally["tries"], tally
    assert tally["refused"] > refused * tally["tries"], "the faults did nothing"
    assert all(tally[name] for name in faults) or EXCHANGES < 10_000
