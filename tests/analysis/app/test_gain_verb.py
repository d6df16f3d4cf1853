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
from analysis.app.terminal import WIDEST
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
    assert max(map(len, out.splitlines())) <= WIDEST, "cautions and requests too, or a terminal cuts through words"
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


def test_no_pass_is_begun_where_scope_and_generator_do_not_answer(tmp_path):
    with SimulatedBench(BenchStage()) as gone:
        bench_text = gone.bench_text()
    path = tmp_path / "board.stagewalk"
    text = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
    create_job(path, "bench-6c4", text, bench_text).close()
    assert main(["gain", str(path), "stage", "--ready", "--pass", "aftre-C2"]) == 3
    with open_job(path, read_only=True) as job:
        assert job.passes() == ()


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


def test_a_sweep_tells_its_own_drive_also_after_a_record_without_signal(bench, job_path, capsys, monkeypatch):
    """The records of a generator lead on the wrong socket stay in the pass, and hide no later sweep."""
    arguments = ["stage", "--sweep", "100:20k:4", "--json"]
    bench.wiring.clip(1, "HT")
    assert "no signal of" in run(capsys, job_path, *arguments, "--drive", "0.5", code=2).err
    bench.wiring.clip(1, "V1.6")
    found = {}
    for drive_pp_v in (0.5, 0.25, 0.5):
        streams = run(capsys, job_path, *arguments, "--drive", str(drive_pp_v))
        found[drive_pp_v] = json.loads(streams.out)["response"]
        assert [point["drive_pp_v"] for point in found[drive_pp_v]] == [drive_pp_v] * 4
    assert "4 of 4 frequencies are in the pass already" in streams.err
    streams = run(capsys, job_path, *arguments, "--drive", "0.5", "--again")
    assert "already" not in streams.err
    assert json.loads(streams.out)["response"] != found[0.5]
    with open_job(job_path, read_only=True) as job:
        assert len([r for r in job.read_pass("as-found").readings if r.quantity == "gain"]) == 12


def test_a_stage_of_a_chassis_that_cannot_be_read_is_told_as_that(bench, tmp_path, capsys):
    path = tmp_path / "unread.stagewalk"
    create_job(path, "wrong", "chassis: Wrong\ntubes: {V1: 6C4}\nstages: 3\n", bench.bench_text()).close()
    told = run(capsys, path, "stage", "--load-connected", code=2).err
    assert "stage is no stage that can be known, the chassis file kept in the job cannot be read: wrong:3: " in told


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
    # The job says that it was left on, the generator that it is off: somebody was there in between.
    out = run(capsys, job_path, "stage", "--drive", "0.5").out
    assert "the generator's output was found off; the last run on this job was broken off" in out
    out = run(capsys, job_path, "stage", "--drive", "0.5", "--pass", "c2-up", "--lifted", "C2").out
    assert "generator's output" not in out
    # A pass that is begun by a gain stands as it was said; one that was begun otherwise is not gone on with.
    assert "pass c2-up: C2 out of circuit" in out
    with open_job(job_path, read_only=True) as job:
        assert job.read_pass("c2-up").pulled == ("C2",)
    assert (
        "begun with all in circuit"
        in run(capsys, job_path, "stage", "--pass", "as-found", "--load", "1k", code=2).err
    )


def test_a_generator_that_is_found_on_is_told_about_and_switched_off(bench, job_path, capsys):
    """Left on by something else: no event of the job knows of it, only the instrument does."""
    bench.generator.output = True
    bench.generator._apply_drive()
    bench.wiring.clip(1, "HT")
    out = run(capsys, job_path, "HT", "--hum").out
    told = "the generator's output was ON and was switched off just now; no run on this job left it so"
    assert told in " ".join(out.split())
    assert not bench.wiring.drive.on


def test_a_record_taken_while_the_generators_knob_was_turned_is_taken_again_as_it_was_set(
    bench, job_path, capsys, monkeypatch
):
    """It stood in the job with the drive that was asked for, and twice the headroom."""
    handle, turned = bench.scope.handle, []

    def turn(message):
        if b":SING" in message and not turned:
            bench.generator.emf_pp_v = 0.25
            bench.generator._apply_drive()
            turned.append(True)
        return handle(message)

    monkeypatch.setattr(bench.scope, "handle", turn)
    run(capsys, job_path, "stage", "--drive", "0.5", "--freq", "3k")
    with open_job(job_path, read_only=True) as job:
        kept = job.read_pass("as-found").captures
    assert turned
    assert all(capture.drive_pp_v == 0.5 for capture in kept)
    assert {capture.point: np.ptp(capture.volts) for capture in kept}["V1.6"] == pytest.approx(0.5, rel=0.1)
    assert all(np.ptp(capture.volts) > 0.4 for capture in kept)


def test_generator_and_scope_are_left_as_they_were_found(bench, job_path, capsys):
    generator, scope = bench.generator, bench.scope
    generator.load_ohm, generator.unit, generator.frequency_hz = 600.0, "VRMS", 440.0
    generator.emf_pp_v, generator.emf_offset_v = 3.0, 0.5
    scope.acquisition, scope.sweep, scope.time_scale_s = "AVER", "AUTO", 0.02
    scope.run()

    def state():
        return (
            (generator.load_ohm, generator.unit, generator.frequency_hz),
            (round(generator.emf_pp_v, 6), round(generator.emf_offset_v, 6)),
            (scope.acquisition, scope.sweep, scope.time_scale_s, scope.state),
        )

    before = state()
    out = run(capsys, job_path, "stage", "--drive", "0.5", "--freq", "2k").out
    assert state() == before
    assert "as it was before" not in out
    assert not bench.wiring.drive.on
    generator.reset()
    scope.reset()


