"""The demonstration: the whole job, once, and what happens when it is broken off."""

import json
import os
import re
import signal
import subprocess
import sys
import threading

import click
import pytest

from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.demo import story
from analysis.app.demo.plant import TablePlant, load_table


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """One run in a process of its own: piped, an ASCII terminal, no home folder."""
    folder = tmp_path_factory.mktemp("demo")
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": "/nonexistent",
        "PYTHONIOENCODING": "ascii",
        "LC_ALL": "C",
        "OMP_NUM_THREADS": "1",
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-W", "error::ResourceWarning", "-c",
         "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))",
         "demo", "--fast", "--out", str(folder / "out")],
        capture_output=True, text=True, env=environment, cwd=folder, timeout=280, check=False,
    )  # fmt: skip
    return done, folder / "out"


def test_ends_well_and_says_where_the_report_is(played):
    done, folder = played
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr.strip() in {"", f"wrote {folder / 'quayside-five.html'}"}
    assert done.stdout.isascii()
    assert done.stdout.rstrip().endswith(f"report: {folder / 'quayside-five.html'}")
    html = (folder / "quayside-five.html").read_text(encoding="utf-8")
    assert "Quayside Five" in html
    assert "C2" in html
    assert (folder / "bench.yaml").is_file()


def test_cautions_come_first_and_nothing_is_called_safe(played):
    done, _ = played
    text = done.stdout.lower()
    assert text.index("high voltage kills") < text.index("touch ht1")
    assert not re.search(r"\b(is|now) (safe|dead|discharged|isolated)\b", text)


def test_readings_are_those_of_the_table(played):
    _, folder = played
    table = load_table()
    with open_job(folder / "quayside-five.stagewalk", read_only=True) as job:
        assert job.passes() == ("as-found", "after-C2")
        passes = {name: job.read_pass(name) for name in job.passes()}
    for name, state in (("as-found", "leaky"), ("after-C2", "mended")):
        plant = TablePlant(table, state)
        volts = [r for r in passes[name].readings if r.quantity == "dc_v"]
        assert {r.point for r in volts} == set(plant.points)
        for reading in volts:
            true_v = plant.dc_v(reading.point, 10e6)
            # The specimen's error is inside its limits, sqrt(3) standard uncertainties; what a node as slow as HT3
            # (0.28 s) still droops under the meter counts in the uncertainty.
            assert abs(reading.value - true_v) < 3 * reading.std + 2e-5, reading
    assert [e.subject for e in passes["after-C2"].events if e.kind == "part_replaced"] == ["C2"]
    assert all(capture.codes.size >= 1000 for capture in passes["as-found"].captures)


def test_gain_of_the_stages_within_its_uncertainty(played):
    _, folder = played
    table = load_table()
    with open_job(folder / "quayside-five.stagewalk", read_only=True) as job:
        passes = {name: job.read_pass(name) for name in job.passes()}
    load_s = 1e-7 + 2j * 3.14159265 * 1000.0 * 12e-12
    for name, state in (("as-found", "leaky"), ("after-C2", "mended")):
        gains = [r for r in passes[name].readings if r.quantity == "gain"]
        assert len(gains) == len(story.STAGES)
        for reading in gains:
            low, high = TablePlant(table, state).response(reading.measurand.points, 1000.0, [load_s, load_s])
            assert abs(reading.value - abs(high / low)) < 3 * reading.std


def test_the_leaking_capacitor_is_found_and_the_repair_proved(played, capfd):
    _, folder = played
    job = str(folder / "quayside-five.stagewalk")
    assert main(["suspects", job, "--pass", "as-found", "--json"]) == 0
    answer = json.loads(capfd.readouterr().out)
    first = answer["suspects"][0]
    assert (first["part"], first["fault"]) == ("C2", "leaky")
    assert first["probability"] > 0.9
    assert answer["healthy_probability"] < 0.01
    # The table was solved with a leak of 22 Mohm.
    assert first["estimate"]["low"] < 22e6 < first["estimate"]["high"]
    assert main(["check", job, "--pass", "as-found", "--json"]) == 1
    rows = json.loads(capfd.readouterr().out)["readings"]
    verdicts = {row["point"]: row["verdict"] for row in rows if row["quantity"] == "dc_v"}
    assert verdicts["V1.7"] == "high"
    assert verdicts["V1.6"] == "low"
    assert verdicts["V1.1"] == "agrees"
    main(["check", job, "--pass", "after-C2", "--json"])
    rows = json.loads(capfd.readouterr().out)["readings"]
    verdicts = {row["point"]: row["verdict"] for row in rows if row["quantity"] == "dc_v"}
    assert verdicts["V1.6"] == "agrees"
    assert verdicts["V1.8"] == "agrees"
    assert main(["suspects", job, "--pass", "after-C2", "--json"]) == 0
    assert json.loads(capfd.readouterr().out)["healthy_probability"] > 0.5


