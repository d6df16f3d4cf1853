"""Ohms with the power off: the chart, verdicts, suspects, and what is asked before the power goes on."""

import json

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.app.cli import main
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.cold import cold_chart, shorts_asked
from analysis.chassis.sensitivities import slopes_of
from tests.outside import ngspice_peer as peer

PAIR = """
chassis: Pair, two triodes with a loop
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 100}}
parts:
  R1: 470k  IN    gnd
  R2: 100k  HT1   V1.1
  R3: 2k2   V1.3  gnd
  R5: 100k  HT1   V1.6
  R6: 1k5   V1.8  gnd
  R7: 22k   OUT   V1.3
  R8: 47k   HT1   gnd
  C1: 100n  V1.1  V1.7
  R4: 1M    V1.7  gnd
  C3: 1u    V1.6  OUT
  RL: 10k   OUT   gnd
joined: [[IN, V1.2]]
signal: {input: IN, output: OUT, source_ohms: 50, stages: {whole: [IN, OUT]}}
"""


def cold(point):
    return Measurand(point=point, quantity="cold_ohm")


def ohm(model, *points, values=None):
    return model.predict(values or {}, [cold(point) for point in points])[0]


def beside(*ohms):
    return 1.0 / sum(1.0 / one for one in ohms)


@pytest.fixture(scope="module")
def pair():
    return ChassisModel(parse_chassis(PAIR))


def test_ohms_are_those_of_series_and_parallel(pair):
    """Ohm's law by hand; the film capacitors leak a thousandth of what the resistors carry, and less."""
    asked = {
        "V1.3": beside(2.2e3, 22e3 + 10e3),
        "OUT": beside(10e3, 22e3 + 2.2e3),
        "V1.8": 1.5e3,
        "HT1": 47e3,
        "V1.1": 147e3,
        "V1.1>HT1": 100e3,
        "V1.1>V1.6": 200e3,
        "V1.3>OUT": beside(22e3, 12.2e3),
        "V1.2": 470e3,  # and no generator of 50 ohms across it: its lead comes with the power
        "V1.7": 1e6,
    }
    shown = dict(zip(asked, ohm(pair, *asked), strict=True))
    assert shown == pytest.approx(asked, rel=0.005)
    assert ohm(pair, "HT1", values={"V1b.leak_PK": np.array([1.0])})[0] == pytest.approx(
        beside(47e3, 100e3 + 2.2e3), rel=0.02
    ), "a tube with plate and cathode touching is seen cold"


def test_an_open_end_reads_no_more_than_a_meter_can(pair):
    model = ChassisModel(parse_chassis(PAIR).without(["R1"]))
    assert 2e7 < ohm(model, "V1.2")[0] <= 1e8
    bands = {one.point: one for one in cold_chart(pair)}
    assert bands["V1.1"].rail == "HT1"
    assert bands["V1.1"].to_rail.low < 100e3 < bands["V1.1"].to_rail.high
    assert bands["V1.3"].to_rail is None
    assert "V1.4" not in bands


@pytest.mark.parametrize("key", ["R3", "R7", "RL", "C1.leak"])
def test_slopes_are_those_of_small_steps(pair, key):
    asked = [cold(point) for point in ("V1.3", "OUT", "V1.3>OUT", "V1.1", "V1.7")]
    nominal = pair.nominal()[key]
    values, move = {key: nominal}, {key: 0.01 * nominal}
    shown, slopes = slopes_of(pair, values, move, asked, pair.supplied(values))
    stepped = [pair.predict({key: nominal + sign * 1e-3 * move[key]}, asked)[0] for sign in (1.0, -1.0)]
    assert shown[0] == pytest.approx(pair.predict(values, asked)[0])
    expected = (stepped[0] - stepped[1]) / 2e-3
    assert slopes[0, :, 0] == pytest.approx(expected, rel=1e-3, abs=1e-4 * np.abs(expected).max())


@pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)
def test_a_whole_amplifier_against_ngspice():
    """One ampere into the node, supplies, generator and tubes taken out of the netlist."""
    model = ChassisModel(load_chassis("harbour-twenty"))
    rails = tuple(f"{letter}{rail}" for rail in model.chassis.rails for letter in "VR")
    dead = ("B", "Vdrive", "Rdrive", *rails)
    lines = [line for line in peer.netlist(model) if not line.startswith(dead)]
    points = ["V1.1", "V2.3", "V3.5", "HT3", "V3.3", "SPK", "BIAS"]
    for point, ours in zip(points, ohm(model, *points), strict=True):
        node = peer.spice_node(model.chassis.node_names[point])
        (found,) = peer.run([*lines, f"Ione 0 {node} 1"], ["op", f"wrdata op.txt v({node})"], ["op.txt"])
        assert ours == pytest.approx(found[0, 1], rel=2e-3), point


def test_a_shorted_supply_is_asked_about_before_the_power_goes_on(pair):
    def asked(value, point="HT1"):
        return shorts_asked(pair, [Reading(point=point, quantity="cold_ohm", value=value)])

    assert asked(45e3) == []
    (told,) = asked(900.0)
    assert told.startswith("HT1 reads 900 ohm to the chassis with the power off, a healthy one 41 kohm or ")
    assert asked(900.0, "V1.8") == [], "a cathode is no supply"


