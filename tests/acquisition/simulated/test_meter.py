"""The simulated bench meter: what it shows, and how it says so."""

import pytest

from acquisition.clock import FakeClock
from acquisition.simulated.meter import Meter


@pytest.fixture
def meter(wiring):
    clock = FakeClock(100.0)
    wiring.clock = clock
    made = Meter(wiring, accuracy=(0.0, 0.0))
    made.handle(b"CONF:VOLT:DC;:VOLT:NPLC 1")
    return made


def read(meter):
    return float(meter.handle(b"READ?"))


def test_loaded_reading_after_settling(meter, wiring):
    wiring.lead.move([(99.0, "A")])
    # 200 V behind 60 kohm on 10 Mohm; a whole period of the ripple averages out.
    assert read(meter) == pytest.approx(200 * 10 / 10.06, abs=2e-3)


def test_settles_with_the_node_and_lifts(meter, wiring):
    wiring.lead.move([(100.0, "A"), (103.0, None)])
    early, late = read(meter), [read(meter) for _ in range(20)][-1]
    assert abs(early - late) > 0.1
    wiring.clock.now_s = 103.5
    assert abs(read(meter)) < 0.1


def test_open_lead_wanders_and_hums_at_short_integration(meter, wiring):
    meter.handle(b"VOLT:NPLC 0.02")
    values = []
    for _ in range(40):
        values.append(read(meter))
        wiring.clock.now_s += 0.0037
    assert max(values) - min(values) > 0.2


def test_autorange_and_overload(meter, wiring):
    wiring.lead.move([(99.0, "ZERO")])
    assert abs(read(meter)) < 1e-5
    assert float(meter.handle(b"VOLT:RANG?")) == 0.1
    wiring.lead.move([(99.0, "HIGH")])
    assert meter.handle(b"READ?") == b"+9.90000000E+37"
    assert meter.handle(b"STAT:QUES:COND?") == b"1"
    meter.handle(b"VOLT:RANG 10")
    wiring.lead.move([(99.0, "OUT")])
    assert read(meter) == 9.9e37
    assert meter.handle(b"VOLT:RANG:AUTO?") == b"0"


def test_reading_takes_two_apertures_with_autozero(meter, wiring):
    before = wiring.clock.now_s
    wiring.lead.move([(99.0, "A")])
    meter.handle(b"VOLT:RANG 1000;NPLC 10")
    read(meter)
    assert wiring.clock.now_s - before == pytest.approx(0.4)


def test_specimen_stays_inside_its_accuracy(wiring):
    wiring.clock = FakeClock(10.0)
    wiring.lead.move([(0.0, "OUT")])
    shown = []
    for seed in range(40):
        meter = Meter(wiring, seed=seed, accuracy=(1e-3, 0.0))
        meter.handle(b"VOLT:RANG 1000;NPLC 10")
        shown.append(read(meter))
    errors = [value / 150 - 1 for value in shown]
    assert max(abs(e) for e in errors) < 1.05e-3
    assert max(errors) - min(errors) > 1e-3


def test_trigger_model(meter):
    meter.handle(b"TRIG:SOUR BUS;:SAMP:COUN 3;:INIT")
    assert meter.handle(b"FETC?") == b""
    assert meter.next_error().startswith("-230")
    meter.handle(b"*TRG")
    assert meter.handle(b"FETC?").count(b",") == 2
    meter.handle(b"TRIG:SOUR IMM;:INIT:CONT ON")
    assert meter.handle(b"READ?") == b""
    assert meter.next_error().startswith("-213")
