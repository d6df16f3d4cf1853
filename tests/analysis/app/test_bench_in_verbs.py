"""What a bench file changes in ``expect`` and ``suspects``: what loads a point, and where no probe may go."""

import json

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.records import Measurand, Reading
from acquisition.store import create_job
from analysis.app.cli import main
from analysis.chassis import ChassisModel, MeterLoad, ProbeLoad, load_chassis

NAME = "bench-6c4"
HT_V = 300.0
BENCH = """\
bench: Test bench
mains_hz: 50
clip_on_above_v: {clip_on:g}
meter: {{resource: "TCPIP::192.0.2.10::5025::SOCKET", dialect: scpi-meter, accuracy: 1 %,
  input_ohm: {ohm}, rating_v: 1000}}
scope: {{resource: "TCPIP::192.0.2.11::5025::SOCKET", dialect: ten-field-scope, accuracy: 3 % of full scale,
  input_ohm: 1M, input_farad: 15p, rating_v: 300}}
lead: {{rated_v: {lead:g}}}
probe: {{factor: {factor}, ohm: {probe_ohm}, farad: {farad}, rated_v: {probe_v:g}}}
"""


def bench_text(**changes):
    """A bench with a 10 Mohm meter, a 10:1 probe, and ratings above all volts of the chassis."""
    usual = {"clip_on": 60, "ohm": "10M", "lead": 2000, "factor": 10, "probe_ohm": "10M", "farad": "12p",
             "probe_v": 2000}  # fmt: skip
    return BENCH.format(**usual | changes)


def expected(capsys, *options):
    assert main(["expect", NAME, "--json", *options]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def bench(tmp_path):
    def write(**changes):
        path = tmp_path / "bench.yaml"
        path.write_text(bench_text(**changes), "utf-8")
        return str(path)

    return write


def test_expect_loads_a_point_with_the_meter_of_the_bench(bench, capsys):
    point = Measurand(point="V1.5", quantity="dc_v")
    model = ChassisModel(load_chassis(NAME), MeterLoad(resistance_ohm=200e3))
    loaded = float(model.predict({}, [point])[0, 0])
    unloaded = expected(capsys, "--bench", bench())["points"]["V1.5"]["dc_v"]
    shown = expected(capsys, "--bench", bench(ohm="200k"))["points"]["V1.5"]["dc_v"]
    assert shown < unloaded - 5.0
    assert shown == pytest.approx(loaded, rel=0.01)


def test_expect_loads_a_stage_with_the_probe_of_the_bench(bench, capsys):
    """100 pF of a 1:1 lead on a plate: the upper corner falls as far as the model with that probe says."""
    light = expected(capsys, "--bench", bench())["stages"]["stage"]
    heavy = expected(capsys, "--bench", bench(factor=1, probe_ohm="1M", farad="100p"))["stages"]["stage"]
    model = ChassisModel(load_chassis(NAME), probe=ProbeLoad(resistance_ohm=1e6, capacitance_farad=100e-12))
    stage = model.stages["stage"]
    gain = np.abs(model.response({}, stage.source, stage.target, np.array([1000.0, heavy["high_hz"]]))[0])
    assert heavy["high_hz"] < 0.7 * light["high_hz"]
    assert gain[1] / gain[0] == pytest.approx(np.sqrt(0.5), rel=0.02)


def test_meter_ohm_overrules_the_bench(bench, capsys):
    plain = expected(capsys, "--meter-ohm", "1M")["points"]["V1.5"]
    assert expected(capsys, "--bench", bench(), "--meter-ohm", "1M")["points"]["V1.5"] == plain


def test_expect_says_what_is_wrong_with_a_bench_file(bench, capsys):
    assert main(["expect", NAME, "--bench", bench(ohm="lots")]) == 2
    error = capsys.readouterr().err
    assert "bench.yaml" in error
    assert "input_ohm" in error


def proposed(tmp_path, capsys, text, *options):
    """Quantities proposed after one reading of the rail, for a job that keeps this bench file."""
    path = tmp_path / "one.stagewalk"
    path.unlink(missing_ok=True)
    with create_job(path, NAME, find_config("chassis", NAME).read_text("utf-8"), bench_text=text) as job:
        job.start_pass("as-found", mains_v=120.0)
        job.add_readings("as-found", [Reading(point="HT", quantity="dc_v", value=HT_V, std=0.005 * HT_V)])
    assert main(["suspects", str(path), "--json", *options]) == 0
    return {row["quantity"] for row in json.loads(capsys.readouterr().out)["next"]}


def test_readings_beyond_the_ratings_of_the_bench_are_not_proposed(tmp_path, capsys):
    """The rail stands at 300 V: 30 V of lead or probe reach nothing that a fault may put on it."""
    everything = proposed(tmp_path, capsys, bench_text())
    assert "dc_v" in everything
    assert everything - {"dc_v"}
    assert proposed(tmp_path, capsys, bench_text(probe_v=30)) == {"dc_v"}
    by_scope = proposed(tmp_path, capsys, bench_text(lead=30, clip_on=30))
    assert by_scope
    assert "dc_v" not in by_scope
    assert proposed(tmp_path, capsys, bench_text(lead=30, probe_v=30, clip_on=30)) == set()


def test_a_bench_without_ratings_allows_what_any_lead_takes(tmp_path, capsys):
    """Limit L11: 60 V, which is the cathode; without a bench file the survey checks it, and all is proposed."""
    text = "\n".join(line for line in bench_text().splitlines() if not line.startswith(("lead", "probe")))
    assert proposed(tmp_path, capsys, text) == {"dc_v"}
    assert proposed(tmp_path, capsys, "") > {"dc_v"}


def test_a_rating_on_the_command_line_overrules_the_bench(tmp_path, capsys):
    assert proposed(tmp_path, capsys, bench_text(), "--limit-v", "30") == set()
    low = bench_text(lead=30, probe_v=30, clip_on=30)
    assert proposed(tmp_path, capsys, low, "--limit-v", "2000") == proposed(tmp_path, capsys, bench_text())
