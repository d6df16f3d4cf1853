"""A weak negative bias lets the tubes run hot: no text calls it high."""

import json

import pytest

from acquisition.probing.wording import said_of, verdict_of
from acquisition.records import Reading, SurveyStep, verdict_text
from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.page import showing

WEAK, SAID = -20.0, "not negative enough"


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bias")
    rows = ["pass_name,point,quantity,value,std"]
    rows += [f"as-found,{p},dc_v,{v},0.1" for p, v in (("HT1", 430), ("BIAS", WEAK), ("N3", -55))]
    rows += [f"after,{p},dc_v,{v},0.1" for p, v in (("HT1", 430), ("BIAS", -25), ("N3", -38.7))]
    (folder / "a.csv").write_text("\n".join(rows) + "\n", "utf-8")
    path = folder / "a.stagewalk"
    assert main(["import", str(path), str(folder / "a.csv"), "--chassis", "harbour-twenty", "--mains", "230"]) == 0
    return path


def test_check_says_which_way_in_words_and_keeps_the_numbers_order_for_programs(job, capsys):
    capsys.readouterr()
    assert main(["check", str(job), "--pass", "as-found"]) == 1
    bias, grid, count = (line.rstrip() for line in capsys.readouterr().out.splitlines()[2:])
    assert bias.endswith(SAID)
    assert grid.endswith("too negative")
    assert count == f"1 agrees, 1 {SAID}, 1 too negative"
    main(["check", str(job), "--pass", "as-found", "--json"])
    verdicts = {row["point"]: row["verdict"] for row in json.loads(capsys.readouterr().out)["readings"]}
    assert (verdicts["BIAS"], verdicts["N3"]) == ("high", "low")


def test_report_and_comparison(job, capsys):
    from analysis.app.verbs.report import gather
    from analysis.report.figures import band_figure
    from analysis.report.render import render

    with open_job(job, read_only=True) as opened:
        material = gather(opened)
    (moved,) = [c.moved for c in material.comparison.changes if c.measurand.point == "BIAS"]
    assert moved == f"closer, still {SAID}"
    page = render(material)
    assert f"</span>{SAID}</td>" in page
    assert f"expected, {SAID}" in page, "the drawing, for a screen reader"
    assert SAID in json.dumps(band_figure(material, dc=True))


def test_survey_and_page():
    step = SurveyStep(point="BIAS", function="bias", expected_v=-38.7, low_v=-41.0, high_v=-36.0, worst_v=60.0)
    weak = Reading(point="BIAS", quantity="dc_v", value=WEAK, std=0.01)
    assert verdict_of(step, weak) == "high"
    assert showing.verdict_words("high", step, weak) == (
        f"-20.00 V ± 0.020 V is {SAID}: healthy -41.00 V to -36.00 V"
    )
    row = showing.taken_row(weak, step)
    assert (row["verdict"], row["verdict_words"]) == ("high", SAID)


@pytest.mark.parametrize(
    ("quantity", "most"), [("dc_v", 1.2), ("dc_v", -1e-6), ("dc_v", None), ("phase_deg", -178.0)]
)
def test_elsewhere_high_is_high(quantity, most):
    assert verdict_text("high", quantity, 4.0, most) == "high"
    assert verdict_text("low", quantity, -400.0, most) == "low"


def test_a_positive_reading_is_told_as_one_in_every_view(tmp_path, capsys):
    said = "positive instead of negative"
    step = SurveyStep(point="BIAS", function="bias", expected_v=-38.7, low_v=-41.0, high_v=-36.0, worst_v=60.0)
    turned = Reading(point="BIAS", quantity="dc_v", value=38.7, std=0.01)
    assert said_of(step, turned) == said
    assert showing.verdict_words("high", step, turned) == (
        f"38.70 V ± 0.020 V is {said}: healthy -41.00 V to -36.00 V"
    )
    readings = tmp_path / "a.csv"
    readings.write_text("point,quantity,value\nHT1,dc_v,430\nBIAS,dc_v,38.7\n", "utf-8")
    assert main(["check", "--chassis", "harbour-twenty", str(readings)]) == 1
    assert f"1 agrees, 1 {said}" in capsys.readouterr().out


def test_report_and_drawing_say_the_same_where_a_healthy_point_may_reach_zero():
    from analysis.judge import Judged

    grid = Reading(point="V1.2", quantity="dc_v", value=0.4, std=0.01)
    judged = Judged(reading=grid, std=0.01, expected=-0.06, low=-0.2, high=0.05, verdict="high")
    step = SurveyStep(point="V1.2", function="grid", expected_v=-0.06, low_v=-0.2, high_v=0.05, worst_v=60.0)
    assert judged.words == said_of(step, grid) == "high"
