"""What to expect, and the verb that prints it."""

import json
import re

import numpy as np
import pytest

from acquisition.configs import config_names
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


def test_watts_and_amps_beyond_what_a_part_is_rated_for_are_warned_of():
    """They were read from the file and held against nothing. 200 V over 10.5 kohm: 19 mA, in R1 3.6 W."""
    text = """
chassis: a bleeder behind a choke
tubes: {V1: 6C4}
rails: {HT: {volts: 200, source: 1}}
parts:
  L1: {inductor: 10, nodes: [HT, A], ohms: 1, rated_amps: %s}
  R1: {resistor: 10k, nodes: [A, B], rated_watts: %s}
  P1: {potentiometer: 1k, ends: [B, gnd], wiper: B, at: 0.5, rated_watts: 0.5}
"""

    def warned(amps, watts):
        return list(expect(ChassisModel(parse_chassis(text % (amps, watts)))).warnings)

    assert warned("30m", "5") == []
    amps, watts = warned("10m", "2")
    assert re.fullmatch(r"L1: carries 19\.\d mA, rated 10 mA", amps)
    assert re.fullmatch(r"R1: dissipates 3\.6\d W, rated 2 W", watts)


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


def test_an_output_transformer_without_its_load_is_warned_of():
    """The feedback resistor keeps its secondary from hanging loose; a gain of 238 stood for 12 without a word."""
    with open(load_chassis("harbour-twenty").path, encoding="utf-8") as file:
        text = file.read()
    load = "  RL: 8      SPK   gnd   1%\n"
    assert load in text
    asked = "T1: nothing loads SPK, and gains are those without a load: write it as a part, RL: 8 SPK gnd"
    assert asked in expect(ChassisModel(parse_chassis(text.replace(load, ""))), count=20).warnings
    assert asked not in expect(ChassisModel(parse_chassis(text)), count=20).warnings
    assert asked not in expect(ChassisModel(parse_chassis(text.replace("RL: 8 ", "RL: 16 "))), count=20).warnings

    # Current feedback: the loudspeaker returns by a resistor, and is a load all the same.
    sensed = text.replace(load, "  RL: 8 SPK SENSE\n  R30: 0.1 SENSE gnd\n")
    assert asked not in expect(ChassisModel(parse_chassis(sensed)), count=20).warnings
    crossed = text.replace(load, "  RL: 6 SPK LOW\n  L1: 1m LOW gnd\n")
    assert asked not in expect(ChassisModel(parse_chassis(crossed)), count=20).warnings


def test_a_screen_on_the_chassis_is_held_against_its_cathode():
    """Below a negative rail the cathode is what stands high; by Ohm's law the screen has 290 V to it here."""
    text = """
chassis: a pentode that hangs on a negative rail
tubes: {V1: EF86}
rails: {HT1: {volts: 100}, NEG: {volts: -300}}
parts:
  R1: 1M   V1.9 NEG
  R2: 3k   V1.3 NEG
  R3: 100k HT1  V1.6
joined: [[V1.1, gnd]]
"""
    found = expect(ChassisModel(parse_chassis(text)), count=20)
    (told,) = [line for line in found.warnings if "screen to cathode" in line]
    cathode_a = found.tubes["V1"].cathode_a.expected
    assert float(told.split()[5]) == pytest.approx(300.0 - 3e3 * cathode_a, abs=2.0)


SILENT = """
chassis: a lamp that no signal reaches, and a control at its end
tubes: {V1: 6C4}
rails: {HT1: {volts: 250, source: 200}}
parts:
  R1: 470k  V1.6   gnd
  R2: 1k    V1.7   gnd
  R3: 47k   HT1    V1.1
  R4: 10k   LAMP   gnd
  C2: 100n  LAMP   gnd
  C3: 100n  V1.1   TOP
  P1: {potentiometer: 1M, ends: [TOP, gnd], wiper: OUT, at: 0}
  C4: 100n  OUT    gnd
signal:
  input: V1.6
  output: OUT
  stages: {from: [LAMP, V1.1], to: [V1.6, LAMP], end: [V1.1, OUT], good: [V1.6, V1.1]}
"""


def test_stages_that_no_signal_passes_are_told_without_a_warning_of_numpy():
    with np.errstate(all="raise", under="ignore"):
        found = expect(ChassisModel(parse_chassis(SILENT)))
    assert [line.split(":")[0] for line in found.warnings] == ["stage from", "stage to", "stage end"]
    assert found.warnings[1].startswith("stage to: next to nothing of V1.6 reaches LAMP; is it another path")
    assert found.stages["from"].low_hz is found.stages["to"].high_hz is None


