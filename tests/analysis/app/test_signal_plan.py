"""Before a stage is measured: settling from the model, ratings, loads, what is left of a sweep."""

import dataclasses

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.errors import ConfigError, SafetyStop
from acquisition.instruments.bench import parse_bench
from acquisition.records import Pass, Reading
from analysis.app.signal.plan import frequencies_left, plan_stage
from analysis.app.signal.settling import LONGEST_S, settling_s, time_constants
from analysis.chassis import ChassisModel, load_chassis, parse_chassis

BENCH = """
bench: test bench
scope: {resource: 'TCPIP::192.0.2.1::5025::SOCKET', dialect: ten-field-scope, accuracy: 3 %, rating_v: 300}
generator: {resource: 'TCPIP::192.0.2.2::5025::SOCKET', dialect: scpi-generator}
probe: {factor: 10, ohm: 10M, farad: 12p, rated_v: 600}
"""


@pytest.fixture(scope="module")
def board():
    return load_chassis("bench-6c4")


@pytest.fixture(scope="module")
def bench():
    return parse_bench(BENCH, "test")


def test_time_constants_are_capacitance_times_the_resistance_seen(board):
    constants = time_constants(ChassisModel(board))
    assert constants["C1"] == pytest.approx(100e-9 * (470e3 + 50), rel=0.01)
    # Into 470 k from the plate: 100 k beside the tube's (mu + 1) Rk + rp, some 30 k.
    assert 100e-9 * 485e3 < constants["C2"] < 100e-9 * 510e3


def test_settling_follows_the_time_constants_and_shrinks_with_frequency(board):
    model = ChassisModel(board)
    waits = [settling_s(model, "V1.5", f) for f in (20.0, 200.0, 2000.0, 20000.0)]
    assert waits == sorted(waits, reverse=True)
    assert 3 * 0.05 < waits[0] < 10 * 0.05
    assert waits[-1] < 0.05
    amplifier = ChassisModel(load_chassis("quayside-five"))
    assert all(settling_s(amplifier, "SPK", f) <= LONGEST_S for f in (5.0, 1000.0))


def test_the_plan_of_a_stage(board, bench):
    plan = plan_stage("stage", board, bench)
    assert (plan.source, plan.output, plan.generator_point) == ("V1.6", "V1.5", "IN")
    assert not plan.needs_load  # no transformer in this chassis
    assert plan.accuracy.vertical == pytest.approx(0.03)
    source, output = plan.taps(0.5, 1000.0)
    # The rail without load, with its margin: no plate swings beyond it. Its 100 ohm are not believed.
    assert output.worst_v == pytest.approx(1.1 * (300.0 * 1.41 / 1.2 + 0.025))
    assert plan.taps(500.0, 1000.0)[1].pp_v <= 2 * 388.0  # the linear gain would make it thousands of volts
    assert source.pp_v == pytest.approx(0.5, rel=0.02)
    assert 4.0 < output.pp_v < 8.0
    exchanged = plan.taps(0.5, 1000.0, exchanged=True)
    assert [t.channel for t in exchanged] == [2, 1]
    read = dataclasses.replace(plan, read_v={"V1.5": 61.5}).tap("V1.5", 2)
    assert read.dc_v == 61.5


def test_the_probe_is_in_the_expectation_and_out_of_the_corrected_gain(board, bench):
    plan = plan_stage("V1.6>V1.5", board, bench)
    frequencies = [100.0, 1000.0, 20000.0]
    with_probe = plan.expected(frequencies)
    assert plan.unprobed(frequencies, with_probe) == pytest.approx(
        plan.bare.response({}, "V1.6", "V1.5", np.array(frequencies))[0]
    )
    assert np.all(np.abs(with_probe) < np.abs(plan.unprobed(frequencies, with_probe)))


