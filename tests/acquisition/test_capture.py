"""Captures through the drivers on the simulated bench: ranges, limits, and the generator off afterwards."""

import math
import time

import numpy as np
import pytest

from acquisition.capture import ScopeRules, StageCapture, Tap
from acquisition.clock import FakeClock
from acquisition.errors import BenchError, ConnectionLost, MeasurementError, RecordVoid, SafetyStop
from acquisition.instruments import load_bench, open_generator, open_scope
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.plant import Line


class Amplifier:
    """``IN`` is the generator, ``OUT`` -10 times it on 150 V, ``BIG`` 400 times it, ``FAINT`` next to none."""

    def __init__(self):
        self.gains = {"IN": 1.0, "OUT": -10.0 * np.exp(-0.1j), "BIG": 400.0, "FAINT": 1e-4, "RAIL": 0.0}

    def dc_v(self, point, load_ohm=math.inf):
        return {"OUT": 150.0, "RAIL": 300.0}.get(point, 0.0)

    def settle_s(self, point):
        return 0.01

    def ripple(self, point):
        return [Line(100.0, 1.5), Line(200.0, 0.3)] if point == "RAIL" else []

    def response(self, points, freq_hz, loads_s):
        return np.array([self.gains[p] for p in points], complex)

    def swing_v(self, point):
        return (-3000.0, 3000.0)


RULES = ScopeRules(tip_rated_v=600.0, input_rated_v=300.0)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with SimulatedBench(Amplifier()) as simulated:
        simulated.described = load_bench(str(simulated.write(tmp_path_factory.mktemp("bench") / "bench.yaml")))
        yield simulated


@pytest.fixture
def instruments(bench):
    for link in bench.links.values():
        link.refuse(False)
    bench.scope.never_triggers = False
    bench.scope.reset()
    with open_generator(bench.described) as generator, open_scope(bench.described) as scope:
        yield generator, scope
    assert not bench.wiring.drive.on


def stage(bench, instruments, source="IN", output="OUT", **more):
    bench.wiring.clip(1, source)
    bench.wiring.clip(2, output)
    kept = []
    taps = [
        Tap(point=source, channel=1, **more.pop("first", {})),
        Tap(point=output, channel=2, **more.pop("second", {})),
    ]
    rules, clock = more.pop("rules", RULES), more.pop("clock", None) or FakeClock()
    capture = StageCapture(*instruments, taps, rules, kept.append, clock=clock, **more)
    return capture, kept


def test_two_channels_of_one_shot_fill_their_ranges(bench, instruments):
    capture, kept = stage(bench, instruments)
    with capture.driven(1000.0, 0.5) as shoot:
        assert bench.wiring.drive.on
        source, output = shoot()
        again = shoot()
    assert not bench.wiring.drive.on
    assert kept == [source, output, *again]
    assert source.shot == output.shot != again[0].shot
    assert (source.freq_hz, source.drive_pp_v) == (1000.0, 0.5)
    assert np.ptp(source.volts) == pytest.approx(0.5, rel=0.1)
    assert np.ptp(output.volts) == pytest.approx(5.0, rel=0.1)
    for record in (source, output):
        assert not record.clipped
        assert np.ptp(record.volts) > 0.2 * record.full_scale_v
        assert (record.coupling, record.probe_factor, record.bandwidth_hz) == ("ac", 10.0, 20e6)
        periods = record.dt_s * record.codes.size * 1000.0
        assert 5.0 <= periods <= 20.0
        assert 1 / (1000.0 * record.dt_s) >= 50


@pytest.mark.parametrize(("output", "guess"), [("OUT", 0.02), ("BIG", 0.5), ("OUT", 400.0), ("FAINT", 5.0)])
def test_the_range_is_found_from_any_first_guess(bench, instruments, output, guess):
    capture, _ = stage(bench, instruments, output=output, second={"pp_v": guess})
    with capture.driven(2000.0, 0.5) as shoot:
        _, record = shoot()
    assert not record.clipped
    if output == "FAINT":  # below a fifth of the smallest range: taken as it is, on the smallest
        assert record.full_scale_v < 0.3
    else:
        assert np.ptp(record.volts) > 0.2 * record.full_scale_v


