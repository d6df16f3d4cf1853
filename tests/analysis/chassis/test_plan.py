"""The survey plan of shipped chassis: order, places, worst case, neighbours."""

import math

import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.plan import survey_plan
from analysis.chassis.points import list_points


@pytest.fixture(scope="module")
def quayside():
    chassis = load_chassis("quayside-five")
    model = ChassisModel(chassis)
    return model, survey_plan(chassis, model)


@pytest.fixture(scope="module")
def harbour():
    chassis = load_chassis("harbour-twenty")
    return survey_plan(chassis, ChassisModel(chassis))


def steps_of(plan):
    return {step.point: step for step in plan.steps}


def test_order_is_that_of_the_bench(quayside):
    points = [step.point for step in quayside[1].steps if not step.heater]
    rails, output = points[:3], points[3:6]
    assert rails == ["HT1", "HT2", "HT3"]
    assert output == ["V2.3", "V2.9", "V2.7"], "cathode, screen, plate of the output tube"
    grids = [points.index(grid) for grid in ("V1.2", "V1.7", "V2.2")]
    others = [points.index(pin) for pin in ("V1.1", "V1.3", "V1.6", "V1.8")]
    assert min(grids) > max(others)


def test_push_pull_order_has_the_bias_before_the_output_tubes_and_the_inverter_before_the_driver(harbour):
    points = [step.point for step in harbour.steps]
    assert points.index("BIASHOT") < points.index("V3.8") < points.index("V3.4") < points.index("V3.3")
    assert points.index("V3.3") < points.index("V2.3") < points.index("V1.3")


def test_every_modelled_pin_is_there_once_and_unused_pins_are_not(quayside):
    model, plan = quayside
    points = [step.point for step in plan.steps]
    assert len(points) == len(set(points))
    assert {name for name, point in model.points.items() if point.node} <= set(points)
    assert not {"V2.1", "V2.6", "V2.8"} & set(points), "internally connected pins are no places for a probe"


def test_pins_on_nothing_are_not_asked_for_where_only_sockets_are_known():
    """An octal rectifier uses no pin 3, 5 or 7, an EL34 no pin 6; as tie points of a drawing they are asked for."""
    plan = survey_plan(parse_chassis("chassis: sockets\ntubes: {V1: GZ34, V2: EL34, V3: 6922}"))
    points = {step.point for step in plan.steps}
    assert not {"V1.1", "V1.3", "V1.5", "V1.7", "V2.6", "V3.9"} & points
    assert {"V1.4", "V1.8", "V2.1", "V2.5", "V3.1"} <= points
    tied = parse_chassis(
        "chassis: tied\ntubes: {V1: EL34}\nrails: {HT: {volts: 250}}\nparts:\n"
        "  R1: 470 V1.8 gnd\n  R2: 470k V1.6 gnd\n  R3: 1k5 V1.6 V1.5\n"
        "joined: [[V1.3, HT], [V1.4, HT], [V1.1, V1.8]]\n"
    )
    assert "V1.6" in {step.point for step in survey_plan(tied, ChassisModel(tied)).steps}


def test_expected_volts_are_what_the_meter_shows(quayside):
    model, plan = quayside
    step = steps_of(plan)["V1.1"]
    shown = model.predict({}, [Measurand(point="V1.1", quantity="dc_v")])[0, 0]
    assert step.expected_v == pytest.approx(shown, rel=0.03)
    assert step.low_v < step.expected_v < step.high_v


def test_place_is_said_from_below(quayside):
    # Pins count clockwise from the gap seen from below (numbering rule of the trade).
    assert steps_of(quayside[1])["V1.6"].place == "noval base, pin 6, sixth clockwise from the gap, seen from below"


def test_worst_case_is_the_unloaded_supply_and_twice_that_at_an_output_plate(quayside):
    model, plan = quayside
    supply = 1.1 * (float(model.nominal()["HT1.emf"][0]) + 3.0)  # 6 V of ripple, peak to peak
    steps = steps_of(plan)
    for point in ("HT1", "HT3", "V1.1", "V2.9", "V2.2", "V1.7", "N1"):
        assert steps[point].worst_v == pytest.approx(supply), f"{point} can reach the supply in a fault"
    assert steps["V2.7"].worst_v == pytest.approx(2.0 * supply)
    assert steps["V1.2"].worst_v == 60.0, "no capacitor leads to the input grid"
    assert steps["SPK"].worst_v == 60.0