def test_an_earlier_demonstration_is_kept(tmp_path):
    (tmp_path / "quayside-five.stagewalk").write_text("kept")
    assert story._free_name(tmp_path).name == "quayside-five-2.stagewalk"


def test_folder_that_cannot_be_made(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["demo", "--out", str(tmp_path / "file" / "out")]) == 2
    error = capsys.readouterr().err
    assert "cannot be made" in error
    assert "Traceback" not in error


@pytest.mark.parametrize("moment", ["Simulated bench", "Survey, pass as-found", "== HT1", "$ stagewalk gain"])
def test_interrupt_at_any_moment(tmp_path, monkeypatch, moment):
    # In process, so that the generator and the threads can be looked at.
    benches = []
    from acquisition.simulated import bench as simulated

    class Watched(simulated.SimulatedBench):
        def __init__(self, *args, **options):
            super().__init__(*args, **options)
            benches.append(self)

    monkeypatch.setattr(simulated, "SimulatedBench", Watched)
    if moment == "== HT1":
        from analysis.app.survey_screen import Screen

        before = Screen.show

        def show(self, action):
            if action.text.startswith("HT1"):
                raise KeyboardInterrupt
            before(self, action)

        monkeypatch.setattr(Screen, "show", show)
    elif moment == "$ stagewalk gain":
        from acquisition.instruments.scope import Scope

        def single(self, *_, **__):
            assert benches[0].generator.output
            raise KeyboardInterrupt

        monkeypatch.setattr(Scope, "single", single)
        monkeypatch.setattr(story, "_survey", lambda scene, job, name: job.start_pass(name))
    else:
        echo = click.echo

        def say(line="", **options):
            if line.strip().startswith(moment):
                raise KeyboardInterrupt
            echo(line, **options)

        monkeypatch.setattr(click, "echo", say)
    assert main(["demo", "--fast", "--out", str(tmp_path)]) == 130
    assert not benches[0].generator.output
    assert not [t for t in threading.enumerate() if t.name.startswith("simulated")]
    if moment == "== HT1":
        with open_job(tmp_path / "quayside-five.stagewalk", read_only=True) as job:
            assert [r.point for r in job.read_pass("as-found").readings] in ([], ["HT1"])


def test_hand_held_meter_reads_over_a_pseudo_terminal(tmp_path, monkeypatch):
    lines = []

    from analysis.app.survey_screen import Screen

    before = Screen.show

    def show(self, action):
        before(self, action)
        if action.text.startswith("V2.3 7."):
            raise KeyboardInterrupt  # four points are enough: only the meter differs

    monkeypatch.setattr(Screen, "show", show)
    with pytest.raises(KeyboardInterrupt):
        story.run(tmp_path, pace=0.1, meter="stream-meter", say=lines.append)
    assert any("ASRL" in line for line in lines)
    with open_job(tmp_path / "quayside-five.stagewalk", read_only=True) as job:
        readings = {r.point: r for r in job.read_pass("as-found").readings}
    plant = TablePlant(load_table(), "leaky")
    assert set(readings) == {"HT1", "HT2", "HT3", "V2.3"}
    for point, reading in readings.items():
        assert abs(reading.value - plant.dc_v(point, 10e6)) < 4 * reading.std + 2e-4


def test_signal_from_the_keyboard(tmp_path):
    command = "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))"
    with subprocess.Popen(
        [sys.executable, "-u", "-c", command, "demo", "--fast", "--out", str(tmp_path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        for line in process.stdout:
            if line.startswith("== HT1"):
                process.send_signal(signal.SIGINT)
                break
        _, error = process.communicate()
    assert process.returncode == 130
    assert "Traceback" not in error