def test_ranges_are_remembered_from_one_frequency_to_the_next(bench, instruments):
    capture, kept = stage(bench, instruments)
    scales = []
    for freq in (1000.0, 3000.0, 10000.0):
        with capture.driven(freq, 0.5) as shoot:
            scales.append(tuple(record.full_scale_v for record in shoot()))
    assert len(set(scales)) == 1
    assert len(kept) == 6


def test_a_signal_beyond_the_largest_range_is_said_so(bench, instruments):
    capture, kept = stage(bench, instruments, output="BIG", second={"pp_v": 600.0})
    with (
        pytest.raises(MeasurementError, match="larger than the largest range"),
        capture.driven(1000.0, 5.0) as shoot,
    ):
        shoot()
    assert kept == []


def test_direct_coupling_follows_the_level(bench, instruments):
    # 250 V in a fault is too much for the input behind an AC-coupled x10 probe, but not for the divided one.
    capture, _ = stage(bench, instruments, second={"worst_v": 250.0, "dc_v": 140.0})
    assert capture.coupling == "dc"
    with capture.driven(1000.0, 0.5) as shoot:
        source, output = shoot()
    assert (source.coupling, output.coupling) == ("dc", "dc")
    assert np.mean(output.volts) == pytest.approx(150.0, rel=0.03)
    assert np.ptp(output.volts) > 0.2 * output.full_scale_v


def test_a_small_signal_on_direct_volts_that_nobody_expected(bench, instruments):
    """Neither level is crossed where it was expected, and the ranges differ by more than the signal."""
    capture, kept = stage(bench, instruments, first={"dc_v": 7.0}, second={"worst_v": 250.0, "dc_v": 120.0})
    assert capture.coupling == "dc"
    with capture.driven(1000.0, 0.02) as shoot:
        source, output = shoot()
        again, _ = shoot()
    assert source.shot == output.shot < again.shot
    assert np.ptp(output.volts) < 1.0  # 20 mV times ten, and noise, on 150 V
    assert np.mean(output.volts) == pytest.approx(150.0, rel=0.03)
    trigger = capture.scope._trigger
    seen = {"ch1": source, "ch2": output}[trigger.source].volts
    assert seen.min() <= trigger.level_v <= seen.max()  # found again, so that later shots need no force
    assert len(kept) == 4


def test_ratings_are_never_exceeded(bench, instruments):
    with pytest.raises(SafetyStop, match=r"OUT can take 481 V .* allow 480 V"):
        stage(bench, instruments, second={"worst_v": 481.0})
    capture, _ = stage(bench, instruments)
    with pytest.raises(SafetyStop, match="most_pp_v"), capture.driven(1000.0, 6.0):
        pytest.fail("not reached")
    with pytest.raises(SafetyStop, match=r"IN can take 100 V"):
        stage(bench, instruments, first={"worst_v": 100.0}, rules=ScopeRules(tip_rated_v=60.0, input_rated_v=300.0))


def test_the_other_channel_triggers_where_the_first_has_no_signal(bench, instruments):
    capture, _ = stage(bench, instruments, source="RAIL", output="OUT")
    bench.wiring.plant.gains["RAIL"] = 0.0
    ripple, bench.wiring.plant.ripple = bench.wiring.plant.ripple, lambda point: []
    try:
        with capture.driven(1000.0, 0.5) as shoot:
            records = shoot()
    finally:
        bench.wiring.plant.ripple = ripple
    assert np.ptp(records[1].volts) == pytest.approx(5.0, rel=0.1)


def test_one_channel_at_a_time_on_the_sync(bench, instruments):
    generator, scope = instruments
    kept, phases = [], []
    for point in ("IN", "OUT"):
        bench.wiring.clip(1, point)
        capture = StageCapture(
            generator,
            scope,
            [Tap(point=point, channel=1)],
            RULES,
            kept.append,
            trigger="external",
            clock=FakeClock(),
        )
        with capture.driven(1000.0, 0.5) as shoot:
            (record,) = shoot()
        assert not bench.wiring.drive.on
        turn = np.exp(-2j * np.pi * 1000.0 * record.times_s)
        phases.append(np.angle(np.sum((record.volts - record.volts.mean()) * turn)))
    assert (phases[1] - phases[0] + np.pi + 0.1 + np.pi) % (2 * np.pi) - np.pi == pytest.approx(0.0, abs=0.05)


