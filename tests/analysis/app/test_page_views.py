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
    drawn = re.search(r'data-point="V1.1"[^>]*aria-label="([^"]*)"', views_of(path).drawing()).group(1)
    assert f"{row['expected']:.0f} V expected" in drawn


def test_a_pin_that_a_base_does_not_have_is_one_line(tmp_path):
    base = views_of(tmp_path / "none.stagewalk").base
    assert "<svg" in base("12AX7", 9)
    for tube, pin in (("12AX7", 10), ("12AX7", 99), ("no-such-tube", 1)):
        with pytest.raises(BenchError):
            base(tube, pin)
