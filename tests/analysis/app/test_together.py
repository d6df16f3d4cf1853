"""``suspects --also``: passes with other tubes in count together, where the chassis was the same."""

import json

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.app.cli import main
from analysis.chassis import ChassisModel, load_chassis

GAS = {"V2.gas": 8e-6}


def table(path, model, points):
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    values = model.predict({k: np.array([v]) for k, v in GAS.items() if k in model.parameters}, wanted)[0]
    rows = [f"{point},dc_v,{value:.6g}" for point, value in zip(points, values, strict=True)]
    path.write_text("\n".join(["point,quantity,value", *rows, ""]))
    return str(path)


@pytest.fixture
def job(tmp_path):
    model = ChassisModel(load_chassis("quayside-five"))
    whole = table(tmp_path / "whole.csv", model, ["HT1", "V1.1", "V1.3", "V1.6", "V1.8", "V2.2", "V2.3", "V2.9"])
    out = table(tmp_path / "out.csv", ChassisModel(model.chassis.without(["V2"])), ["V2.2", "HT1"])
    path = str(tmp_path / "amp.stagewalk")
    assert main(["import", path, whole, "--chassis", "quayside-five", "--pass", "found", "--mains", "230"]) == 0
    assert main(["import", path, out, "--pass", "v2-out", "--pulled", "V2", "--mains", "231"]) == 0
    return path


def answer(capsys, *arguments):
    capsys.readouterr()
    assert main(["suspects", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_two_passes_make_one_answer(job, capsys):
    found = answer(capsys, job, "--pass", "found")
    assert any("--also v2-out" in note for note in found["notes"])
    (asked,) = found["tube_out"]
    assert asked["pull"] == ["V2"]
    for arguments in (["--pass", "found", "--also", "v2-out"], ["--also", "found"]):  # the last pass, and the first
        both = answer(capsys, job, *arguments)
        assert both["notes"][0] == "counted together: found (all in circuit), v2-out (V2 out of circuit)"
        assert (both["suspects"][0]["part"], both["suspects"][0]["fault"]) == ("V2", "gassy")
        assert both["suspects"][0]["probability"] > found["suspects"][0]["probability"] + 0.1
        assert both["tube_out"] == []
        assert not [s for s in both["suspects"] if s["part"] == "C4" and s["probability"] > 0.01]
    capsys.readouterr()
    assert main(["suspects", job, "--also", "found", "--estimate", "C4,R6"]) == 0
    told = capsys.readouterr().out
    assert "counted together" in told
    assert "C4" in told
    # An answer of one pass is what the report tells: it is not written over by one of two.
    assert answer(capsys, job, "--pass", "found")["suspects"] == found["suspects"]


def test_what_is_out_may_be_tubes_and_parts_in_any_order(job, tmp_path, capsys):
    table = tmp_path / "both.csv"
    table.write_text("point,quantity,value\nV2.2,dc_v,0.004\nHT1,dc_v,256\n")
    options = ["--pass", "both", "--lifted", "R7,C4", "--pulled", "V2", "--mains", "230"]
    assert main(["import", job, str(table), *options]) == 0
    both = answer(capsys, job, "--also", "v2-out", "--also", "found")
    assert "both (V2, C4, R7 out of circuit)" in both["notes"][0]
    assert (both["suspects"][0]["part"], both["suspects"][0]["fault"]) == ("V2", "gassy")
    # Without a pass with all in, the chassis is the one with the least out: V2 is no suspect.
    without = answer(capsys, job, "--pass", "both", "--also", "v2-out")
    assert without["notes"][0] == "counted together: v2-out (V2 out of circuit), both (V2, C4, R7 out of circuit)"
    assert not [s for s in without["suspects"] if s["part"] == "V2"]


def refused(capsys, *arguments):
    capsys.readouterr()
    assert main(["suspects", *arguments]) == 2
    return capsys.readouterr().err


def test_passes_of_another_state_are_refused(job, tmp_path, capsys):
    assert "no pass 'nix'" in refused(capsys, job, "--also", "nix")
    whole = str(tmp_path / "whole.csv")
    assert main(["import", job, whole, "--pass", "low-mains", "--mains", "195"]) == 0
    assert "mains were 195 V in low-mains and 230 V in found" in refused(capsys, job, "--also", "found")
    assert main(["note", job, "--pass", "low-mains", "--mains", "230", "--replaced", "C4"]) == 0
    told = refused(capsys, job, "--also", "found")
    assert "C4 was changed between found and low-mains" in told
    assert "--also belongs to a job" in refused(capsys, whole, "--chassis", "quayside-five", "--also", "found")
    assert not [note for note in answer(capsys, job)["notes"] if "--also" in note]
