"""What was changed before a pass, and the serial number, are kept by ``stagewalk survey``."""

import subprocess
import sys

from acquisition.simulated.bench import SimulatedBench
from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table


def survey(*arguments):
    command = [
        sys.executable,
        "-c",
        "from analysis.app.entry import entry; entry()",
        "survey",
        *map(str, arguments),
    ]
    return subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)


def test_a_replaced_part_and_a_changed_tube_are_events_of_the_pass_and_kept_once(tmp_path):
    job = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        file = bench.write(tmp_path / "bench.yaml")
        first = survey(job, "--chassis", "quayside-five", "--bench", file, "--serial", "0417", "--mains", "231")
        assert first.returncode == 0, first.stderr
        for _ in range(2):
            again = survey(job, "--pass", "after-C2", "--replaced", "C2", "--replaced", "V1", "--mains", "231")
            assert again.returncode == 0, again.stderr
        unknown = survey(job, "--pass", "after-C9", "--replaced", "C99", "--mains", "231")
    assert unknown.returncode == 2
    assert "no part C99" in unknown.stderr
    with open_job(job, read_only=True) as opened:
        assert opened.sheet.serial == "0417"
        assert list(opened.passes()) == ["as-found", "after-C2"]
        events = opened.read_pass("after-C2").events
    assert [(event.kind, event.subject) for event in events] == [("part_replaced", "C2"), ("tube_swapped", "V1")]


def test_a_comparison_after_import_knows_no_replaced_part(tmp_path, capsys):
    # The event, and not the name of the pass, is what a comparison goes by.
    readings = tmp_path / "readings.csv"
    job = tmp_path / "amp.stagewalk"
    for name, volts in (("as-found", 1.81), ("after-C2", 0.0)):
        readings.write_text(f"point,quantity,value\nV1.7,dc_v,{volts}\n")
        assert main(["import", str(job), str(readings), "--chassis", "quayside-five", "--pass", name]) == 0
    capsys.readouterr()
    assert main(["compare", str(job), "as-found", "after-C2"]) == 0
    assert "C2 replaced" not in capsys.readouterr().out


def test_a_part_is_not_written_down_before_readings_that_were_taken(tmp_path, capsys):
    """Without --pass the survey goes on with the last pass: the old part was in while that was read."""
    readings = tmp_path / "readings.csv"
    readings.write_text("point,quantity,value\nV1.7,dc_v,1.81\n")
    job = tmp_path / "amp.stagewalk"
    assert main(["import", str(job), str(readings), "--chassis", "quayside-five", "--pass", "as-found"]) == 0
    capsys.readouterr()
    assert main(["survey", str(job), "--bench", "example", "--replaced", "C2", "--mains", "231"]) == 2
    told = capsys.readouterr().err
    assert "as-found was read before C2 went in: begin a pass of its own, such as after-C2" in told
    with open_job(job, read_only=True) as opened:
        assert opened.read_pass("as-found").events == ()
