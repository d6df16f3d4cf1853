"""The ordinary drivers while the simulated instruments misbehave: a reading is right, or it is an error."""

import math

import pytest

from acquisition.errors import (
    AcquisitionError,
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    InstrumentReported,
    MeasurementError,
    OverRange,
    RecordVoid,
)
from acquisition.instruments import Channel, Timebase, Trigger, load_bench, open_generator, open_meter, open_scope
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.faults import LINK_FAULTS, late

QUICK = tuple(name for name in LINK_FAULTS if name not in {"late", "silence", "drip"})


@pytest.fixture
def bench(wiring):
    with SimulatedBench(wiring.plant) as made:
        made.wiring.lead.move([(0.0, "OUT")])
        yield made


@pytest.fixture
def described(bench, tmp_path):
    return load_bench(str(bench.write(tmp_path / "bench.yaml")))


@pytest.mark.parametrize("name", ["drip", *QUICK, "silence", "late"])
def test_each_fault_on_a_reading(bench, described, name):
    with open_meter(described) as meter:
        meter.configure_dc(range_v=1000.0, nplc=0.2)
        bench.links["meter"].mischief.cue(name, on=b"READ", fault=late(1.2) if name == "late" else None)
        try:
            value_v = meter.read().value_v
        except AcquisitionError as error:
            assert error.hint
        else:
            assert value_v == pytest.approx(150.0, abs=0.05)
        assert bench.links["meter"].mischief.played == [name]
        # Without a restart the next readings are right again: one may still be spent on getting into step.
        for _ in range(3):
            try:
                assert meter.read().value_v == pytest.approx(150.0, abs=0.05)
                break
            except AcquisitionError:
                continue
        else:
            pytest.fail("did not recover")


def test_no_wrong_reading_among_random_faults(bench, described):
    with open_meter(described) as meter:
        meter.configure_dc(range_v=1000.0, nplc=0.02)
        mischief = bench.links["meter"].mischief
        mischief.names = tuple(n for n in QUICK if n not in {"cut short", "unterminated", "carriage return"})
        mischief.rate = 0.03
        right = 0
        for _ in range(150):
            try:
                value_v = meter.read().value_v
            except AcquisitionError:
                continue
            assert value_v == pytest.approx(150.0, abs=0.1)
            right += 1
    assert len(mischief.played) > 10
    assert right > 75


def test_range_turned_by_hand_overload_and_power_cycle(bench, described):
    with open_meter(described) as meter:
        meter.configure_dc(range_v=1000.0)
        bench.meter.range_v = 10.0
        with pytest.raises(OverRange):
            meter.read()
        bench.meter.power_cycle()
        meter._looked_s = -math.inf  # a while later: what hands seldom change is looked at first, and has changed
        with pytest.raises(ConnectionLost, match="switched off and on"):
            meter.read()
        assert meter.read().value_v == pytest.approx(150.0, abs=0.05)
        assert (bench.meter.auto, bench.meter.range_v) == (False, 1000.0), "as it was set before the power cut"
        bench.meter.function = "VOLT:AC"
        with pytest.raises(MeasurementError):
            meter.read()


def test_error_queue_full_is_emptied(bench, described):
    for _ in range(40):
        bench.meter.report(-113, "Undefined header")
    with open_meter(described) as meter:
        assert meter.read().value_v == pytest.approx(150.0, abs=0.05)
        assert not bench.meter.errors


def test_refused_link_and_other_instrument(bench, described, tmp_path):
    bench.links["meter"].refuse()
    with pytest.raises(InstrumentNotFound):
        open_meter(described)
    text = bench.bench_text().replace(bench.links["meter"].resource, bench.links["scope"].resource)
    (tmp_path / "wrong.yaml").write_text(text)
    with pytest.raises(InstrumentNotFound):
        open_meter(load_bench(str(tmp_path / "wrong.yaml")))


def test_generator_that_clamps_or_refuses(bench, described):
    with open_generator(described) as generator:
        generator.most_pp_v = 100.0
        bench.generator.clamps = True
        with pytest.raises(CommandRefused):
            generator.set_sine(1000.0, 30.0)
        bench.generator.clamps = False
        with pytest.raises((CommandRefused, InstrumentReported)):
            generator.set_sine(1000.0, 30.0)
        assert not bench.generator.output


