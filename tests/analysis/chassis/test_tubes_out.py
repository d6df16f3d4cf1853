"""A chassis with tubes out of their sockets: supplies rise, nothing is told of what is not there."""

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, WorstCase, load_chassis, parse_chassis
from analysis.chassis.conditions import tubes_asked
from analysis.faults import faults_of
from analysis.suspects import Diagnoser

STAGE = """
chassis: One stage and a bleeder
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 10k, ripple_pp: 1}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  R3: 100k  HT1   V1.1
  R4: 47k   HT1   gnd
signal: {input: V1.2, output: V1.1, stages: {V1: [V1.2, V1.1]}}
printed: {V1.1: 160}
"""


def volts(model, points, values=None):
    return model.predict(values or {}, [Measurand(point=point, quantity="dc_v") for point in points])[0]


def test_a_rail_rises_by_what_its_source_no_longer_carries():
    """Ohm's law alone: with the tube out the source feeds the bleeder and a meter of 10 Mohm alone."""
    chassis = parse_chassis(STAGE, "test")
    whole, without = ChassisModel(chassis), ChassisModel(chassis.without(["V1"]))
    rest = whole.operating_point({})
    emf = float(rest.node_v("HT1")[0]) * (1 + 10e3 / 47e3) + 10e3 * float(rest.currents[0][0].ravel()[0])
    assert emf > 250.0 * (1 + 10e3 / 47e3) + 5.0, "the plate draws enough to be seen"
    expected = emf / (1 + 10e3 * (1 / 47e3 + 1 / 10e6))
    rail, cathode = volts(without, ["HT1", "V1.3"])
    assert rail == pytest.approx(expected, rel=1e-4)
    assert cathode == pytest.approx(0.0, abs=1e-6)
    assert volts(without, ["V1.1"])[0] == pytest.approx(expected * 10e6 / 10.1e6, rel=1e-2)


@pytest.mark.parametrize("name", config_names("chassis"))
def test_every_tube_of_every_shipped_chassis_may_be_out(name):
    """It is what a tube without emission does, as far as volts go, and it has no fault of its own."""
    chassis = load_chassis(name)
    whole = ChassisModel(chassis)
    for socket in chassis.sockets:
        model = ChassisModel(chassis.without([socket]))
        assert not any(fault.part == socket for fault in faults_of(model.chassis, model.parameters))
        assert model.points.keys() == whole.points.keys()
        dead = {f"{key}.strength": np.zeros(1) for key, (own, _) in whole.sections.items() if own == socket}
        points = [point for point, at in whole.points.items() if at.node and not at.delicate]
        # What leaks and gas of a dead tube still do is little, but at grids of many megohms.
        assert volts(model, points) == pytest.approx(volts(whole, points, dead), rel=2e-3, abs=0.05)


def test_what_is_printed_is_of_all_tubes_and_comes_back_with_them():
    chassis = parse_chassis(STAGE, "test")
    assert chassis.without(["V1"]).printed == {}
    assert chassis.without(["V9"]) == chassis.without([]) == chassis
    assert chassis.printed


def test_output_tubes_that_were_pulled_to_look_at_the_rest_are_not_suspects():
    """Without being told, both output tubes are dead or their cathode resistors open; told, the part is found."""
    chassis = load_chassis("harbour-twenty")
    out = ChassisModel(chassis.without(["V3", "V4"]))
    points = ("HT1", "HT3", "V1.1", "V1.3", "V1.6", "V1.8", "V2.1", "V2.3", "V2.6", "V3.8", "V4.8", "V3.3", "V3.5")

    def first(model, values):
        noise = np.random.default_rng(5).standard_normal(len(points))
        read = volts(out, points, values) * (1.0 + 0.004 * noise) + 0.002 * noise
        readings = [Reading(point=p, quantity="dc_v", value=float(v)) for p, v in zip(points, read, strict=True)]
        return Diagnoser(model, dc_only=True).diagnose(readings)

    assert first(ChassisModel(chassis), {}).healthy_probability < 0.3
    found = first(out, {})
    assert found.healthy_probability > 0.4 > found.suspects[0].probability
    resistor = next(
        part for part in chassis.parts.values() if {"V1.8"} < set(part.nodes) and part.kind == "resistor"
    )
    found = first(out, {resistor.name: np.array([3.0 * resistor.value])})
    assert found.suspects[0].part == resistor.name
    assert found.suspects[0].probability > 0.5