FOLLOWER = """
chassis: a follower whose cathode rides high
tubes: {V1: 6922}
rails: {HT: {volts: 250, source: 500}}
parts:
  R1: 470k V1.2 G
  R2: 330k HT G
  R3: 470k G gnd
  R4: 22k V1.3 gnd
  R5: 220k HT HEL
  R6: 68k HEL gnd
joined: [[V1.1, HT]]
"""


def test_a_cathode_is_held_against_the_heater_as_it_is_wired():
    limit = "cathode above heater 149 V, limit 120 V (design-centre)"
    assert expect(ChassisModel(parse_chassis(FOLLOWER))).warnings == (f"V1b 6922: {limit}",)
    lifted = FOLLOWER.replace("[[V1.1, HT]]", "[[V1.1, HT], [HEL, V1.4]]")
    assert expect(ChassisModel(parse_chassis(lifted))).warnings == ()
    too_high = lifted.replace("R5: 220k HT HEL", "R5: 10 HT HEL").replace("R3: 470k", "R3: 100k")
    (warning,) = expect(ChassisModel(parse_chassis(too_high))).warnings
    assert warning.startswith("V1b 6922: cathode below heater 18")
    assert warning.endswith("limit 150 V (design-centre)")


STAGE = """
chassis: one stage
tubes: {V1: 12AX7}
rails: {HT: {volts: 280, source: 500}}
parts:
  R1: 1M    GRID     gnd
  R2: 1k5   CATHODE  gnd
  R3: 100k  FEED     V1.1
  R4: 47k   HT       gnd
joined: [[GRID, V1.2], [CATHODE, V1.3], [FEED, HT]]
"""


def test_a_part_between_points_joined_is_asked_about():
    joined = STAGE.replace("[FEED, HT]", "[FEED, HT, V1.1]")
    (warning,) = expect(ChassisModel(parse_chassis(joined))).warnings
    assert warning == "R3: does nothing between FEED and V1.1, which joined makes one"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[FEED, HT]", "[FEED, gnd]"),
        ("volts: 280", "volts: -280"),
        ("[GRID, V1.2], [CATHODE, V1.3]", "[GRID, V1.3], [CATHODE, V1.2]"),
    ],
)
def test_a_tube_that_passes_nothing_is_asked_about(old, new):
    assert expect(ChassisModel(parse_chassis(STAGE))).warnings == ()
    warnings = expect(ChassisModel(parse_chassis(STAGE.replace(old, new)))).warnings
    assert warnings == ("V1b 12AX7: passes next to no current at idle; is its plate fed, are its pins as drawn?",)


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
    text = " ".join(capsys.readouterr().out.split())
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


@pytest.mark.parametrize("columns", [80, 110])
@pytest.mark.parametrize("name", ["harbour-twenty", "breakwater-pair", "quayside-five"])
def test_what_is_printed_fits_the_terminal(capsys, monkeypatch, columns, name):
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["expect", name]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= columns
    assert ("a meter upsets this grid" in out) is (name != "quayside-five")


SPLITTER = """
chassis: Concertina straight behind a stage
tubes: {V1: 6SL7GT}
rails: {HT1: {volts: 350, source: 100}}
parts:
  R7: 1M      V1.1 gnd
  R8: 2k2     V1.3 gnd
  R9: 100k    B    V1.2
  R10: %s   HT1  B
  C6: 1u      B    V1.6
  R11: 47k    V1.6 gnd
  R12: 47k    HT1  V1.5
joined: [[V1.2, V1.4]]
"""


def test_a_grid_that_draws_current_at_idle_is_asked_about():
    """Coupled straight to a plate that stands too high, the gain of the splitter is 0.7 for about 1."""

    def asked_of(chassis):
        return [text for text in expect(ChassisModel(chassis)).warnings if "its grid stands" in text]

    asked, sound = (asked_of(parse_chassis(SPLITTER % ohm)) for ohm in ("100k", "470k"))
    # Just below its cathode it draws as well: "-0.028 V above" was said then.
    just_below = """
chassis: a frame grid next to its cathode
tubes: {V1: 6922}
rails: {HT: {volts: 150, source: 100}, BIAS: {volts: -0.02, source: 10}}
parts: {R1: 10k HT V1.1, R2: 100 BIAS V1.2, R3: 1 V1.3 gnd}
"""
    (close,) = asked_of(parse_chassis(just_below))
    assert " mV below its cathode at idle" in close
    assert len(asked) == 1
    assert asked[0].startswith("V1")
    assert "which loads what drives it" in asked[0]
    assert sound == []
    for name in config_names("chassis"):
        chassis = load_chassis(name)
        if chassis.parts:
            assert asked_of(chassis) == []
