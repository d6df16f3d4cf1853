"""What to expect, and the verb that prints it."""

import json

import numpy as np
import pytest

from analysis.app.cli import main
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.expecting import corners, expect


@pytest.fixture(scope="module")
def model():
    return ChassisModel(load_chassis("quayside-five"))


def test_all_parts_of_it(model):
    found = expect(model)
    assert {"V1.1", "HT1", "SPK"} <= set(found.points)
    assert "V1.4" not in found.points  # a heater is not part of the model
    assert set(found.stages) == {"first", "second", "output"}
    first = found.stages["first"]
    assert first.gain.low < first.gain.expected < first.gain.high
    assert abs(first.phase_deg.expected) == pytest.approx(180.0, abs=3.0)
    output = found.tubes["V2"]
    assert output.tube == "EL84"
    # Plate, screen and grid currents leave by the cathode.
    assert output.cathode_a.expected == pytest.approx(output.plate_a.expected + output.screen_a.expected, rel=1e-2)
    assert output.plate_w.expected < output.limits.plate_w
    assert found.warnings == ()


def test_corners_are_where_the_gain_has_fallen_by_3_db(model):
    low, high = corners(model, "V2.2", "SPK")
    gains = np.abs(model.response({}, "V2.2", "SPK", np.array([low, 1000.0, high]))[0])
    assert gains[[0, 2]] / gains[1] == pytest.approx(np.sqrt([0.5, 0.5]), rel=0.01)


def test_a_design_past_a_limit_is_warned_of():
    with open(load_chassis("quayside-five").path, encoding="utf-8") as file:
        text = file.read()
    assert "R7: 150 " in text
    text = text.replace("R7: 150 ", "R7: 68 ").replace(
        "C6: 47u    HT1   gnd", "C6: {capacitor: 47u, nodes: [HT1, gnd], rated_volts: 200}"
    )
    warnings = expect(ChassisModel(parse_chassis(text))).warnings
    assert any(
        line.startswith("V2 EL84: plate dissipates") and "limit 12 W (design-centre)" in line for line in warnings
    )
    assert any(line.startswith("C6: up to") and "rated 200 V" in line for line in warnings)


def test_volts_and_gains_stand_in_columns_whatever_the_names(tmp_path, capsys):
    with open(load_chassis("quayside-five").path, encoding="utf-8") as file:
        text = file.read()
    assert "first: [" in text
    (tmp_path / "long.yaml").write_text(text.replace("first: [", "first half of the twin triode: ["), "utf-8")
    assert main(["expect", str(tmp_path / "long.yaml")]) == 0
    points, stages, *_ = capsys.readouterr().out.split("\n\n")[1:]
    assert "cathode and suppressor V2" in points
    heading, *rows = points.splitlines()
    assert {len(row[: heading.index("   95 %")].rstrip()) for row in rows} == {heading.index("   95 %")}
    heading, *rows = stages.splitlines()
    assert all(row[heading.index("   95 %") :].startswith("   ") for row in rows)
    assert "276 kHz" in stages


def test_verb_prints_the_json_of_the_design(capsys):
    assert main(["expect", "bench-6c4", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    point = found["points"]["V1.5"]
    assert point["low_v"] < point["dc_v"] < point["high_v"]
    stage = found["stages"]["stage"]
    assert stage["low"] < stage["gain"] < stage["high"]
    assert stage["low_hz"] is None or stage["low_hz"] < stage["high_hz"]
    assert abs(abs(stage["phase_deg"]) - 180.0) < 2.0
    assert found["tubes"]["V1"]["plate_w"]["limit"] == 3.5


def test_verb_takes_mains_and_meter(capsys):
    def plate(*options):
        assert main(["expect", "bench-6c4", "--json", *options]) == 0
        return json.loads(capsys.readouterr().out)["points"]["V1.5"]["dc_v"]

    assert plate("--mains", "126") > plate("--mains", "114")
    assert plate("--meter-ohm", "200k") < plate() - 5.0


def test_verb_prints_for_people(capsys):
    assert main(["expect", "harbour-twenty"]) == 0
    text = capsys.readouterr().out
    assert "a meter upsets this grid" in text
    assert "EL34" in text
    assert "Licensed practice and local codes come first" in text
    for word in ("safe", "dead", "discharged"):
        assert word not in text.lower()


def test_verb_tells_what_is_wrong(capsys, tmp_path):
    assert main(["expect", "harbor-twenty"]) == 2
    assert "harbour-twenty" in capsys.readouterr().err
    assert main(["expect", "bench-6c4", "--meter-ohm", "lots"]) == 2
    assert "expected a value" in capsys.readouterr().err
    path = tmp_path / "tubes-only.yaml"
    path.write_text("chassis: x\ntubes: {V1: 12AX7}\n", encoding="utf-8")
    assert main(["expect", str(path)]) == 2
    assert "no parts" in capsys.readouterr().err
