"""Tubes out of their sockets during a pass: written down, followed by every verb, not mixed with others."""

import json

import pytest

from acquisition.records import Pass, Reading
from acquisition.simulated.bench import SimulatedBench
from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table
from analysis.report.material import ends_of
from tests.analysis.app.test_survey_verb import stagewalk

WITHOUT_OUTPUT_TUBES = """point,quantity,value
HT1,dc_v,456
HT2,dc_v,452.2
HT3,dc_v,364
V1.1,dc_v,154
V3.8,dc_v,0.001
V4.8,dc_v,0
V3.3,dc_v,456
V3.5,dc_v,-38.9
"""


@pytest.fixture
def job(tmp_path):
    table = tmp_path / "readings.csv"
    table.write_text(WITHOUT_OUTPUT_TUBES)
    path = tmp_path / "amp.stagewalk"
    begin = ["import", str(path), str(table), "--chassis", "harbour-twenty", "--mains", "230"]
    assert main([*begin, "--pass", "as-found", "--pulled", "V3", "--pulled", "V4"]) == 0
    assert main(["import", str(path), str(table), "--mains", "230", "--pass", "all-in"]) == 0
    return path


def low(capsys, *arguments):
    capsys.readouterr()
    main(["check", *map(str, arguments), "--json"])
    rows = json.loads(capsys.readouterr().out)["readings"]
    return [row["point"] for row in rows if row["verdict"] in ("low", "high")]


def test_readings_are_judged_by_the_tubes_that_were_in(job, capsys):
    assert low(capsys, job, "--pass", "as-found") == []
    assert low(capsys, job, "--pass", "all-in") == ["V3.8", "V4.8"]
    assert main(["note", str(job), "--pass", "all-in", "--pulled", "V4,V3"]) == 0
    assert low(capsys, job, "--pass", "all-in") == []
    assert main(["note", str(job), "--pass", "all-in", "--pulled", "none"]) == 0
    assert low(capsys, job, "--pass", "all-in") == ["V3.8", "V4.8"]
    with open_job(job, read_only=True) as opened:
        assert not opened.damage
        assert [event.text for event in opened.read_pass("all-in").events] == [
            "V3, V4 out of circuit, before this note all in circuit",
            "all in circuit, before this note V3, V4 out of circuit",
        ]
    assert main(["note", str(job), "--pass", "all-in", "--pulled", "none"]) == 0
    with open_job(job, read_only=True) as opened:
        assert len(opened.read_pass("all-in").events) == 2, "nothing was put right"


def test_suspects_are_weighed_anew_once_tubes_are_noted_as_out(job, capsys):
    capsys.readouterr()
    chances = []
    for arguments in ([], ["note", str(job), "--pulled", "V3", "--pulled", "V4"]):
        if arguments:
            assert main(arguments) == 0
            capsys.readouterr()
        assert main(["suspects", str(job), "--pass", "all-in", "--json"]) == 0
        chances.append(json.loads(capsys.readouterr().out)["healthy_probability"])
    assert chances[0] < 0.01
    assert chances[1] > 0.2


def test_of_passes_with_other_tubes_in_is_told_what_that_changed(job, capsys):
    capsys.readouterr()
    assert main(["compare", str(job), "as-found", "all-in"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("as-found with V3, V4 out of circuit, all-in with all in circuit\n")
    assert "less than it should" in told, "the supply did not fall, for the tubes were out both times"
    assert "replaced" not in told
    assert main(["report", str(job)]) == 0
    page = job.with_suffix(".html").read_text("utf-8")
    assert "V3, V4 out of circuit" in page
    assert main(["note", str(job), "--pass", "all-in", "--pulled", "V3,V4"]) == 0
    assert main(["compare", str(job), "as-found", "all-in"]) == 0


@pytest.mark.parametrize(
    ("out", "ends"), [("00", [0, 1]), ("01", [0]), ("010", [0, 2]), ("110", [0, 1]), ("100", [0])]
)
def test_a_report_sets_passes_with_the_same_tubes_in_side_by_side(out, ends):
    reading = Reading(point="HT1", quantity="dc_v", value=1.0)
    passes = [
        Pass(name=str(n), started_utc="", readings=(reading,), settings={"pulled": "V3"} if one == "1" else {})
        for n, one in enumerate(out)
    ]
    assert [int(one.name) for one in ends_of(passes)] == ends


def test_visits_with_tubes_out_are_left_out_of_a_trend(job, capsys):
    capsys.readouterr()
    assert main(["list", str(job.parent), "--trend"]) == 0
    assert "with something out of circuit: as-found of amp" in " ".join(capsys.readouterr().out.split())


def test_a_socket_that_is_not_there_is_named_and_nothing_is_written(job, capsys):
    for verb in (["note", str(job)], ["expect", "harbour-twenty"]):
        assert main([*verb, "--pulled", "V9"]) == 2
        assert "no socket V9; there are V1 V2 V3 V4" in capsys.readouterr().err
    assert main(["note", str(job), "--pulled", "none", "--pulled", "V3"]) == 2
    assert "none stands alone" in capsys.readouterr().err
    with open_job(job, read_only=True) as opened:
        assert opened.read_pass("as-found").pulled == ("V3", "V4")


def test_expect_tells_of_the_tubes_that_are_in(capsys):
    assert main(["expect", "harbour-twenty", "--pulled", "V3", "--mains", "230", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert "V3" not in shown["tubes"]
    assert "V4" in shown["tubes"]
    assert shown["points"]["V3.8"]["dc_v"] == pytest.approx(0.0, abs=1e-3)
    assert shown["points"]["HT1"]["dc_v"] > 435.0
    assert main(["expect", "harbour-twenty", "--pulled", "V3"]) == 0
    assert "V3 out of circuit" in capsys.readouterr().out.splitlines()[0]


def test_a_survey_begun_with_a_tube_out_goes_on_so_and_refuses_otherwise(tmp_path):
    path = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        given = ["--mains", "231", "--bench", bench.write(tmp_path / "bench.yaml")]

        def survey(*more):
            told, _ = stagewalk(path, *given, *more).communicate("q", timeout=60)
            return " ".join(told.split())

        told = survey("--chassis", "quayside-five", "--pulled", "V1")
        assert "pass as-found, V1 out of circuit" in told
        assert "V1 out of circuit" in survey()
        assert "as-found was begun with V1 out of circuit: begin another" in survey("--pulled", "V2")
        assert "pass after-R1, V2 out of circuit" in survey("--pass", "after-R1", "--pulled", "V2")
    with open_job(path, read_only=True) as opened:
        assert [(name, opened.read_pass(name).pulled) for name in opened.passes()] == [
            ("as-found", ("V1",)), ("after-R1", ("V2",)),
        ]  # fmt: skip