@pytest.mark.parametrize("name", ["AM", "SWEep", "BURSt"])
def test_a_generator_left_in_modulation_sweep_or_burst_gives_a_plain_sine_and_is_given_back_so(
    bench, described, name
):
    """A gain at 1 kHz was measured wherever the sweep stood; with a burst no trigger came, and nobody said why."""
    bench.generator.switch(name, True)
    with open_generator(described) as generator:
        generator.set_sine(1000.0, 0.5)
        with generator.measuring():
            drive = bench.wiring.drive
            assert (drive.on, drive.freq_hz, drive.emf_peak_v) == (True, 1000.0, pytest.approx(0.25))
            bench.generator.switch(name, True)
            with pytest.raises(RecordVoid, match="no longer gives a plain sine"):
                generator.require_sine()
        generator.set_sine(1000.0, 0.5)
        assert not bench.generator.switches[name]
        assert generator.restore() == []
    assert [key for key, is_on in bench.generator.switches.items() if is_on] == [name]


def test_lost_link_while_the_generator_is_on(bench, described):
    with open_generator(described) as generator:
        generator.set_sine(1000.0, 0.5)
        with generator.measuring():
            assert bench.generator.output
            bench.links["generator"].drop()
        assert not bench.generator.output


@pytest.mark.parametrize("name", ["text for block", "wrong block length", "half then hang up", "hang up"])
def test_damaged_record_is_never_fetched(bench, described, name):
    bench.wiring.clip(1, "IN")
    with open_generator(described) as generator, open_scope(described) as scope:
        generator.set_sine(1000.0, 1.0)
        scope.set_channel(Channel(channel=1, full_scale_v=1.6))
        scope.set_timebase(Timebase(span_s=0.01, points=1000))
        scope.set_trigger(Trigger(source="ch1"))
        with generator.measuring():
            scope.single(2.0)
            bench.links["scope"].mischief.cue(name, on=b"DATA")
            with pytest.raises(AcquisitionError):
                scope.fetch(1, "IN")
            scope.single(2.0)
            assert scope.fetch(1, "IN").codes.size == 1000


def test_trigger_that_never_comes_or_sticks(bench, described):
    with open_scope(described) as scope:
        scope.set_channel(Channel(channel=1, full_scale_v=1.6))
        scope.set_timebase(Timebase(span_s=0.01, points=1000))
        scope.set_trigger(Trigger(source="ch1", level_v=0.5))
        bench.scope.never_triggers = True
        with pytest.raises(MeasurementError, match="no trigger"):
            scope.single(0.2)
        bench.scope.stuck_state = "running"
        with pytest.raises(MeasurementError):
            scope.single(0.2)


def test_two_programs_on_a_socket_that_takes_one(bench, described):
    """The second is told so; the first notices nothing."""
    bench.links["meter"].single_client = True
    with open_meter(described) as meter:
        assert meter.read().value_v == pytest.approx(150.0, abs=0.05)
        with pytest.raises(InstrumentNotFound) as caught:
            open_meter(described)
        assert "another program" in caught.value.hint
        assert meter.read().value_v == pytest.approx(150.0, abs=0.05)
        assert not meter.session.gaps
    with open_meter(described) as meter:
        assert meter.read().value_v == pytest.approx(150.0, abs=0.05)


def test_two_programs_on_a_socket_that_takes_both(bench, described):
    """Neither gets the other's answers."""
    with open_meter(described) as first, open_meter(described) as second:
        for meter in (first, second) * 3:
            assert meter.read().value_v == pytest.approx(150.0, abs=0.05)


def test_two_programs_on_a_serial_port(wiring, tmp_path):
    with SimulatedBench(wiring.plant, meter="stream-meter") as made:
        made.wiring.lead.move([(0.0, "OUT")])
        described = load_bench(str(made.write(tmp_path / "bench.yaml")))
        with open_meter(described) as meter:
            with pytest.raises(InstrumentNotFound) as caught:
                open_meter(described)
            assert "another program is using the port" in caught.value.hint
            while not (sample := next(meter.stream())).is_reading:
                pass
            assert sample.value_v == pytest.approx(150.0, rel=0.01)