def test_without_a_source_resistance_the_unloaded_supply_is_taken_higher():
    # A loaded reservoir stands at 1.2 times the secondary, an unloaded one at 1.41 (common practice, no source).
    text = """
chassis: One stage on a stiff rail
mains: {volts: 230, hertz: 50}
tubes: {V1: 12AX7}
rails: {HT1: {volts: 260, ripple_pp: 4}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  R3: 100k  HT1   V1.1
"""
    chassis = parse_chassis(text, "stiff.yaml")
    plan = survey_plan(chassis, ChassisModel(chassis))
    assert steps_of(plan)["V1.1"].worst_v == pytest.approx(1.1 * (260 * 1.41 / 1.2 + 2.0))
    given = parse_chassis(text.replace("260,", "260, source: 20k,"), "stiff.yaml")
    plan = survey_plan(given, ChassisModel(given))
    emf_v = float(ChassisModel(given).nominal()["HT1.emf"][0])
    assert steps_of(plan)["V1.1"].worst_v == pytest.approx(1.1 * (emf_v + 2.0)) != steps_of(plan)["V1.3"].worst_v


def test_high_mains_raise_the_worst_case(quayside):
    model, plan = quayside
    raised = survey_plan(model.chassis, model, mains_v=253.0)
    assert steps_of(raised)["HT1"].worst_v == pytest.approx(1.1 * steps_of(plan)["HT1"].worst_v)
    assert steps_of(raised)["HT1"].expected_v > steps_of(plan)["HT1"].expected_v


def test_a_cathode_that_rides_high_can_reach_the_supply(harbour):
    steps = steps_of(harbour)
    assert steps["V2.3"].worst_v == steps["HT1"].worst_v
    assert steps["V1.3"].worst_v < 100.0


def test_neighbours_and_mirror(quayside):
    # Noval pin 1 lies between 9 and 2 and mirrors to 9; pin 3 lies between 2 and 4 and mirrors to 7.
    steps = steps_of(quayside[1])
    assert set(steps["V1.1"].neighbours) == {"V1.2"}, "pin 9 is a heater and has no expected volts"
    assert set(steps["V1.3"].neighbours) == {"V1.2", "V1.7"}
    assert steps["V1.8"].neighbours["V1.7"] == pytest.approx(steps["V1.7"].expected_v)


def test_a_pin_of_the_same_node_is_no_wrong_pin():
    """Plate and screen of a 6V6GT are pins 3 and 4; strapped as a triode they are one wire, and no slip shows."""
    text = """
chassis: One output tube
mains: {volts: 230, hertz: 50}
tubes: {V1: 6V6GT}
rails: {HT1: {volts: 250, source: 100}}
parts:
  R1: 470k  V1.5  gnd
  R2: 270   V1.8  gnd
  R3: 2k2   HT1   V1.3
"""
    apart, strapped = (
        steps_of(survey_plan(chassis, ChassisModel(chassis)))
        for chassis in (
            parse_chassis(text + more, "one.yaml")
            for more in ("  R4: 4k7   HT1   V1.4\n", "joined: [[V1.3, V1.4]]\n")
        )
    )
    assert set(apart["V1.3"].neighbours) == {"V1.4"}
    assert set(apart["V1.4"].neighbours) == {"V1.3", "V1.5"}
    assert set(strapped["V1.3"].neighbours) == set()
    assert set(strapped["V1.4"].neighbours) == {"V1.5"}


def test_bootstrapped_grids_are_delicate(harbour):
    assert {step.point for step in harbour.steps if step.delicate} == {"V2.2", "V2.7"}


def test_source_and_settling(quayside):
    steps = steps_of(quayside[1])
    # HT3 hangs behind 10 k and 1 k and 250 ohm; 22 u sits there: about a quarter of a second.
    assert steps["HT3"].source_ohm == pytest.approx(10.5e3, rel=0.15)
    assert steps["HT3"].settle_s == pytest.approx(0.23, rel=0.2)
    assert steps["V1.2"].may_be_zero
    assert not steps["V1.1"].may_be_zero


