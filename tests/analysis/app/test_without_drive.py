"""A signal kept without its drive is set aside and named by every verb; everything else is judged as ever."""

import json

import pytest

from acquisition.store import open_job
from analysis.app.cli import main

READINGS = """pass_name,point,quantity,value,std,freq_hz,drive_pp_v
as-found,V1.1,dc_v,170,0.5,,
as-found,V1.3,dc_v,1.4,0.01,,
as-found,V1.1,pp_v,12.5,0.2,1000,
as-found,V1.8,thd_pct,0.4,0.05,1000,
after,V1.1,dc_v,171,0.5,,
after,V1.3,dc_v,1.41,0.01,,
after,V1.1,pp_v,12.6,0.2,1000,
"""
BOTH = "set aside, how large was the drive? pp_v of V1.1, thd_pct of V1.8 (import them again with drive_pp_v)"
ONE = "set aside, how large was the drive? pp_v of V1.1 (import it again with drive_pp_v)"


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("undriven")
    (folder / "readings.csv").write_text(READINGS, "utf-8")
    path = folder / "line.stagewalk"
    told = ["import", str(path), str(folder / "readings.csv"), "--chassis", "gangway-two", "--mains", "230"]
    assert main(told) == 0
    return path


def found(capsys, *arguments):
    capsys.readouterr()
    assert main([*map(str, arguments), "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


def test_check(job, capsys):
    answer = found(capsys, "check", job, "--pass", "as-found")
    assert answer["notes"] == [BOTH]
    assert [(row["point"], row["quantity"]) for row in answer["readings"]] == [("V1.1", "dc_v"), ("V1.3", "dc_v")]
    assert main(["check", str(job)]) in (0, 1)
    assert f"note: {ONE}" in " ".join(capsys.readouterr().out.split())


def test_suspects(job, capsys):
    answer = found(capsys, "suspects", job, "--pass", "as-found")
    assert BOTH in answer["notes"]
    assert not any(note.startswith("not used") for note in answer["notes"])
    assert answer["suspects"]


def test_compare(job, capsys):
    answer = found(capsys, "compare", job, "as-found", "after")
    assert BOTH in answer["notes"]
    assert [row["point"] for row in answer["changes"]] == ["V1.1", "V1.3"]
    assert not any("no part reaches" in note for note in answer["notes"])


def test_trend(job, capsys):
    answer = found(capsys, "list", job.parent, "--trend")
    assert BOTH in answer["notes"]
    assert {trend["quantity"] for trend in answer["trends"]} == {"dc_v"}


def test_report(job):
    from analysis.app.verbs.report import gather

    with open_job(job, read_only=True) as opened:
        material = gather(opened)
    assert BOTH in material.limits
    assert material.diagnosis is not None


def test_the_page_while_it_goes_through_a_job(job):
    from acquisition.records import Measurand
    from analysis.chassis import ChassisModel, load_chassis
    from analysis.suspects import Diagnoser

    with open_job(job, read_only=True) as opened:
        readings = opened.read_pass("as-found").readings
    diagnoser = Diagnoser(
        ChassisModel(load_chassis("gangway-two")),
        [Measurand(point=point, quantity="dc_v") for point in ("V1.1", "V1.3")],
        dc_only=True,
    )
    assert BOTH in diagnoser.diagnose(readings).notes
    assert BOTH in diagnoser.glance(readings).notes
