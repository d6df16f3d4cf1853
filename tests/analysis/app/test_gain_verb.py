"""``stagewalk gain`` on the simulated bench, through the ordinary drivers, into a job."""

import json
import math

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.plant import Line
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.signal.session import GENERATOR_OFF, GENERATOR_ON
from analysis.gain import gains_kept


class BenchStage:
    """The 6C4 board by its textbook formulas (RDH 4th ed., ch. 12), so that the model does not check itself.

    mu 17, rp 11 k at about 2 mA are guesses of the right size; the point is that they differ from the model's.
    """

    def __init__(self):
        self.wrong_probe = 1.0

    def dc_v(self, point, load_ohm=math.inf):
        return {"V1.5": 92.0, "HT": 300.0}.get(point, 0.0)

    def settle_s(self, point):
        return 0.01

    def ripple(self, point):
        return [Line(120.0, 0.02)] if point == "HT" else []

    def response(self, points, freq_hz, loads_s):
        stage = -17 * 82.5e3 / (11e3 + 82.5e3 + 18 * 1500)
        low = 1 / (1 - 1j * 3.4 / freq_hz)
        gains = {"IN": 1.0, "V1.6": low, "V1.5": low * stage / (1 + 1j * freq_hz / 90e3), "OUT": low * stage}
        return np.array([gains.get(p, 0.0) for p in points], complex)

    def swing_v(self, point):
        return (20.0, 260.0) if point == "V1.5" else (-1000.0, 1000.0)


@pytest.fixture(scope="module")
def bench():
    with SimulatedBench(BenchStage()) as simulated:
        yield simulated


@pytest.fixture
def job_path(bench, tmp_path):
    bench.wiring.clip(1, "V1.6")
    bench.wiring.clip(2, "V1.5")
    path = tmp_path / "board.stagewalk"
    text = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
    create_job(path, "bench-6c4", text, bench.bench_text()).close()
    yield path
    assert not bench.wiring.drive.on


def run(capsys, *arguments, code=0):
    assert main(["gain", *map(str, arguments), "--ready"]) == code
    return capsys.readouterr()


def test_gain_at_one_frequency_is_printed_and_kept(bench, job_path, capsys):
    out = run(capsys, job_path, "stage", "--drive", "0.5").out
    assert "High voltage kills" in out
    assert "the stage inverts" in out
    assert "maximum minus minimum" in out
    assert "model" in out
    assert "budget of gain" in out
    assert "voltage scale, input channel" in out
    with open_job(job_path, read_only=True) as job:
        kept = job.read_pass("as-found")
    quantities = {r.quantity: r for r in kept.readings}
    assert quantities["gain"].point == quantities["phase_deg"].point == "V1.6>V1.5"
    # Textbook gain of the circuit behind the bench, unbypassed: mu RL / (rp + RL + (mu + 1) Rk) = 11.64.
    exact = 17 * 82.5e3 / (11e3 + 82.5e3 + 18 * 1500)
    assert quantities["gain"].value == pytest.approx(exact, abs=2.5 * quantities["gain"].std)
    assert quantities["gain"].std / exact < 0.03
    assert abs(abs(quantities["phase_deg"].value) - 180.0) < 1.5
    assert {c.point for c in kept.captures} == {"V1.6", "V1.5"}
    # The figures come out the same again from the file.
    again = gains_kept(kept.captures, "V1.6", "V1.5")
    assert again[0].magnitude == quantities["gain"].value
    texts = [e.text for e in kept.events if e.subject == "generator"]
    assert texts[0].startswith(GENERATOR_ON)
    assert texts[-1] == GENERATOR_OFF


def test_json_holds_everything(bench, job_path, capsys):
    streams = run(capsys, job_path, "V1.6>V1.5", "--drive", "0.5", "--freq", "2k", "--json")
    facts = json.loads(streams.out)
    assert "High voltage" in streams.err
    assert facts["point"] == "V1.6>V1.5"
    assert facts["freq_hz"] == 2000.0
    assert facts["inverts"] is True
    assert set(facts["expected"]) == {"gain", "phase_deg"}
    assert facts["without_probes"]["gain"] > facts["gain"]
    names = {row["name"] for row in facts["budget"]["gain"]}
    assert {"voltage scale, output channel", "noise and converter, input"} <= names
    assert facts["probe_question"] == ""


def test_a_probe_switch_left_at_x1_is_asked_about_first(bench, job_path, capsys):
    import dataclasses

    with bench.wiring.lock:
        bench.wiring.probes[1] = dataclasses.replace(bench.wiring.probes[1], factor=1.0)
    try:
        out = run(capsys, job_path, "stage", "--drive", "0.5").out
    finally:
        bench.wiring.probes[1] = dataclasses.replace(bench.wiring.probes[1], factor=10.0)
    assert "CHECK" in out
    assert "wrong by 10" in out


def test_sweep_goes_on_where_it_was_broken_off(bench, job_path, capsys, monkeypatch):
    from analysis.app.signal.session import SignalRun

    keep, count = SignalRun._keep, 0

    def broken(self, gain, thd=None):
        nonlocal count
        keep(self, gain, thd)
        count += 1
        if count == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(SignalRun, "_keep", broken)
    run(capsys, job_path, "stage", "--drive", "0.5", "--sweep", "100:20k:6", code=130)
    assert not bench.wiring.drive.on
    monkeypatch.setattr(SignalRun, "_keep", keep)
    streams = run(capsys, job_path, "stage", "--drive", "0.5", "--sweep", "100:20k:6", "--json")
    assert "3 of 6 frequencies are in the pass already" in streams.err
    facts = json.loads(streams.out)
    assert [point["freq_hz"] for point in facts["response"]] == [100.0, 288.5, 832.6, 2402.0, 6931.0, 20000.0]
    assert facts["corners"] == {"low": None, "high": None}
    with open_job(job_path, read_only=True) as job:
        readings = [r for r in job.read_pass("as-found").readings if r.quantity == "gain"]
    assert len(readings) == 6


