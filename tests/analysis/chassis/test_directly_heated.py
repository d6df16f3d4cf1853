"""Tubes of four pins, whose filament is the cathode (2A3, 45, 300B)."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, parse_chassis
from analysis.chassis.expecting import expect
from analysis.chassis.plan import survey_plan
from analysis.chassis.points import list_points
from analysis.suspects import Diagnoser
from analysis.tubes import load_tube
from analysis.tubes.traps import traps
from tests.outside import ngspice_peer as peer

# RCA Receiving Tube Manual, from memory: a 2A3 at 250 V, -45 V and 60 mA stands on 750 ohm, here with the
# 12.5 ohm of the hum balance; rp 800 ohm into a load of 2.5 kohm gives mu*RL/(RL + rp) = 3.2.
TEXT = """\
chassis: one 2A3
tubes: {V1: 2A3}
rails: {HT: {volts: 295, source: 1}}
parts:
  R1: 100k   IN    gnd
  P1: {potentiometer: 50, ends: [V1.1, V1.4], wiper: CT, at: 0.5}
  R2: 737    CT    gnd
  C1: 470u   CT    gnd
  C2: 47u    HT    gnd
  T1: {transformer: [2k5, 8], primary: [HT, V1.2], secondary: [SPK, gnd], primary_ohms: 1, secondary_ohms: 0.01,
       primary_henries: 40}
  RL: 8      SPK   gnd
joined: [[IN, V1.3]]
signal: {input: IN, output: SPK, source_ohms: 50, stages: {output: [IN, SPK]}}
"""


@pytest.fixture(scope="module")
def model():
    return ChassisModel(parse_chassis(TEXT))


def test_pins_sections_and_what_to_know():
    for name in ("2A3", "45", "300B"):
        tube = load_tube(name)
        assert tube.section("").electrodes == {"cathode": (1, 4), "plate": (2,), "grid": (3,)}
        assert (tube.heater_pins, tube.high_voltage_pins) == ((1, 4), (2,))
        assert any("the filament is the cathode" in trap for trap in traps(tube))
    assert not any("the filament is the cathode" in trap for trap in traps(load_tube("5Y3GT")))


def test_volts_watts_and_gain_are_those_of_the_sheet(model):
    found = expect(model)
    assert found.points["V1.1"].expected == pytest.approx(45.0, rel=0.02)
    assert found.points["V1.1"].expected == found.points["V1.4"].expected
    assert found.tubes["V1"].plate_w.expected == pytest.approx(15.0, rel=0.03)
    assert found.stages["output"].gain.expected == pytest.approx(4.2 * 2.5 / 3.3 / np.sqrt(2500 / 8), rel=0.05)


def test_the_hum_balance_across_the_filament_is_no_part_that_does_nothing(model):
    """At DC its ends are one, and it was said to do nothing."""
    assert not any("does nothing" in line for line in expect(model).warnings)
    between = TEXT.replace("ends: [V1.1, V1.4], wiper: CT", "ends: [HT, V1.2], wiper: CT")
    shorted = between.replace("joined: [[IN, V1.3]]", "joined: [[IN, V1.3], [HT, V1.2], [CT, V1.1]]")
    assert any("does nothing" in line for line in expect(ChassisModel(parse_chassis(shorted))).warnings)


def test_the_filament_is_surveyed_as_the_cathode_it_is(model):
    """As a heater it was skipped where the tubes are seen to glow, and the cathode volts with it."""
    steps = {step.point: step for step in survey_plan(model.chassis, model).steps}
    assert not steps["V1.1"].heater
    assert steps["V1.1"].function == "filament and cathode of V1"
    order = list(steps)
    assert order.index("V1.4") < order.index("V1.2")
    rectifier = list_points(parse_chassis("chassis: sockets\ntubes: {V1: 5Y3GT}"))
    assert rectifier["V1.8"].heater
    assert rectifier["V1.8"].danger


@pytest.mark.parametrize(("key", "value", "part", "fault"), [
    ("V1.strength", 1e-5, "V1", "dead"), ("R2.value", 1e9, "R2", "open"),
])  # fmt: skip
def test_suspects(model, key, value, part, fault):
    key = key.removesuffix(".value")
    wanted = [Measurand(point=point, quantity="dc_v") for point in ("HT", "V1.2", "V1.1", "V1.3")]
    shown = model.predict({key: np.array([value])}, wanted)[0]
    noise = 1.0 + 0.003 * np.random.default_rng(5).standard_normal(len(wanted))
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(wanted, shown * noise, strict=True)
    ]
    first = Diagnoser(model, dc_only=True).diagnose(readings).suspects[0]
    assert (first.part, first.fault) == (part, fault)


@pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)
def test_rest_within_a_thousandth_of_ngspice(model):
    theirs, _ = peer.operating_point(model)
    ours = model.supplied({}).rest
    for node, volts in theirs.items():
        assert ours.node_v(node)[0] == pytest.approx(volts, rel=1e-3, abs=1e-4), node
