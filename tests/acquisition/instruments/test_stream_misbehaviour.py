"""A meter that streams, on a line that misbehaves: every sample is of its time, and no wrong reading is accepted.

Two thousand frames in the ordinary run; ``STAGEWALK_FUZZ`` and ``STAGEWALK_FUZZ_SEED`` as for the meters that are
asked. A frame has no check sum, so a digit turned into another digit shows in no single frame; what is accepted is
decided by the steady-reading rules, and so the second half sends the stream through them.
"""

import math
from collections import deque

import numpy as np
import pytest

from acquisition.errors import AcquisitionError
from acquisition.instruments import load_dialect
from acquisition.instruments.accuracy import AccuracyTable
from acquisition.instruments.bench import MeterEntry
from acquisition.instruments.session import Session
from acquisition.instruments.streamed_meter import StreamedMeter
from acquisition.steady import EventKind, MeterFacts, State, SteadyDetector
from tests.acquisition.instruments.wobbly import Wobbly, check, run

PERIOD_S = 0.25
PORT_BUFFER = 4095
"""Bytes that a serial port keeps for a program that does not read; what comes then is lost."""


class Streaming(Wobbly):
    """Frames come by themselves, four a second, and in their order: what is late holds up all that follows."""

    FAULTS = (
        "stalled", "stalled long", "stalled, then in pieces", "silent", "twice", "cut", "no end", "cr only",
        "garbage before", "noise line before", "previous before", "previous after", "in pieces", "drop", "insert",
        "high bit", "lost", "off and on", "storm", "nul bytes",
    )  # fmt: skip

    def __init__(self, box, clock, rng, tally):
        super().__init__(box, clock, rng, tally)
        self.next_s = clock.monotonic_s() + rng.uniform(0.0, PERIOD_S)
        self.held_until_s = 0.0
        self.spacing_s = 0.0

    def damaged(self, answer, fault):
        rng, now_s = self.rng, self.clock.monotonic_s()
        if fault.startswith("stalled"):
            self.held_until_s = now_s + rng.uniform(0.3, 30.0 if fault == "stalled long" else 1.2)
            self.spacing_s = 0.01 if fault.endswith("in pieces") else 0.0
            pieces = [(0.0, answer)]
        elif fault == "storm":
            lines = [bytes(rng.randrange(256) for _ in range(12)) + b"\r\n" for _ in range(rng.choice([1, 5, 100]))]
            pieces = [(0.005 * index, line) for index, line in enumerate([*lines, answer])]
        elif fault == "digit":
            places = [place for place in range(6) if answer[place : place + 1].isdigit()]
            place = rng.choice(places)
            pieces = [(0.0, answer[:place] + b"%d" % rng.randrange(10) + answer[place + 1 :])]
        else:
            pieces = super().damaged(answer, fault)
            if fault != "in pieces":
                pieces = [(0.0, data) for _, data in pieces]
        last_s = self.coming[-1][0] if self.coming else 0.0
        start_s = max(now_s, self.held_until_s)
        if self.held_until_s > now_s:
            start_s = max(start_s, last_s + self.spacing_s)
        return [(max(start_s, last_s) - now_s + delay_s, data) for delay_s, data in pieces]

    def _receive(self, timeout_s, most):
        until_s = self.clock.monotonic_s() + timeout_s
        while self.next_s <= until_s and not self.lost:
            frame, now_s = self.instrument.frame(self.next_s), self.clock.now_s
            self.clock.now_s = self.next_s
            self.tally["exchanges"] += 1
            if sum(len(data) for _, data in self.coming) < PORT_BUFFER:
                self.deliver(frame)
            self.previous = frame
            self.clock.now_s = now_s
            self.next_s += PERIOD_S
        return super()._receive(timeout_s, most)


class Display:
    """Another number in every frame, so that each tells when it was sent."""

    def __init__(self, rng):
        self.rng, self.refuses, self.queue = rng, 0, deque()
        self.sent = deque(maxlen=400)

    def power_cycle(self):
        pass

    def frame(self, t_s):
        decimals = self.rng.choice([1, 2, 3])
        number = f"{self.rng.randrange(-5999, 6000) / 10**decimals:+0{6}.{decimals}f}"
        unit = self.rng.choice([" V", "mV"])
        flags = self.rng.choice(["", " AUTO", " AUTO", " HOLD", " AUTO REL"])
        value = float(number) * (1e-3 if unit == "mV" else 1.0)
        self.sent.append((t_s, value, flags))
        return f"{number} {unit} DC{flags}\r\n".encode()