def test_exchanged_probes_and_one_channel(bench, job_path, capsys, monkeypatch):
    import click

    answers = []

    def moved(text, **_):
        # The person moves the probes when asked to.
        answers.append(text)
        return ""

    def echo(text="", **more):
        if "exchanged" in str(text):
            bench.wiring.clip(2, "V1.6")
            bench.wiring.clip(1, "V1.5")
        elif "channel 1 on V1.5" in str(text):
            bench.wiring.clip(1, "V1.5")
        elif "channel 1 on V1.6" in str(text):
            bench.wiring.clip(1, "V1.6")

    monkeypatch.setattr(click, "prompt", moved)
    monkeypatch.setattr(click, "echo", echo)
    assert main(["gain", str(job_path), "stage", "--drive", "0.5", "--swap"]) == 0
    assert main(["gain", str(job_path), "stage", "--drive", "0.5", "--one-channel", "--freq", "3k"]) == 0
    assert len(answers) == 3 + 4
    with open_job(job_path, read_only=True) as job:
        kept = job.read_pass("as-found")
    swap, alone = (r for r in kept.readings if r.quantity == "gain")
    exact = 17 * 82.5e3 / (11e3 + 82.5e3 + 18 * 1500)
    # The probes are gone from the uncertainty; the error of one range against the other, 2 % each, is not.
    assert swap.std / exact == pytest.approx(0.02 / math.sqrt(3), rel=0.05)
    assert swap.value == pytest.approx(exact, abs=2.5 * swap.std)
    assert "exchanged" in swap.note
    assert alone.value == pytest.approx(exact, rel=0.05)
    assert "sync" in alone.note
    phases = [r for r in kept.readings if r.quantity == "phase_deg"]
    assert abs(abs(phases[1].value) - 180.0) < 3.5


def test_headroom_and_hum(bench, job_path, capsys):
    facts = json.loads(run(capsys, job_path, "stage", "--drive", "2.5", "--headroom", "50", "--json").out)
    assert facts["limited_by"] == "the drive or the ratings given"  # the bench allows 5 V: the plate does not clip
    assert facts["out_pp_v"] == pytest.approx(5 * 11.64, rel=0.05)
    # The model is driven on to where it clips: beyond the drive of the bench, within the volts of the supply.
    assert facts["model"]["reached"]
    assert 5.0 < facts["model"]["in_pp_v"] < 25.0
    assert 5.0 * facts["model"]["in_pp_v"] < facts["model"]["out_pp_v"] < 300.0
    assert facts["model"]["side"] in {"upper", "lower", "both"}
    bench.wiring.clip(1, "HT")
    facts = json.loads(run(capsys, job_path, "HT", "--hum", "--json").out)
    assert facts["point"] == "HT"
    with open_job(job_path, read_only=True) as job:
        kept = job.read_pass("as-found").readings
    assert [r.quantity for r in kept if r.point == "V1.5"][:1] == ["thd_pct"]
    assert kept[-1].quantity == "ripple_pp_v"


def test_an_output_transformer_needs_a_confirmed_load(bench, tmp_path, capsys, monkeypatch):
    import click

    path = tmp_path / "amp.stagewalk"
    text = find_config("chassis", "quayside-five").read_text(encoding="utf-8")
    create_job(path, "quayside-five", text, bench.bench_text()).close()
    monkeypatch.setattr(click, "confirm", lambda *a, **k: False)
    streams = run(capsys, path, "first", code=2)
    assert "confirmed load" in streams.err
    with open_job(path, read_only=True) as job:
        assert job.passes() == ()
    assert bench.wiring.drive.on is False


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["stagee"], "did you mean"),
        (["V1.5"], "one point"),
        (["V9.1>V1.5"], "V9.1"),
        (["stage", "--sweep", "20"], "LOW:HIGH"),
        (["stage", "--sweep", "20:1x"], "expected a value"),
        (["stage", "--freq", "-5"], "above zero"),
        (["stage", "--sweep", "20:20k", "--hum"], "exclude"),
        (["stage", "--bench", "nowhere"], "nowhere"),
        (["stage", "--drive", "9"], "most_pp_v"),
    ],
)
def test_mistakes_get_one_clear_line_and_leave_the_generator_off(bench, job_path, capsys, arguments, says):
    streams = run(capsys, job_path, *arguments, code=2)
    assert says in streams.err
    assert "Traceback" not in streams.err
    assert not bench.wiring.drive.on


def test_a_run_that_was_killed_is_told_about_at_the_next_start(bench, job_path, capsys):
    from acquisition.records import Event

    with open_job(job_path) as job:
        job.start_pass("as-found")
        job.add_event("as-found", Event(kind="state", subject="generator", text=f"{GENERATOR_ON}: 1000 Hz, 0.5 V"))
    out = run(capsys, job_path, "stage", "--drive", "0.5").out
    assert "the last run ended with the generator on; it was switched off just now" in out
    out = run(capsys, job_path, "stage", "--drive", "0.5").out
    assert "the last run ended" not in out