STEREO = """
chassis: Two channels
tubes: {V1: 6C4, V2: 6C4}
rails: {HT1: {volts: 250, source: 200}}
parts:
  C1: 100n   INL    V1.6
  R1: 470k   V1.6   gnd
  R2: 1k     V1.7   gnd
  R3: 47k    HT1    V1.1
  R4: 8      SPL    gnd
  C2: 1u     V1.1   SPL
  C3: 100n   INR    V2.6
  R5: 470k   V2.6   gnd
  R6: 1k     V2.7   gnd
  R7: 47k    HT1    V2.1
  R8: 4      SPR    gnd
  C4: 1u     V2.1   SPR
signal: {input: [INL, INR], output: [SPL, SPR], stages: {left: [V1.6, SPL], right: [V2.6, SPR]}}
"""


def test_the_generator_goes_to_the_input_of_the_channel(bench):
    plans = [plan_stage(name, parse_chassis(STEREO), bench) for name in ("left", "right", "INR>SPR")]
    assert [plan.generator_point for plan in plans] == ["INL", "INR", "INR"]
    assert [plan.load_ohm for plan in plans] == [8.0, 4.0, 4.0]
    pickup = plan_stage("V2.4>V2.1", parse_chassis(STEREO), bench)  # no part reaches a heater pin
    assert (pickup.generator_point, pickup.expected([1000.0])) == ("INR", None)
    taps = [plan.tap(plan.output, 1, 0.1, 1000.0).pp_v for plan in plans[:2]]
    assert taps[0] == pytest.approx(2.0 * taps[1], rel=0.01)


def test_of_two_points_that_nothing_connects_no_gain_is_expected(bench):
    """What one channel leaves in the other, each with its own rail, had ended in a logarithm of 0."""
    apart = STEREO.replace("}}\nparts", "}, HT2: {volts: 250, source: 200}}\nparts")
    apart = apart.replace("R7: 47k    HT1", "R7: 47k    HT2")
    plan = plan_stage("V1.6>V2.1", parse_chassis(apart), bench)
    assert plan.expected([1000.0]) is None
    assert plan.unprobed([1000.0], np.array([0.01])) is None
    assert plan_stage("left", parse_chassis(apart), bench).expected([1000.0]) is not None


def test_without_a_chassis_nothing_is_known_and_the_load_is_asked_for(bench):
    plan = plan_stage("A>B", None, bench)
    assert plan.needs_load
    assert plan.expected([1000.0]) is None
    assert plan.unprobed([1000.0], np.array([1.0])) is None
    assert plan.load_ohm is None
    assert plan.settle_s(1000.0) == 0.5


def test_load_of_the_output_is_found(bench):
    plan = plan_stage("output", load_chassis("quayside-five"), bench)
    assert plan.needs_load
    assert plan.load_ohm == 8.0
    chassis = load_chassis("quayside-five")
    with open(chassis.path, encoding="utf-8") as file:
        text = file.read()
    load = next(line for line in text.splitlines() if line.startswith("  RL:"))
    two = parse_chassis(text.replace(load, "  RL1: 15 SPK gnd\n  RL2: 15 SPK gnd"))
    # Ohm's law: both take power, and half of it was stated with only one of them.
    assert plan_stage("output", two, bench).load_ohm == pytest.approx(7.5)


def test_unknown_ratings_count_as_the_lowest(board):
    plain = parse_bench(BENCH.replace(", rating_v: 300", "").replace(", rated_v: 600", ""), "test")
    rules = plan_stage("stage", board, plain).rules()
    assert (rules.tip_rated_v, rules.input_rated_v) == (60.0, 60.0)


def test_the_wait_of_a_stage_is_that_of_its_capacitors(board, bench):
    # 100 nF into 470 k and more: 47 to 51 ms each, and five to ten of these at 20 Hz.
    plan = plan_stage("stage", board, bench)
    assert 3 * 0.05 < plan.settle_s(20.0) < 10 * 0.05
    assert 0.0 <= plan.settle_s(20e3) < 0.05


def test_volts_that_were_read_count_against_the_rating_of_every_probe(board, bench):
    """A supply read at 700 V is worth more than a drawing that says 300 V."""
    plan = plan_stage("stage", board, bench)
    assert plan.rules().coupling(plan.taps(0.5)) == "dc"  # 388 V in a fault, the probe is good for 480 V
    read = dataclasses.replace(plan, read_v={"HT": 700.0})
    assert read.tap("V1.5", 2).worst_v >= 700.0
    with pytest.raises(SafetyStop, match="can take 770 V in a fault; probe and scope allow 480 V"):
        read.rules().coupling(read.taps(0.5))