def open_meter(box, rng, tally, clock, kind=Streaming):
    session = Session(lambda: kind(box, clock, rng, tally), load_dialect("stream-meter"), clock=clock)
    entry = MeterEntry(resource="/dev/x", dialect="x", accuracy="0.5 % + 2 digits")
    return StreamedMeter(session, entry)


def test_every_sample_is_of_its_time():
    boxes = []

    def make(rng, tally, clock):
        boxes.append(Display(rng))
        return open_meter(boxes[0], rng, tally, clock)

    def work(meter, rng):
        # Two conversions, for one that was sent again after its successor, and the wait for the end of a burst.
        oldest_s = 2 * PERIOD_S + 0.15
        if rng.random() < 0.02:
            # The program was busy, or the technician looked away. If the line stalls just then, one line waits.
            oldest_s = 1.0 + 0.15
            meter.session.clock.sleep_s(rng.choice([rng.uniform(0.3, 1.0), rng.uniform(1.0, 20.0), 200.0]))
        try:
            sample = meter.read()
        except AcquisitionError as error:
            if "not a reading" in str(error):
                return True
            raise
        recent = [item for item in boxes[0].sent if -1e-6 < sample.t_s - item[0] < oldest_s]
        return any(
            sample.value_v == pytest.approx(value, abs=1e-9) for _, value, flags in recent if "HOLD" not in flags
        )

    check(run(make, work, 4), refused=0.002, faults=Streaming.FAULTS)


# The whole path: frames, samples, steady-reading rules, readings.


class Probed:
    """A meter of 6000 counts whose lead hangs free, or touches a node."""

    def __init__(self, seed):
        self.refuses, self.queue = 0, deque()
        self.rng = np.random.default_rng(seed)
        self.touched_s, self.lifted_s, self.node_v = 0.0, 0.0, 0.0
        self.wander_v = 0.0

    def power_cycle(self):
        pass

    def digit(self, value_v):
        size = abs(value_v)
        return ("mV", 1e3, 1) if size < 0.55 else (" V", 1.0, 3 if size < 5.5 else 2 if size < 55 else 1)

    def frame(self, t_s):
        self.wander_v = 0.6 * self.wander_v + self.rng.normal(0.0, 0.02)
        value_v = self.node_v if self.touched_s <= t_s < self.lifted_s else self.wander_v
        unit, per_volt, decimals = self.digit(value_v)
        shown = value_v * per_volt + self.rng.normal(0.0, 0.3) * 10.0**-decimals
        return f"{shown:+0{6}.{decimals}f} {unit} DC AUTO\r\n".encode()


class Digits(Streaming):
    """Nothing but digits turned into other digits, one frame in fifteen."""

    FAULTS = ("digit",)


class Everything(Streaming):
    FAULTS = (*Streaming.FAULTS, "digit")


@pytest.mark.parametrize("kind", [Digits, Everything])
def test_no_wrong_reading_is_accepted(kind):
    """A reading is right within a digit and four times its own spread of the node that is touched."""
    facts = MeterFacts(accuracy=AccuracyTable.parse("0.5 % + 2 digits"))
    rigs = []

    def make(rng, tally, clock):
        box = Probed(rng.randrange(1 << 30))
        meter = open_meter(box, rng, tally, clock, kind)
        rigs.append((box, SteadyDetector(facts), clock))
        return meter

    def work(meter, rng):
        box, detector, clock = rigs[0]
        samples = meter.stream()
        # The link looks a second ahead, so nothing is moved any sooner.
        box.lifted_s = min(box.lifted_s, clock.monotonic_s() + 1.5)
        while detector.state is not State.AWAY or clock.monotonic_s() < box.lifted_s + 1.0:
            detector.feed(next(samples))
        detector.arm()
        box.touched_s, box.lifted_s = clock.monotonic_s() + rng.uniform(1.5, 3.5), math.inf
        box.node_v = rng.choice([-1, 1, 1, 1]) * 10.0 ** rng.uniform(0.3, 2.7)
        reading = None
        while reading is None and clock.monotonic_s() < box.touched_s + 14.0:
            sample = next(samples)
            for event in detector.feed(sample):
                if event.kind is EventKind.TAKEN:
                    reading = event.reading
                    assert sample.t_s > box.touched_s, f"{reading} from a lead that hangs free"
        if reading is None:
            return True  # not taken is not wrong; how many are, is looked at below
        taken.append(reading)
        _, per_volt, decimals = box.digit(box.node_v)
        return abs(reading.value_v - box.node_v) <= 10.0**-decimals / per_volt + 4.0 * reading.type_a_v

    taken = []
    tally = run(make, work, 5)
    check(tally, refused=-1.0, faults=kind.FAULTS)
    assert len(taken) > 0.9 * tally["right"]