def test_hum_is_recorded_with_the_generator_off(bench, instruments):
    generator, scope = instruments
    bench.wiring.clip(1, "RAIL")
    kept = []
    capture = StageCapture(
        generator,
        scope,
        [Tap(point="RAIL", channel=1, worst_v=230.0, pp_v=0.1)],
        RULES,
        kept.append,
        clock=FakeClock(),
    )
    (record,) = capture.still(0.2)
    assert record.freq_hz is None
    assert record.drive_pp_v is None
    assert not bench.wiring.drive.on
    assert np.ptp(record.volts) == pytest.approx(3.3, rel=0.2)
    assert kept == [record]


def test_a_scope_that_says_for_a_moment_that_it_still_has_the_last_record_is_not_asked_too_early(
    bench, instruments, monkeypatch
):
    """Armed, some need a while before they say so; what they hold until then is the record before."""
    bench.wiring.clip(1, "RAIL")
    tap = Tap(point="RAIL", channel=1, worst_v=230.0, pp_v=4.0)
    capture = StageCapture(*instruments, [tap], RULES, lambda record: None, clock=FakeClock())
    first, *_ = capture.still(0.2)
    advance, single = bench.scope.advance, bench.scope.single

    def lazy_single():
        held = bench.scope.record
        single()
        begun_s = bench.scope.clock.monotonic_s()

        def lazy():
            if bench.scope.clock.monotonic_s() - begun_s > 0.1:
                return advance()
            bench.scope.record = held
            return "stopped"

        monkeypatch.setattr(bench.scope, "advance", lazy)

    monkeypatch.setattr(bench.scope, "single", lazy_single)
    second, *_ = capture.still(0.2)
    assert not np.array_equal(first.codes, second.codes)


def test_a_knob_turned_by_hand_is_not_taken_for_a_trigger_that_does_not_come(bench, instruments):
    capture, kept = stage(bench, instruments)
    with capture.driven(1000.0, 0.5) as shoot:
        shoot()
        bench.scope.channels[1].factor = 1.0
        with pytest.raises(RecordVoid, match="channel 1 was set to x10 ac, but the scope says x1 ac"):
            shoot()
    assert capture._trigger_channel == 1
    assert len(kept) == 2


def test_a_record_is_kept_before_it_is_returned(bench, instruments):
    def full(record):
        raise BenchError("the disk is full")

    bench.wiring.clip(1, "IN")
    capture = StageCapture(*instruments, [Tap(point="IN", channel=1)], RULES, full, clock=FakeClock())
    with pytest.raises(BenchError, match="disk"), capture.driven(1000.0, 0.5) as shoot:
        shoot()
    assert not bench.wiring.drive.on


@pytest.mark.parametrize("thrown", [KeyboardInterrupt, SystemExit, ZeroDivisionError])
def test_output_is_off_after_any_exception(bench, instruments, thrown):
    capture, _ = stage(bench, instruments)
    with pytest.raises(thrown), capture.driven(1000.0, 0.5) as shoot:  # noqa: PT012  the block is the point
        shoot()
        assert bench.wiring.drive.on
        raise thrown
    assert not bench.wiring.drive.on


def test_output_is_off_when_no_trigger_comes(bench, instruments):
    bench.scope.never_triggers = True
    capture, _ = stage(bench, instruments, trigger="external")
    with pytest.raises(MeasurementError, match="no trigger"), capture.driven(1000.0, 0.5) as shoot:
        shoot()
    assert not bench.wiring.drive.on


def test_output_is_off_when_the_scope_is_lost(bench, instruments):
    capture, _ = stage(bench, instruments)
    with pytest.raises(BenchError), capture.driven(1000.0, 0.5) as shoot:  # noqa: PT012
        bench.links["scope"].refuse()
        bench.links["scope"].drop()
        shoot()
    assert not bench.wiring.drive.on


def test_a_generator_lost_for_good_is_called_possibly_on(bench, instruments):
    capture, _ = stage(bench, instruments)
    with pytest.raises(ConnectionLost) as caught, capture.driven(1000.0, 0.5):  # noqa: PT012
        bench.links["generator"].refuse()
        bench.links["generator"].drop()
    assert "may still be ON" in caught.value.hint
    assert bench.wiring.drive.on  # nothing reached it: the text is the only warning there can be
    bench.links["generator"].refuse(False)
    instruments[0].output(False)  # found again, it is switched off first of all
    assert not bench.wiring.drive.on