def test_a_wrong_name_gets_the_nearest(board, bench):
    with pytest.raises(ConfigError) as caught:
        plan_stage("stge", board, bench)
    assert "stage" in caught.value.hint


def test_a_sweep_goes_on_with_what_is_left():
    taken = [(20.0, 0.1), (40.0, 0.1), (80.0, 0.5), (None, None)]
    assert frequencies_left([20.0, 40.0, 80.0], taken, 0.1) == [80.0]
    assert frequencies_left([20.0, 40.0, 80.0], [], 0.1) == [20.0, 40.0, 80.0]


def test_what_is_known_of_channels_and_probes_comes_from_the_bench_file(board, bench):
    usual = plan_stage("stage", board, bench).accuracy
    assert (usual.probe, usual.shared, usual.skew_s, usual.trigger_samples) == (0.01, 0.0, 2e-9, 1.0)
    text = BENCH.replace(
        "rating_v: 300", "rating_v: 300, skew_s: 5n, channel_correlation: 0.8, trigger_samples: 0.05"
    )
    known = plan_stage(
        "stage", board, parse_bench(text.replace("farad: 12p", "farad: 12p, tolerance: 0.002"), "test")
    )
    assert known.accuracy.skew_s == pytest.approx(5e-9)
    assert (known.accuracy.probe, known.accuracy.shared) == (0.002, 0.8)
    assert known.accuracy.trigger_samples == 0.05
    with pytest.raises(ConfigError, match="channel_correlation"):
        parse_bench(BENCH.replace("rating_v: 300", "rating_v: 300, channel_correlation: 2"), "test")


def test_the_generator_goes_to_an_earthed_chassis_and_past_direct_volts_through_a_capacitor(board, bench):
    """Rules L4 and L8 of common bench practice."""
    plan = plan_stage("stage", board, bench)
    assert "below 1 V to earth in this session, DC and AC" in plan.generator_request
    assert "capacitor" not in plan.generator_request
    leaking = dataclasses.replace(plan, read_v={"IN": 35.0})
    assert (
        "generator on IN through a capacitor rated for 388 V, since 35 V stand there. " in leaking.generator_request
    )
    assert "capacitor" not in plan_stage("V1.6>V1.5", None, bench).generator_request


def test_a_value_that_was_held_for_another_pin_takes_no_capacitor_away(board, bench):
    """The tip slipped to a pin at 0.2 V after 35 V were read at the input; at another it showed 480 V."""
    values = (("IN", 35.0, "good"), ("IN", 0.2, "held"), ("V1.5", 480.0, "unsteady"))
    readings = tuple(Reading(point=p, quantity="dc_v", value=v, quality=quality) for p, v, quality in values)
    kept = Pass(name="as-found", started_utc="", mains_v=120.0, readings=readings)
    plan = plan_stage("stage", board, bench).in_pass(kept)
    assert "through a capacitor rated for 528 V, since 35 V stand there" in plan.generator_request  # 1.1 times 480
    assert (plan.read_v, plan.mains_v) == ({"IN": 35.0}, 120.0)


def test_a_stage_whose_tube_is_out_is_planned_as_if_it_were_in(bench):
    """The model has next to nothing behind it: a scope refused a range of 1e-20 V."""
    chassis = load_chassis("quayside-five")
    whole, out = (plan_stage("output", one, bench) for one in (chassis, chassis.without(["V2"])))
    for there, here in zip(whole.taps(0.1, 1000.0), out.taps(0.1, 1000.0), strict=True):
        assert here.pp_v == pytest.approx(there.pp_v)
        assert here.worst_v >= there.worst_v
    assert out.expected([1000.0]) is None
    assert whole.expected([1000.0]) is not None


def test_a_signal_that_a_control_at_its_end_takes_away_still_has_a_range(bench):
    chassis = parse_chassis(
        find_config("chassis", "quayside-five").read_text("utf-8").replace("at: 0.5", "at: 0"), "test"
    )
    assert all(tap.pp_v >= 1e-4 for tap in plan_stage("output", chassis, bench).taps(0.1, 1000.0))