def run(capsys, *arguments):
    capsys.readouterr()
    main([*arguments])
    return capsys.readouterr().out


def test_a_drifted_resistor_is_found_cold_and_nothing_live_is_proposed(tmp_path, capsys):
    (tmp_path / "pair.yaml").write_text(PAIR)
    table = tmp_path / "cold.csv"
    table.write_text("point,quantity,value\nV1.3,cold_ohm,2060\nV1.1>HT1,cold_ohm,168e3\n")
    found = json.loads(run(capsys, "suspects", "--chassis", str(tmp_path / "pair.yaml"), str(table), "--json"))
    first = found["suspects"][0]
    assert (first["part"], first["fault"]) == ("R2", "high")
    assert first["probability"] > 0.9
    assert 150e3 < first["estimate"]["value"] < 190e3
    assert {one["quantity"] for one in found["next"]} <= {"cold_ohm"}
    assert "tube_out" not in found or not found["tube_out"]
    checked = json.loads(run(capsys, "check", "--chassis", str(tmp_path / "pair.yaml"), str(table), "--json"))
    assert [row["verdict"] for row in checked["readings"]] == ["agrees", "high"]
    table.write_text("point,quantity,value\nHT1,cold_ohm,900\nV1.3,cold_ohm,2060\n")
    found = json.loads(run(capsys, "suspects", "--chassis", str(tmp_path / "pair.yaml"), str(table), "--json"))
    assert {one["quantity"] for one in found["next"]} <= {"cold_ohm"}
    told = run(capsys, "check", "--chassis", str(tmp_path / "pair.yaml"), str(table))
    assert "find that before the power goes on" in " ".join(told.split())


def test_the_next_reading_of_a_dead_chassis_is_one_of_ohms(capsys, tmp_path):
    """Either reservoir of the amplifier, or a tube between them: told apart beside R20, with the power off."""
    (tmp_path / "cold.csv").write_text("point,quantity,value\nHT1,cold_ohm,900\n")
    found = json.loads(run(capsys, "suspects", "--chassis", "harbour-twenty", str(tmp_path / "cold.csv"), "--json"))
    parts = [one["part"] for one in found["suspects"] if "artefact" not in one["fault"]]
    assert set(parts[:2]) == {"C20", "C21"}
    assert {one["quantity"] for one in found["next"]} == {"cold_ohm"}
    assert found["next"][0]["point"] in {"HT2", "V3.4", "V4.4"}, "all behind R20 or beside it, and alike to a hair"


@pytest.mark.parametrize("written", [{"V1.3": 1.49}, None])
def test_kilohms_written_as_ohms_are_a_slip_before_they_are_a_short(capsys, tmp_path, written):
    right = {"V1.3": 1490, "V1.8": 1480, "V2.3": 17.1e3, "HT1": 610e3, "V1.1>HT1": 246e3, "N1": 985e3}
    read = right | written if written else {point: value / 1e3 for point, value in right.items()}
    rows = "".join(f"{point},cold_ohm,{value:g}\n" for point, value in read.items())
    (tmp_path / "cold.csv").write_text("point,quantity,value\n" + rows)
    found = json.loads(run(capsys, "suspects", "--chassis", "harbour-twenty", str(tmp_path / "cold.csv"), "--json"))
    slip = next(one for one in found["suspects"] if one["fault"] == "artefact: prefix")
    assert slip["probability"] > (0.1 if written else 0.9)
    assert "divided by 0.001" in slip["because"]


def test_the_report_draws_ohms_in_a_figure_of_their_own(tmp_path, capsys):
    job, table = str(tmp_path / "amp.stagewalk"), tmp_path / "cold.csv"
    table.write_text("point,quantity,value\nHT1,cold_ohm,610e3\nV3.3>HT1,cold_ohm,91\nV1.3,dc_v,1.2\n")
    assert main(["import", job, str(table), "--pass", "as-found", "--chassis", "harbour-twenty"]) == 0
    told = run(capsys, "check", job)
    assert "HT1 ohms, cold         610.0 kohm" in told
    run(capsys, "report", job)
    text = (tmp_path / "amp.html").read_text("utf-8")
    assert "Ohms with the power off against a healthy chassis" in text
    assert "Signal and hum against" not in text
    assert "610.0 kΩ" in text


def test_the_chart_of_a_chassis_in_eighty_columns(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    told = run(capsys, "expect", "quayside-five", "--cold")
    assert max(map(len, told.splitlines())) <= 80
    assert "every reservoir discharged" in " ".join(told.split())
    facts = json.loads(run(capsys, "expect", "quayside-five", "--cold", "--json"))
    row = facts["V1.1"]["HT1"]
    assert row["low_ohm"] < row["cold_ohm"] < row["high_ohm"]


def test_ohms_are_of_one_point_or_two_and_never_below_nothing(tmp_path, capsys):
    assert cold("V1.1").points == ("V1.1",)
    assert cold("V1.1>HT1").points == ("V1.1", "HT1")
    with pytest.raises(ValueError, match="one point"):
        cold("V1.1>HT1>gnd")
    (tmp_path / "bad.csv").write_text("point,quantity,value\nV1.3,cold_ohm,-5\n")
    assert main(["check", "--chassis", "quayside-five", str(tmp_path / "bad.csv")]) == 2
    assert "a cold_ohm is zero or more" in capsys.readouterr().err
