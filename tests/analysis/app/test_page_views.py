"""The pictures and tables of the page say what the terminal says."""

import json
import re

import pytest

from acquisition.configs import find_config
from acquisition.errors import BenchError
from acquisition.records import Reading
from acquisition.store import create_job
from analysis.app.cli import main
from analysis.app.page.views import views_of


@pytest.mark.parametrize("input_ohm", ["1M", "10M"])
def test_the_drawing_expects_what_the_meter_of_the_bench_would_show(tmp_path, capsys, input_ohm):
    path = tmp_path / "five.stagewalk"
    bench = (
        find_config("benches", "example").read_text("utf-8").replace("input_ohm: 10M", f"input_ohm: {input_ohm}")
    )
    with create_job(path, "five", find_config("chassis", "quayside-five").read_text("utf-8"), bench) as job:
        job.start_pass("as-found", mains_v=230.0)
        job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=140.0, std=0.5))
    assert main(["check", str(path), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["readings"]
    drawn = re.search(r'data-point="V1.1"[^>]*aria-label="([^"]*)"', views_of(path).drawing(1200, "")).group(1)
    assert f"{row['expected']:.0f} V expected" in drawn


def test_a_pin_that_a_base_does_not_have_is_one_line(tmp_path):
    base = views_of(tmp_path / "none.stagewalk").base
    assert "<svg" in base("12AX7", 9)
    for tube, pin in (("12AX7", 10), ("12AX7", 99), ("no-such-tube", 1)):
        with pytest.raises(BenchError):
            base(tube, pin)


def test_the_history_of_a_point_sets_the_same_reading_of_each_pass_together(tmp_path):
    path = tmp_path / "five.stagewalk"
    with create_job(path, "five", find_config("chassis", "quayside-five").read_text("utf-8")) as job:
        for name, volts in (("as-found", 96.4), ("after-C2", 154.5)):
            job.start_pass(name, mains_v=230.0)
            job.add_reading(name, Reading(point="V1.6", quantity="dc_v", value=volts))
            for freq_hz in (20.0, 1000.0):
                job.add_reading(name, Reading(point="V1.7>V1.6", quantity="gain", value=55.0, freq_hz=freq_hz))
    rows = views_of(path).history("V1.6")["readings"]
    assert [row["pass"] for row in rows] == ["as-found", "after-C2"] * 3
    assert [row["value"] for row in rows[:2]] == ["96.40 V", "154.5 V"]


def test_the_report_of_the_page_is_that_of_the_terminal(tmp_path):
    path, file = tmp_path / "five.stagewalk", tmp_path / "five.html"
    with create_job(path, "five", find_config("chassis", "quayside-five").read_text("utf-8")) as job:
        job.start_pass("as-found", mains_v=230.0)
        job.add_reading("as-found", Reading(point="V1.6", quantity="dc_v", value=96.4, std=0.1))
    shown = views_of(path).report()
    assert main(["report", str(path), "--out", str(file)]) == 0
    assert shown == file.read_text("utf-8")
    assert "V1.6" in shown
    with pytest.raises(BenchError):
        views_of(tmp_path / "none.stagewalk").report()
