"""A weak negative bias lets the tubes run hot: no text calls it high."""

import json

import pytest

from acquisition.probing.wording import verdict_of
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
    ("quantity", "expected"), [("dc_v", 1.2), ("dc_v", -1e-6), ("dc_v", None), ("phase_deg", -178.0)]
)
def test_elsewhere_high_is_high(quantity, expected):
    assert verdict_text("high", quantity, expected) == "high"
    assert verdict_text("low", quantity, expected) == "low"