def test_settling_and_order_go_by_nodes_whatever_name_of_them_the_file_uses():
    """Of a capacitor or a winding written at a pin that is joined to a named node, nothing was known there."""
    text = """
chassis: single-ended stage, its pins named twice
tubes: {V1: EL84, V2: EL84}
rails: {HT: {volts: 270, source: 50}}
parts:
  R1: 470k V1.2 gnd
  R2: 1k V1.3 gnd
  C1: 100u %(cathode)s gnd
  R3: 470 HT %(screen)s
  C2: 47u %(screen)s gnd
  T1: {transformer: [5k2, 8], primary: [HT, %(plate)s], secondary: [SPK, gnd]}
  RL: 8 SPK gnd
  R4: 470k V2.2 gnd
  R5: 330 V2.3 gnd
  R6: 10k HT V2.7
joined: [[V1.3, K], [V1.9, S, V2.9], [V1.7, P]]
"""

    def plan(**names):
        chassis = parse_chassis(text % names)
        return survey_plan(chassis, ChassisModel(chassis)).steps

    pins, nodes = plan(cathode="V1.3", screen="V2.9", plate="V1.7"), plan(cathode="K", screen="S", plate="P")
    assert [step.point for step in pins if "." in step.point] == [step.point for step in nodes if "." in step.point]
    settle_s = {step.point: step.settle_s for step in pins}
    assert settle_s == pytest.approx({step.point: step.settle_s for step in nodes})
    assert min(settle_s["V1.3"], settle_s["V1.9"]) > 0.01


def test_a_grid_whose_band_reaches_zero_is_announced_as_one_that_may_truly_be_zero():
    text = """
chassis: grid-leak bias
tubes: {V1: 12AX7}
rails: {HT: {volts: 250, source: 100}}
parts:
  R1: 10M   V1.2  gnd
  R2: 220k  HT    V1.1
joined: [[V1.3, gnd]]
"""
    chassis = parse_chassis(text)
    step = steps_of(survey_plan(chassis, ChassisModel(chassis)))["V1.2"]
    assert step.expected_v < -0.3
    assert step.high_v == 0.0
    assert step.may_be_zero


def test_tubes_alone_are_enough_but_name_no_high_voltage_point():
    chassis = load_chassis("quayside-five")
    plan = survey_plan(chassis)
    expected = {step.point: (step.expected_v, step.low_v, step.high_v) for step in plan.steps if step.expected_v}
    printed = {"HT1": (245, 196, 294), "V1.1": (145, 116, 174), "V1.6": (145, 116, 174), "V2.3": (7, 5.6, 8.4)}
    assert expected == {point: pytest.approx(volts) for point, volts in printed.items()}
    assert steps_of(plan)["V1.1"].worst_v == pytest.approx(1.1 * (245 * 1.41 / 1.2 + 3.0)), "the rail tells"
    bare = parse_chassis("chassis: bare\ntubes: {V1: 12AX7, V2: EL84}\n")
    assert all(math.isinf(s.worst_v) for s in survey_plan(bare).steps if s.function.startswith("plate"))
    told = steps_of(survey_plan(bare, supply_v=300.0))
    assert told["V1.1"].worst_v == pytest.approx(330.0)
    assert told["V2.7"].worst_v == pytest.approx(660.0), "a power tube may work into a transformer"


def test_heaters_that_carry_high_tension_count_as_it():
    """Rule L10 of common bench practice: the filament of a rectifier stands at the full supply."""
    rectifier = """
chassis: a supply
tubes: {V1: 5Y3GT, V2: 6V6GT}
"""
    steps = steps_of(survey_plan(parse_chassis(rectifier), supply_v=350.0))
    filament = [p.name for p in list_points(parse_chassis(rectifier)).values() if p.heater and p.danger]
    assert filament, "a directly heated rectifier's filament is its cathode"
    assert all(name.startswith("V1.") for name in filament), "not those of a tube with a heater of its own"
    for name in filament:
        assert steps[name].worst_v == pytest.approx(385.0)
