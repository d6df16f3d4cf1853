"""The hand-held meter that talks unasked."""

import os
import re

import pytest

from acquisition.clock import FakeClock
from acquisition.configs import find_config, read_yaml
from acquisition.simulated.stream_meter import STREAM_FAULTS, StreamMeter, StreamServer


@pytest.fixture
def meter(wiring):
    wiring.clock = FakeClock(10.0)
    return StreamMeter(wiring, accuracy=0.0)


@pytest.fixture
def frame():
    tree = read_yaml(find_config("dialects", "stream-meter")).tree
    return re.compile(tree["meter"]["frame"])


def frames(meter, count):
    for _ in range(count):
        meter.wiring.clock.now_s += 0.25
        yield meter.line()


@pytest.mark.parametrize(("point", "shown", "digit"), [("A", 198.8, 0.1), ("OUT", 150.0, 0.1), ("ZERO", 0.0, 1e-4)])
def test_settles_on_the_range_that_fits(meter, frame, point, shown, digit):
    meter.wiring.lead.move([(9.0, point)])
    lines = list(frames(meter, 12))
    assert all(frame.fullmatch(line) for line in lines), lines
    match = frame.fullmatch(lines[-1])
    scale = {" V": 1.0, "mV": 1e-3}[match["unit"]]
    assert float(match["value"]) * scale == pytest.approx(shown, abs=2 * digit)


def test_overload_and_hold(meter, frame):
    meter.wiring.lead.move([(9.0, "HIGH")])
    assert "O.L" in list(frames(meter, 8))[-1]
    meter.wiring.lead.move([(9.0, "OUT")])
    meter.hold()
    held = list(frames(meter, 3))
    assert len(set(held)) == 1
    assert held[0].endswith("HOLD")
    assert frame.fullmatch(held[0])
    meter.hold(False)
    assert "HOLD" not in meter.line()


def test_frames_arrive_on_the_port(wiring):
    wiring.lead.move([(0.0, "OUT")])
    with StreamServer(StreamMeter(wiring, accuracy=0.0, conversion_s=0.01)) as server:
        for name in STREAM_FAULTS:
            server.cue(name)
        port = os.open(server.path, os.O_RDONLY | os.O_NOCTTY)
        try:
            data = b""
            while data.count(b"\r\n") < 20:
                data += os.read(port, 256)
        finally:
            os.close(port)
        assert data.count(b"V DC AUTO\r\n") > 5