def test_no_point_passes_for_a_low_one_because_a_tube_is_said_to_be_out():
    chassis = load_chassis("harbour-twenty")
    whole = WorstCase(chassis, ChassisModel(chassis), mains_v=230.0)
    said = chassis.without(["V2"])
    out = WorstCase(said, ChassisModel(said), mains_v=230.0)
    lower = [name for name, point in whole.points.items() if out.at(out.points[name], 0.0) < whole.at(point)]
    assert lower == []


def test_a_tube_noted_as_out_that_conducts_is_asked_about():
    chassis = load_chassis("harbour-twenty")
    out = ChassisModel(chassis.without(["V1", "V3"]))

    def asked(**volts):
        readings = [
            Reading(point=p.replace("_", "."), quantity="dc_v", value=v, std=0.01) for p, v in volts.items()
        ]
        return tubes_asked(out, readings, 230.0)

    (question,) = asked(V1_8=1.7, V1_3=1.2, V3_8=0.0)
    assert question.startswith("V1 is noted as out of its socket, and its cathode V1.")
    assert "is it in?" in question
    assert asked(V1_8=0.01, V3_8=0.0, V2_3=62.0) == []


def test_a_cathode_that_another_tube_holds_up_tells_nothing_of_the_one_that_is_out():
    """Two tubes on one cathode resistor: of healthy chassis with one of them out four in ten were asked."""
    text = """
chassis: two beam tubes on one cathode resistor
tubes: {V3: 6V6GT, V4: 6V6GT}
rails: {HT1: {volts: 340, source: 150}}
parts:
  R1: 220k V3.5 gnd
  R2: 220k V4.5 gnd
  R3: 250  V3.8 gnd
  R4: 4k7  HT1  V3.4
  T1: {transformer: [8k, 8], primary: [V3.3, HT1, V4.3], secondary: [SPK, gnd]}
  RL: 8    SPK  gnd
joined: [[V3.8, V4.8], [V3.4, V4.4]]
"""
    out = ChassisModel(parse_chassis(text).without(["V4"]))
    points = ["HT1", "V3.8", "V4.8", "V3.3", "V4.3"]
    shown = volts(out, points, {"V3.strength": np.full(1, 1.2)})
    assert shown[2] > volts(out, ["V4.8"])[0] + 0.3
    readings = [Reading(point=p, quantity="dc_v", value=v) for p, v in zip(points, shown, strict=True)]
    assert tubes_asked(out, readings, 230.0) == []


def test_a_reservoir_may_be_lifted():
    """It is the first thing to lift where an electrolytic leaks, and the chassis had no model then."""
    model = ChassisModel(
        parse_chassis("""
chassis: one stage behind a rectifier
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 1k, rectified: full-wave}}
parts:
  C1: 16u   HT1   gnd
  R5: 4k7   HT1   HT2
  C2: 16u   HT2   gnd
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  R3: 100k  HT2   V1.1
  R4: 22k   HT2   gnd
""")
    )
    wanted = [Measurand(point=point, quantity=q) for point in ("HT1", "HT2") for q in ("dc_v", "ripple_pp_v")]
    lifted = ChassisModel(model.chassis.without(["C1"])).predict({}, wanted)[0]
    gone = model.predict({"C1": np.array([1e-12]), "C1.leak": np.array([0.0])}, wanted)[0]
    assert lifted == pytest.approx(gone, rel=0.05)
    healthy = model.predict({}, wanted)[0]
    assert lifted[0] < 0.95 * healthy[0]
    assert lifted[1] > 10.0 * healthy[1]