def test_every_figure_printed_comes_out_again_from_the_captures_in_the_job(bench, job_path, capsys):
    """Gain, response, headroom and hum: what was printed, what the job keeps as readings (and the report shows),
    and what is computed from the waveforms alone are the same figures."""
    from analysis.app.jobs import bench_for
    from analysis.app.modelled import modelled
    from analysis.app.signal.plan import plan_stage
    from analysis.app.signal.show import gain_facts, headroom_facts
    from analysis.app.signal.show_hum import hum_facts
    from analysis.app.verbs.report import gather
    from analysis.headroom import headroom_of, steps_kept
    from analysis.report.figures import response_figure
    from analysis.spectrum import hum_of

    sweep = json.loads(run(capsys, job_path, "stage", "--drive", "0.5", "--sweep", "100:20k:5", "--json").out)
    single = json.loads(run(capsys, job_path, "stage", "--drive", "0.5", "--freq", "700", "--json").out)
    headroom = json.loads(run(capsys, job_path, "stage", "--drive", "2.5", "--headroom", "50", "--json").out)
    bench.wiring.clip(1, "HT")
    hum = json.loads(run(capsys, job_path, "HT", "--hum", "--json").out)

    with open_job(job_path, read_only=True) as job:
        kept = job.read_pass("as-found")
        chassis, _, _ = modelled(job.sheet)
        plan = plan_stage("stage", chassis, bench_for(None, job))
        material = gather(job)

    again = {
        (g.freq_hz, g.drive_pp_v): gain_facts(g, plan)
        for g in gains_kept(kept.captures, plan.source, plan.output, plan.accuracy)
    }
    printed = [*sweep["response"], single]
    assert len(printed) == 6
    for point in printed:
        found = again[point["freq_hz"], 0.5]
        assert {name: point[name] for name in found} == found
    readings = {
        (r.quantity, r.freq_hz): r for r in kept.readings if r.drive_pp_v == 0.5 and r.quantity != "thd_pct"
    }
    for point in printed:
        gain, phase = (readings[quantity, point["freq_hz"]] for quantity in ("gain", "phase_deg"))
        assert float(f"{gain.value:.6g}") == point["gain"]
        assert float(f"{gain.std:.3g}") == point["std"]
        assert round(phase.value, 3) == point["phase_deg"]

    (steps,) = steps_kept(kept.captures, plan.source, plan.output, plan.accuracy)
    found = headroom_facts(headroom_of(steps, limited_by=headroom["limited_by"]), plan.load_ohm)
    assert {name: headroom[name] for name in found} == found

    (record,) = [c for c in kept.captures if c.note.startswith("hum")]
    assert {**hum_facts(hum_of(record, 50.0, plan.accuracy))}.items() <= hum.items()
    (ripple,) = [r for r in kept.readings if r.quantity == "ripple_pp_v"]
    assert float(f"{ripple.value:.4g}") == hum["hum_pp_v"]

    figure = response_figure(material, "V1.6>V1.5")
    curve = next(t for t in figure["data"] if (t["name"], t["yaxis"]) == ("as-found", "y"))
    shown = dict(zip(curve["x"], curve["y"], strict=True))
    for point in printed:
        assert shown[point["freq_hz"]] == pytest.approx(point["gain_db"], abs=2e-3)


def test_low_frequencies_through_coupled_inputs(bench, job_path, capsys):
    """At 5 Hz the coupling capacitors of the scope turn each channel by 8 degrees, not quite alike."""
    text = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
    path = job_path.with_name("coupled.stagewalk")
    create_job(path, "bench-6c4", text, bench.bench_text().replace("rating_v: 400", "rating_v: 600")).close()
    facts = json.loads(run(capsys, path, "stage", "--drive", "0.5", "--freq", "5", "--json").out)
    with open_job(path, read_only=True) as job:
        assert {c.coupling for c in job.read_pass("as-found").captures} == {"ac"}
    exact = 17 * 82.5e3 / (11e3 + 82.5e3 + 18 * 1500)
    assert facts["gain"] == pytest.approx(exact, abs=2.5 * facts["std"])
    off_deg = 180.0 - abs(facts["phase_deg"])
    assert abs(off_deg) < 2.5 * facts["phase_std_deg"]
    assert 0.5 < facts["phase_std_deg"] < 3.0
    assert "AC coupling of the channels" in {row["name"] for row in facts["budget"]["phase_deg"]}
    assert "both channels are AC coupled" in " ".join(facts["notes"])


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--sweep", "20:20:x"], "expected a whole number of frequencies, such as 20:20k:30, got 'x'"),
        (["--sweep", "20:20k:"], "expected a whole number of frequencies"),
        (["--sweep", "20:20k", "--balance"], "--balance is for one frequency: leave it out, or --sweep"),
        (["--headroom", "2", "--balance"], "--balance is for one frequency: leave it out, or --headroom"),
        (["--headroom", "2", "--swap"], "--swap is for gain at one frequency or over a sweep"),
        (["--hum", "--swap"], "leave it out, or --hum"),
        (["--again"], "--again is for --sweep"),
        (["--drive", "0,1"], "expected a number such as 0.1, 20 or 1k, got '0,1' (write a point, not a comma)"),
        (["--hum", "--one-channel"], "--one-channel is for gain at one frequency"),
    ],
)
def test_what_does_not_go_together_is_refused_before_anything_is_opened(capsys, arguments, told):
    assert main(["gain", "no-such-job", "stage", *arguments]) == 2
    assert told in capsys.readouterr().err
