"""A chassis whose one tube is a triode and a power pentode: each section by its own law and its own limits."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.app.cli import main
from analysis.chassis import ChassisModel, ProbeLoad, parse_chassis
from analysis.chassis import parameters as healthy
from analysis.chassis.expecting import expect
from analysis.chassis.plan import survey_plan
from analysis.chassis.points import list_points
from analysis.chassis.worst_case import WorstCase
from analysis.suspects import Diagnoser
from tests.outside import ngspice_peer as peer

# At the points of the sheet: triode 250 V, -1.9 V, 1.2 mA; pentode 250 V, 250 V, -7 V, 36 and 6 mA. C2 is so
# small that it loads neither.
TEXT = """\
chassis: one-tube record player
tubes: {V1: ECL86}
rails: {HT: {volts: 257, source: 1}, HTA: {volts: 371.9, source: 1}}
parts:
  R1: 1M     IN    gnd
  R2: 1583   V1.2  gnd
  C1: 100u   V1.2  gnd
  R3: 100k   HTA   V1.9
  C2: 1p     V1.9  V1.8
  R4: 470k   V1.8  gnd
  R5: 166.7  V1.7  gnd
  C3: 470u   V1.7  gnd
  T1: {transformer: [7k, 8], primary: [HT, V1.6], secondary: [SPK, gnd], primary_ohms: 1, secondary_ohms: 0.01,
       primary_henries: 40}
  RL: 8      SPK   gnd
