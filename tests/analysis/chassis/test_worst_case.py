"""Nothing is offered beyond what lead, probe and instrument are rated for, on every shipped chassis."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquisition.configs import config_names
from acquisition.errors import SafetyStop
from acquisition.instruments.bench import parse_bench
from acquisition.probing import ProbingLimits
from acquisition.records import Measurand, usable_v
from analysis.app.signal.plan import plan_stage
from analysis.chassis import ChassisModel, WorstCase, load_chassis, parse_chassis
from analysis.chassis.plan import survey_plan
from analysis.suspects.candidates import candidates, is_allowed
from tests.outside.topologies import TOPOLOGIES

NAMES = config_names("chassis")
MODELS = {name: ChassisModel(load_chassis(name)) for name in NAMES}
PLANS = {name: survey_plan(model.chassis, model) for name, model in MODELS.items()}

PLAN_OF = {}
SCOPE = "scope: {resource: 'TCPIP::192.0.2.1::5025::SOCKET', dialect: ten-field-scope}\n"

STIFF = """
chassis: One stage, and a plate with a choke for its load
tubes: {V1: 12AX7}
rails: {HT1: {volts: 260, source: 5, ripple_pp: 4}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  L1: {inductor: 20, nodes: [HT1, V1.1]}
  C1: 22n   V1.1  OUT
  R3: 470k  OUT   gnd
  C2: 22u   HT1   gnd
"""


def reached_v(model, point):
    """What the file itself says: at switch-on the supply stands at no less than its EMF (rule L1), and a plate on a
    transformer swings to twice the supply (L3).
    """
    supply_v = max(max(abs(r.volts), float(model.nominal()[f"{n}.emf"][0])) for n, r in model.chassis.rails.items())
    coils = {n for p in model.chassis.parts.values() if p.kind == "transformer" for n in p.nodes[:-2]}
    return supply_v * (2.0 if point.function == "plate" and point.node in coils else 1.0)


@pytest.mark.parametrize("name", NAMES)
def test_the_worst_case_of_all_three_users_is_above_the_supply_the_file_itself_has(name):
    model = MODELS[name]
    worst = WorstCase(model.chassis, model)
    for step in PLANS[name].steps:
        point = model.points[step.point]
        if point.danger and not point.heater:
            least_v = 1.1 * reached_v(model, point)
            assert step.worst_v >= least_v
            assert worst.at(point) == pytest.approx(step.worst_v)


def test_screens_on_taps_swing_with_the_plates():
    model = ChassisModel(parse_chassis(TOPOLOGIES["screens on taps"]))
    worst = WorstCase(model.chassis, model)
    for name in ("UL1", "UL2", "V1.4", "V2.4", "V1.3"):
        assert worst.at(model.points[name]) >= 1.43 * 400.0 * 1.1, name
    assert worst.at(model.points["HT"]) < 1.43 * 400.0


def test_a_heater_lifted_by_a_divider_can_reach_the_supply_when_the_divider_opens():
    lifted = (
        STIFF.replace("  C2: 22u", "  R4: 220k HT1 HEL\n  R5: 68k HEL gnd\n  C2: 22u")
        + "joined: [[HEL, V1.4, V1.5]]\n"
    )
    model = ChassisModel(parse_chassis(lifted))
    worst = WorstCase(model.chassis, model)
    assert worst.at(model.points["V1.4"]) == worst.at(model.points["HEL"]) >= 260.0
    assert worst.at(model.points["V1.9"]) == 60.0  # not wired in the file
    opened = model.predict({"R5": np.array([np.inf])}, [Measurand(point="V1.4", quantity="dc_v")])
    assert 200.0 < opened[0, 0] < worst.at(model.points["V1.4"])


ratings = st.one_of(st.none(), st.floats(20.0, 2000.0))


@settings(max_examples=200, deadline=None)
@given(name=st.sampled_from(NAMES), meter=ratings, lead=ratings, mains_known=st.booleans())
def test_no_point_of_a_survey_is_named_beyond_a_rating(name, meter, lead, mains_known):
    limits = ProbingLimits(meter_rated_v=meter, lead_rated_v=lead, mains_known=mains_known)
    for step in PLANS[name].steps:
        if not limits.refusal(step):
            for rated_v in (meter, lead):
                assert step.worst_v <= (60.0 if rated_v is None else max(0.8 * rated_v, min(rated_v, 60.0)))
            assert mains_known or step.worst_v <= 60.0


@settings(max_examples=100, deadline=None)
@given(name=st.sampled_from(NAMES), lead=st.floats(20.0, 2000.0), probe=st.floats(20.0, 2000.0))
def test_no_reading_is_proposed_beyond_a_rating(name, lead, probe):
    model = MODELS[name]
    worst = WorstCase(model.chassis, model)
    steps = {step.point: step for step in PLANS[name].steps}
    for measurand in candidates(model):
        if is_allowed(worst, measurand, lead, probe):
            rated_v = lead if measurand.quantity == "dc_v" else probe
            for point in measurand.points:
                if point in steps and model.points[point].danger:
                    assert steps[point].worst_v <= usable_v(rated_v) <= rated_v


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from([name for name in NAMES if MODELS[name].chassis.stages]),
    scope=ratings,
    probe=ratings,
    factor=st.sampled_from([1.0, 10.0, 100.0]),
    drive_pp_v=st.floats(0.001, 10.0),
)
def test_no_probe_goes_beyond_a_rating_nor_does_an_input_behind_a_coupling_capacitor(
    name, scope, probe, factor, drive_pp_v
):
    rated = [f", {key}: {value}" if value else "" for key, value in (("rating_v", scope), ("rated_v", probe))]
    bench = parse_bench(
        "bench: b\n"
        f"scope: {{resource: 'TCPIP::192.0.2.1::5025::SOCKET', dialect: ten-field-scope{rated[0]}}}\n"
        f"probe: {{factor: {factor}, ohm: 10M, farad: 12p{rated[1]}}}\n",
        "b",
    )
    model = MODELS[name]
    plan = PLAN_OF.setdefault(name, plan_stage(next(iter(model.chassis.stages)), model.chassis, bench))
    plan = dataclasses.replace(plan, bench=bench)
    taps = plan.taps(drive_pp_v)
    limit_v = min(probe or 60.0, (scope or 60.0) * factor)
    try:
        coupling = plan.rules().coupling(taps)
    except SafetyStop:
        assert any(tap.worst_v > 0.8 * limit_v for tap in taps)
        return
    for tap in taps:
        point = model.points[tap.point]
        needed_v = 1.1 * reached_v(model, point) if point.danger else tap.worst_v
        assert needed_v <= tap.worst_v * (1 + 1e-9)
        assert tap.worst_v <= limit_v
        # The divider of a probe does not stand before the direct voltage on a coupling capacitor (rule L2).
        assert coupling == "dc" or tap.worst_v <= (scope or 60.0)


def test_an_output_behind_a_coupling_capacitor_may_carry_what_is_before_it():
    """A shorted capacitor puts the plate on the terminal; a winding or a grid resistor does not."""
    preamp, power = (ChassisModel(load_chassis(name)) for name in ("bench-6c4", "harbour-twenty"))
    worst = WorstCase(preamp.chassis, preamp)
    assert worst.at(preamp.points["OUT"]) == worst.supply_v
    assert worst.at(preamp.points["IN"]) == 60.0
    assert WorstCase(power.chassis, power).at(power.points["SPK"]) == 60.0


def test_a_source_too_small_to_be_true_is_not_believed():
    """No reservoir supply is stiffer than 1.41 / 1.35; at 5 ohm this one would rise by 0.02 V."""
    chassis = parse_chassis(STIFF, "stiff.yaml")
    model = ChassisModel(chassis)
    assert float(model.nominal()["HT1.emf"][0]) < 261
    worst = WorstCase(chassis, model)
    assert worst.supply_v == pytest.approx(1.1 * (260 * 1.41 / 1.2 + 2.0))
    believed = parse_chassis(STIFF.replace("source: 5", "source: 20k"), "soft.yaml")
    emf_v = float(ChassisModel(believed).nominal()["HT1.emf"][0])
    assert emf_v > 260 * 1.41 / 1.35
    assert WorstCase(believed, ChassisModel(believed)).supply_v == pytest.approx(1.1 * (emf_v + 2.0))


def test_a_choke_swings_its_plate_and_what_hangs_on_it_but_not_the_reservoir():
    chassis = parse_chassis(STIFF, "stiff.yaml")
    model = ChassisModel(chassis)
    worst = WorstCase(chassis, model)
    volts = {name: worst.at(point) for name, point in model.points.items() if point.node}
    assert volts["V1.1"] == volts["OUT"] == pytest.approx(2.0 * worst.supply_v)
    assert volts["HT1"] == pytest.approx(worst.supply_v)
    assert volts["V1.3"] == 60.0


def test_what_was_read_counts_where_it_is_higher_than_the_file():
    chassis = load_chassis("quayside-five")
    model = MODELS["quayside-five"]
    assert WorstCase(chassis, model, seen_v=400.0).supply_v == pytest.approx(440.0)
    assert WorstCase(chassis, model, seen_v=-100.0).supply_v == WorstCase(chassis, model).supply_v
    plan = plan_stage("first", chassis, parse_bench("bench: b\nlead: {}\nprobe: {}\n" + SCOPE, "b"))
    assert dataclasses.replace(plan, read_v={"HT1": 400.0}).tap("V1.1", 1).worst_v == pytest.approx(440.0)


def test_where_nothing_tells_the_supply_no_plate_is_named_until_the_person_does():
    bare = parse_chassis("chassis: bare\ntubes: {V1: 12AX7}\n")
    limits = ProbingLimits(meter_rated_v=1000.0, lead_rated_v=1000.0)
    for supply_v, words in ((None, "nothing tells the high tension"), (300.0, "")):
        (plate,) = [s for s in survey_plan(bare, supply_v=supply_v).steps if s.point == "V1.1"]
        assert words in limits.refusal(plate)
        assert bool(limits.refusal(plate)) == bool(words)


def test_where_nothing_tells_the_supply_no_probe_goes_anywhere_until_the_person_does():
    bench = parse_bench("bench: b\nprobe: {rated_v: 600}\n" + SCOPE.replace("scope}", "scope, rating_v: 400}"), "b")
    plan = plan_stage("A>B", None, bench)
    with pytest.raises(SafetyStop, match="not known"):
        plan.rules().coupling(plan.taps())
    assert dataclasses.replace(plan, supply_v=200.0).rules().coupling(plan.taps()[:0]) == "ac"
    told = dataclasses.replace(plan, supply_v=200.0).tap("A", 1)
    assert told.worst_v == pytest.approx(440.0), "it may be the plate of an output tube"
    assert math.isinf(plan.tap("A", 1).worst_v)
