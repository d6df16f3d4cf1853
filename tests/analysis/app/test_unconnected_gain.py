"""A gain between points that nothing of the model connects is left out and named, whatever was read."""

import json

from analysis.app.cli import main

APART = """
chassis: Two stages on rails of their own
tubes: {V1: 12AU7, V2: 12AU7}
rails: {HT1: {volts: 250, source: 100}, HT2: {volts: 250, source: 100}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  R3: 47k   HT1   V1.1
  R4: 1M    V2.2  gnd
  R5: 1k5   V2.3  gnd
  R6: 47k   HT2   V2.1
signal: {input: [V1.2, V2.2], output: [V1.1, V2.1], stages: {one: [V1.2, V1.1], two: [V2.2, V2.1]}}
"""
STAGE = "point,quantity,value,freq_hz\nV1.1,dc_v,114,\nV1.2>V1.1,gain,9.2,1000\n"
CROSSTALK = "V1.2>V2.1,gain,0.04,1000\nV1.2>V2.1,phase_deg,10,1000\n"


def test_crosstalk_is_not_high_and_weighs_nothing(tmp_path, capsys):
    """The model has exactly 0 there: any reading was high, against a band from 0 to 0, and weighed."""
    chassis, with_it, without = (tmp_path / name for name in ("two.yaml", "with.csv", "without.csv"))
    chassis.write_text(APART)
    with_it.write_text(STAGE + CROSSTALK)
    without.write_text(STAGE)
    told = {}
    for table in (with_it, without):
        for verb in ("check", "suspects"):
            assert main([verb, "--chassis", str(chassis), str(table), "--json"]) == 0
            told[verb, table] = json.loads(capsys.readouterr().out)
    assert [row["point"] for row in told["check", with_it]["readings"]] == ["V1.1", "V1.2>V1.1"]
    assert any("V1.2>V2.1" in note for note in told["check", with_it]["notes"])
    assert any("not used: gain V1.2>V2.1" in note for note in told["suspects", with_it]["notes"])
    assert told["suspects", with_it]["suspects"] == told["suspects", without]["suspects"]
