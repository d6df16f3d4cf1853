"""What the verbs print at any width, and when its reader goes away."""

import os
import re
import subprocess
import sys

import pytest

from acquisition.configs import find_config
from acquisition.records import Reading
from acquisition.store import create_job
from analysis.app.cli import main

READ = {"V1.8": 1.96, "V1.3": 1.1, "HT1": 249.5}


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    path = tmp_path_factory.mktemp("tables") / "amp-with-a-long-name.stagewalk"
    text = find_config("chassis", "quayside-five").read_text("utf-8")
    with create_job(path, "quayside-five", text) as opened:
        for name, factor in (("as-found", 1.0), ("after-C2", 0.57)):
            opened.start_pass(name, mains_v=231.0)
            for point, volts in READ.items():
                value = volts * (factor if point == "V1.8" else 1.0)
                reading = Reading(point=point, quantity="dc_v", value=value, taken_utc="2026-01-01T10:00:00.000Z")
                opened.add_reading(name, reading)
    return path


@pytest.mark.parametrize("width", [40, 50, 60, 80, 132])
def test_what_matters_is_whole_at_any_width(job, capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    shown = {}
    for name, verb in {
        "check": ["check", str(job), "--pass", "as-found"],
        "compare": ["compare", str(job), "as-found", "after-C2"],
        "list": ["list", str(job.parent)],
        "trend": ["list", str(job.parent), "--trend"],
    }.items():
        main(verb)
        shown[name] = capsys.readouterr().out
        assert "..." not in shown[name]
        assert "…" not in shown[name]
        assert max(map(len, shown[name].splitlines())) <= width
    lines = shown["check"].splitlines()
    assert any(line.startswith("V1.8 DC") and line.rstrip().endswith("high") for line in lines)
    assert any(line.startswith("V1.3 DC") and line.rstrip().endswith("agrees") for line in lines)
    (changed,) = [line for line in shown["compare"].splitlines() if line.startswith("V1.8 DC")]
    assert "changed" in changed or "NOT EXPLAINED" in changed
    assert "back in band" in changed
    assert "down" in next(line for line in shown["trend"].splitlines() if line.startswith("V1.8 DC"))
    assert re.search(r"\d{4}-\d\d-\d\d \d\d:\d\d", " ".join(shown["list"].split()))


@pytest.mark.parametrize(
    "verb",
    [["check"], ["compare", "as-found", "after-C2"], ["list"], ["list", "--trend"], ["suspects"]],
    ids=" ".join,
)
def test_a_reader_that_goes_away_is_no_verdict(job, verb):
    """Exit code 1 is kept for a reading that is low or high."""
    reader, writer = os.pipe()
    os.close(reader)
    named = str(job.parent if verb[0] == "list" else job)
    code = "from analysis.app.entry import entry; entry()"
    done = subprocess.run(
        [sys.executable, "-c", code, verb[0], named, *verb[1:]],
        stdout=writer, stderr=subprocess.PIPE, timeout=60, check=False,
    )  # fmt: skip
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")