def test_a_generator_lost_and_found_is_switched_off(bench, instruments):
    capture, _ = stage(bench, instruments)
    with capture.driven(1000.0, 0.5):
        bench.links["generator"].drop()
    assert not bench.wiring.drive.on


def test_the_chassis_has_its_time_with_the_output_on_before_a_record(bench, instruments):
    slept = []

    class Watched(FakeClock):
        def sleep_s(self, seconds):
            slept.append((seconds, bench.wiring.drive.on, len(kept)))
            super().sleep_s(seconds)

    capture, kept = stage(bench, instruments, clock=Watched())
    with capture.driven(1000.0, 0.5, settle_s=0.7) as shoot:
        shoot()
    assert sum(seconds for seconds, is_on, records in slept if is_on and not records) == pytest.approx(0.7)


def test_a_record_of_a_generator_that_was_cut_off_is_not_kept(bench, instruments, monkeypatch):
    """Off and on during the record it gives its own defaults, whatever the record is said to be of."""
    capture, kept = stage(bench, instruments)
    fetch = capture.scope.fetch

    def cut(channel, point):
        record = fetch(channel, point)
        bench.generator.power_cycle()
        return record

    with capture.driven(1000.0, 0.5) as shoot:
        shoot()
        assert len(kept) == 2
        monkeypatch.setattr(capture.scope, "fetch", cut)
        with pytest.raises(ConnectionLost):
            shoot()
    assert len(kept) == 2


@pytest.mark.parametrize("trigger", ["signal", "external"])
@pytest.mark.parametrize("cut", [True, False])
def test_no_trigger_of_a_generator_that_gives_nothing_is_told_as_that(bench, instruments, trigger, cut):
    """Not as a level that nothing crosses: what is cut off and back can be waited for, and the run goes on."""
    capture, kept = stage(bench, instruments, trigger=trigger)
    with capture.driven(1000.0, 0.5) as shoot:
        if cut:
            bench.generator.power_cycle()
        else:
            bench.generator.output = False
            bench.generator._apply_drive()
        kind, says = (ConnectionLost, "switched off and on") if cut else (RecordVoid, "its output is off")
        with pytest.raises(kind, match=says):
            shoot()
    assert kept == []


def test_two_taps_need_two_channels(instruments):
    taps = [Tap(point="A", channel=1), Tap(point="B", channel=1)]
    with pytest.raises(ValueError, match="own"):
        StageCapture(*instruments, taps, RULES, lambda record: None)
    with pytest.raises(ValueError, match="neither"):
        StageCapture(*instruments, taps[:1], RULES, lambda record: None, trigger="line")


def test_who_asks_to_stop_is_heard_while_a_coupling_capacitor_settles(bench, instruments):
    def look():
        raise KeyboardInterrupt

    clock = FakeClock()
    capture, _ = stage(bench, instruments, look=look, clock=clock)
    begun_s = clock.monotonic_s()
    with pytest.raises(KeyboardInterrupt):
        capture.still(0.1)
    assert clock.monotonic_s() - begun_s < 0.5


@pytest.mark.parametrize("where", ["before a shot", "during a shot", "while it settles"])
def test_who_asks_to_stop_is_heard_at_every_shot_and_the_generator_is_off(bench, instruments, monkeypatch, where):
    """Not only between two frequencies: at each there may be sixteen records, and a slow one takes a minute."""
    asked, looks = [], []

    def look():
        if bench.wiring.drive.on:
            looks.append(where)
        if where == "while it settles" and len(looks) == 3:
            asked.append(True)
        if asked:
            assert bench.wiring.drive.on
            raise KeyboardInterrupt

    capture, kept = stage(bench, instruments, look=look)

    def measure(freq_hz, records):
        with capture.driven(freq_hz, 0.5) as shoot:
            for _ in range(records):
                shoot()
            if where == "before a shot":
                asked.append(True)
            shoot()

    if where == "during a shot":
        handle = bench.scope.handle

        def armed(message):
            if b":SING" in message:
                asked.append(True)
            return handle(message)

        monkeypatch.setattr(bench.scope, "handle", armed)
        bench.scope.never_triggers = True
    began_s = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        measure(1000.0 if where == "before a shot" else 1.0, 1 if where == "before a shot" else 0)
    assert len(kept) == (2 if where == "before a shot" else 0)
    assert not bench.wiring.drive.on
    print(f"{where}: heard after {time.monotonic() - began_s:.2f} s")