joined: [[IN, V1.1], [V1.3, HT]]
signal: {input: IN, output: SPK, source_ohms: 50, stages: {first: [V1.1, V1.9], output: [V1.8, SPK]}}
"""
POINTS = ("HT", "HTA", "V1.2", "V1.6", "V1.7", "V1.9")


@pytest.fixture(scope="module")
def model():
    return ChassisModel(parse_chassis(TEXT), probe=ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0))


def test_volts_watts_and_gain_are_those_of_the_sheet(model):
    # Philips/Mullard ECL86, from memory: gm 1.6 mA/V and rp 62 kohm; gm 10 mA/V and rp 48 kohm.
    found = expect(model)
    volts = {name: band.expected for name, band in found.points.items()}
    assert volts["V1.2"] == pytest.approx(1.9, rel=0.02)
    assert volts["V1.7"] == pytest.approx(7.0, rel=0.02)
    assert volts["V1.9"] == pytest.approx(251.9, rel=0.02)
    triode, pentode = found.tubes["V1a"], found.tubes["V1b"]
    assert triode.plate_w.expected == pytest.approx(0.3, rel=0.03)
    assert pentode.plate_w.expected == pytest.approx(9.0, rel=0.03)
    assert pentode.screen_w.expected == pytest.approx(1.5, rel=0.03)
    assert triode.screen_w is None
    load = 7e3 * 48e3 / 55e3
    assert found.stages["first"].gain.expected == pytest.approx(99.2 * 100 / 162, rel=0.05)
    assert found.stages["output"].gain.expected == pytest.approx(10e-3 * load / np.sqrt(7e3 / 8), rel=0.05)


@pytest.mark.parametrize(
    ("change", "warning"),
    [
        (("HTA: {volts: 371.9", "HTA: {volts: 480"), "V1a ECL86: plate to cathode 3"),
        (("R3: 100k", "R3: 10k"), "V1a ECL86: plate dissipates 0."),
        (("R5: 180", "R5: 100"), "V1b ECL86: plate dissipates 12"),
        (("{volts: 257", "{volts: 320"), "V1b ECL86: screen to cathode 3"),
    ],
)
def test_each_section_is_held_to_its_own_limits(change, warning):
    cool = TEXT.replace("R5: 166.7", "R5: 180")  # at the point of the sheet the pentode stands at its 9 W
    assert expect(ChassisModel(parse_chassis(cool))).warnings == ()
    assert change[0] in cool
    warnings = expect(ChassisModel(parse_chassis(cool.replace(*change)))).warnings
    assert any(line.startswith(warning) for line in warnings), warnings
    assert {line.split()[0] for line in warnings} == {warning.split()[0]}


def test_only_the_pentode_is_taken_for_a_power_tube(model):
    """Of the whole tube's watts the triode's gas was that of an output tube, and its bands wider."""
    assert model.parameters["V1a.gas"].nominal == healthy.GAS_A
    assert model.parameters["V1b.gas"].nominal == healthy.POWER_GAS_A
    assert model.parameters["V1a.strength"].sigma == healthy.STRENGTH_SIGMA
    assert model.parameters["V1b.strength"].sigma == healthy.POWER_STRENGTH_SIGMA


def test_where_only_sockets_are_known_the_pentodes_plate_alone_may_swing_above_the_supply():
    bare = parse_chassis("chassis: sockets\ntubes: {V1: ECL86}")
    worst, points = WorstCase(bare, supply_v=300.0), list_points(bare)
    assert worst.at(points["V1.6"]) == worst.anywhere_v
    assert worst.at(points["V1.9"]) == worst.supply_v
    assert worst.at(points["V1.3"]) == worst.supply_v


def test_survey_offers_every_pin_by_its_section(model):
    steps = {step.point: step for step in survey_plan(model.chassis, model).steps}
    assert {f"V1.{pin}" for pin in range(1, 10)} <= set(steps)
    assert steps["V1.9"].function == "plate of V1a"
    assert steps["V1.6"].function == "plate of V1b"
    assert steps["V1.3"].function == "screen of V1b"
    assert steps["V1.7"].function == "cathode and suppressor of V1b"


def test_the_output_section_is_read_before_the_stage_in_the_same_envelope(model):
    """Cathode, screen and plate of the pentode, then the triode; by sockets they were mixed."""
    order = [step.point for step in survey_plan(model.chassis, model).steps]
    output, first = ([order.index(f"V1.{pin}") for pin in pins] for pins in ((7, 3, 6), (2, 9)))
    assert max(output) < min(first)
    assert output == sorted(output)


@pytest.mark.parametrize(
    ("dead", "section"), [(("V1a",), "V1a"), (("V1b",), "V1b"), (("V1a", "V1b"), "")], ids=["a", "b", "whole"]
)
def test_a_dead_section_and_a_dead_tube_are_told_apart(model, dead, section):
    wanted = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    shown = model.predict({f"{key}.strength": np.array([1e-5]) for key in dead}, wanted)[0]
    noise = 1.0 + 0.003 * np.random.default_rng(5).standard_normal(len(wanted))
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(wanted, shown * noise, strict=True)
    ]
    first = Diagnoser(model, dc_only=True).diagnose(readings).suspects[0]
    assert (first.part, first.section, first.fault) == ("V1", section, "dead")
    assert first.probability > 0.8


def test_check_and_suspects_on_readings_of_a_dead_pentode(tmp_path, capsys):
    chassis, readings = tmp_path / "player.yaml", tmp_path / "as-found.csv"
    chassis.write_text(TEXT, encoding="utf-8")
    readings.write_text(
        "point,quantity,value\nHT,dc_v,257\nHTA,dc_v,372\nV1.2,dc_v,1.91\nV1.6,dc_v,257\nV1.7,dc_v,0\n"
        "V1.9,dc_v,251\n",
        encoding="utf-8",
    )
    assert main(["check", "--chassis", str(chassis), str(readings)]) == 1
    rows = {line.split()[0]: line.split()[-1] for line in capsys.readouterr().out.splitlines() if line}
    assert (rows["V1.7"], rows["V1.2"], rows["V1.9"]) == ("low", "agrees", "agrees")
    main(["suspects", "--chassis", str(chassis), str(readings)])
    assert "V1 (V1b) dead" in capsys.readouterr().out


@pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)
def test_rest_within_a_thousandth_of_ngspice(model):
    theirs, _ = peer.operating_point(model)
    ours = model.supplied({}).rest
    assert {"V1.6", "V1.9"} <= set(theirs)
    for node, volts in theirs.items():
        assert ours.node_v(node)[0] == pytest.approx(volts, rel=1e-3, abs=1e-4), node
