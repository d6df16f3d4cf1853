"""Passes with other tubes in count together, where the chassis was the same."""

import json

import numpy as np
import pytest

from acquisition.records import Measurand
from acquisition.store import open_job
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
    found = answer(capsys, job, "--pass", "found", "--alone")
    assert not [note for note in found["notes"] if "v2-out" in note]
    (asked,) = found["tube_out"]
    assert asked["pull"] == ["V2"]
    assert asked["command"] == f"stagewalk survey {job} --pass V2-out --pulled V2 --from V2.2"
    for name in ("found", "v2-out"):
        both = answer(capsys, job, "--pass", name)
        counted = "counted together: found (all in circuit), v2-out (V2 out of circuit)"
        assert both["notes"][0] == f"{counted}; the next reading is asked for as in {name}"
        assert (both["suspects"][0]["part"], both["suspects"][0]["fault"]) == ("V2", "gassy")
        assert both["suspects"][0]["probability"] > found["suspects"][0]["probability"] + 0.1
        assert both["tube_out"] == []
        assert not [s for s in both["suspects"] if s["part"] == "C4" and s["probability"] > 0.01]
    capsys.readouterr()
    assert main(["suspects", job, "--estimate", "C4,R6"]) == 0
    told = capsys.readouterr().out
    assert "counted together" in told
    assert "C4" in told
    assert answer(capsys, job, "--pass", "found", "--alone")["suspects"] == found["suspects"]


def test_the_pass_that_is_proposed_has_a_name_of_its_own(job, tmp_path, capsys):
    """Copied as it stands the command was refused: a pass of that name had been begun with all in."""
    with open_job(job) as opened:
        opened.start_pass("V2-out", mains_v=230.0)
    (asked,) = answer(capsys, job, "--pass", "found", "--alone")["tube_out"]
    assert (asked["pass"], asked["out"]) == ("V2-out-2", ["V2"])
    assert "--pass V2-out-2 --pulled V2 " in asked["command"]


def test_what_is_asked_for_next_is_read_as_the_chassis_stands(job, capsys):
    """With V2 out its plate stands at its supply, which tells nothing; with all in it would."""
    asked = {name: answer(capsys, job, "--pass", name)["next"] for name in ("found", "v2-out")}
    whole = {"HT1", "V1.1", "V1.3", "V1.6", "V1.8", "V2.2", "V2.3", "V2.9"}
    assert not {one["point"] for one in asked["found"]} & whole
    out = [(one["point"], one["why"]) for one in asked["v2-out"]]
    assert out
    assert not [point for point, _ in out if "out" in point or point == "V2.2"]
    assert any(point in whole for point, _ in out), "read with all in, and not yet with V2 out"


def test_the_report_tells_what_both_passes_come_to(job, tmp_path, capsys):
    both = answer(capsys, job, "--pass", "found")
    page = tmp_path / "amp.html"
    assert main(["report", job, "--out", str(page)]) == 0
    text = page.read_text()
    assert "From found (all in circuit) and v2-out (V2 out of circuit), before anything was changed" in text
    assert "V2 gassy" in text
    assert "only one round of readings" not in text, "there are two"
    assert "There is no second round of readings with the same tubes and parts in so far" in text
    with open_job(job, read_only=True) as opened:
        kept = json.loads(opened.told("found", "suspects").body)
    assert kept["suspects"][0]["probability"] == pytest.approx(both["suspects"][0]["probability"], abs=1e-4)


def test_what_is_out_may_be_tubes_and_parts_in_any_order(job, tmp_path, capsys):
    table = tmp_path / "both.csv"
    table.write_text("point,quantity,value\nV2.2,dc_v,0.004\nHT1,dc_v,256\n")
    options = ["--pass", "both", "--lifted", "R7,C4", "--pulled", "V2", "--mains", "230"]
    assert main(["import", job, str(table), *options]) == 0
    both = answer(capsys, job)
    assert "both (V2, C4, R7 out of circuit)" in both["notes"][0]
    assert (both["suspects"][0]["part"], both["suspects"][0]["fault"]) == ("V2", "gassy")
    # Without a pass with all in, the chassis is the one with the least out: V2 is no suspect.
    without = answer(capsys, job, "--pass", "both", "--also", "v2-out", "--alone")
    counted = "counted together: v2-out (V2 out of circuit), both (V2, C4, R7 out of circuit)"
    assert without["notes"][0] == f"{counted}; the next reading is asked for as in both"
    assert not [s for s in without["suspects"] if s["part"] == "V2"]


def refused(capsys, *arguments):
    capsys.readouterr()
    assert main(["suspects", *arguments]) == 2
    return capsys.readouterr().err


def test_passes_of_another_state_are_refused(job, tmp_path, capsys):
    assert refused(capsys, job, "--also", "nix").startswith("no pass 'nix'")
    whole = str(tmp_path / "whole.csv")
    assert main(["import", job, whole, "--pass", "low-mains", "--mains", "195"]) == 0
    assert "mains were 195 V in low-mains and 230 V in found" in refused(capsys, job, "--also", "found")
    assert main(["note", job, "--pass", "low-mains", "--mains", "230", "--replaced", "C4"]) == 0
    told = refused(capsys, job, "--also", "found")
    assert "C4 was changed between found and low-mains" in told
    assert "--also belongs to a job" in refused(capsys, whole, "--chassis", "quayside-five", "--also", "found")
    assert not [note for note in answer(capsys, job)["notes"] if "counted" in note], "C4 was changed since"


def test_passes_at_other_mains_are_told_and_do_not_count(job, capsys):
    assert main(["note", job, "--pass", "v2-out", "--mains", "195"]) == 0
    notes = answer(capsys, job, "--pass", "found")["notes"]
    assert notes[0] == (
        "not counted: v2-out (V2 out of circuit), for mains were 195 V in v2-out and 230 V in found"
    )
