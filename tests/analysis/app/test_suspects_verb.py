"""``stagewalk check`` and ``stagewalk suspects`` on a job, on readings files, and on a chassis of tubes alone."""

import json
import queue
from pathlib import Path

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.records import Event, Measurand, Reading
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.modelled import Models
from analysis.app.page.showing import suspects_panel
from analysis.app.page.thinking import Thinker
from analysis.app.together import counted, stood
from analysis.app.told import SUSPECTS
from analysis.app.verbs.report import gather
from analysis.chassis import ChassisModel, MeterLoad, load_chassis
from analysis.report.findings import findings

NAME = "gangway-two"
POINTS = ("HT1", "HT2", "V1.1", "V1.2", "V1.3", "V1.7", "V1.8", "OUT")
LEAK = {"C2.leak": 1e-7}


@pytest.fixture(scope="module")
def model():
    return ChassisModel(load_chassis(NAME))


def readings_with(model, values):
    """DC at all points and gain of both stages, without noise."""
    wanted = [Measurand(point=p, quantity="dc_v") for p in POINTS]
    wanted += [Measurand(point=p, quantity="gain", freq_hz=1000.0) for p in ("V1.2>V1.1", "V1.7>V1.8")]
    table = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    return [
        Reading(
            point=m.point,
            quantity=m.quantity,
            freq_hz=m.freq_hz,
            value=float(value),
            std=float(np.hypot(0.003 * value, 0.002)),
        )
        for m, value in zip(wanted, table, strict=True)
    ]


def save(path, readings):
    """A readings file."""
    lines = [f"{r.point},{r.quantity},{r.value:.6g},{r.std:.3g},{r.freq_hz or ''}," for r in readings]
    path.write_text("point,quantity,value,std,freq_hz,drive_pp_v\n" + "\n".join(lines) + "\n", "utf-8")
    return str(path)


@pytest.fixture(scope="module")
def job(tmp_path_factory, model):
    path = tmp_path_factory.mktemp("job") / "line.stagewalk"
    with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8")) as opened:
        for name, values in (("as-found", LEAK), ("after-C2", {})):
            opened.start_pass(name, mains_v=230.0)
            opened.add_readings(name, readings_with(model, values))
    return str(path)


@pytest.fixture(scope="module")
def files(tmp_path_factory, model):
    folder = tmp_path_factory.mktemp("readings")
    return [
        save(folder / "leak.csv", readings_with(model, LEAK)),
        save(folder / "healthy.csv", readings_with(model, {})),
        save(folder / "open.csv", readings_with(model, {"R5": 1e10})),
    ]


def objects(capsys):
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_check_of_a_pass_that_disagrees(job, capsys):
    assert main(["check", job, "--pass", "as-found", "--json"]) == 1
    (found,) = objects(capsys)
    assert found["pass"] == "as-found"
    shape = {"point", "quantity", "value", "std", "expected", "low", "high", "verdict"}
    assert all(shape <= set(row) for row in found["readings"])
    verdicts = {row["point"]: row["verdict"] for row in found["readings"]}
    assert verdicts["V1.7"] == "high"
    assert verdicts["V1.1"] == "agrees"


def test_check_takes_the_last_pass(job, capsys):
    assert main(["check", job, "--json"]) == 0
    (found,) = objects(capsys)
    assert found["pass"] == "after-C2"
    assert {row["verdict"] for row in found["readings"]} == {"agrees"}


@pytest.mark.parametrize("verb", [["check"], ["compare", "as-found", "after-C2"]])
def test_a_damaged_job_is_judged_by_what_is_left(job, tmp_path, verb, capsys):
    content = bytearray(Path(job).read_bytes())
    content[content.index(b"V1.2>V1.1")] ^= 1
    damaged = tmp_path / "damaged.stagewalk"
    damaged.write_bytes(content)
    assert main([verb[0], str(damaged), *verb[1:]]) in (0, 1)
    assert "reading: 1 lost" in capsys.readouterr().err


def test_check_does_not_ask_to_write(job, monkeypatch):
    """A job on a disk that is write-protected is judged all the same."""
    monkeypatch.setattr("acquisition.store.opening.files.writable_engine", None)
    assert main(["check", job]) == 0


def test_check_for_people(job, capsys):
    assert main(["check", job, "--pass", "as-found"]) == 1
    assert "high" in capsys.readouterr().out


def test_suspects_of_a_job(job, capsys):
    assert main(["suspects", job, "--pass", "as-found", "--json"]) == 0
    (found,) = objects(capsys)
    assert {"pass", "healthy_probability", "suspects", "next"} <= set(found)
    first = found["suspects"][0]
    assert {"part", "fault", "probability", "estimate", "because"} <= set(first)
    assert (first["part"], first["fault"]) == ("C2", "leaky")
    assert first["estimate"]["low"] < 1e7 < first["estimate"]["high"]
    assert found["next"] or found["power_off"]
    assert all({"part", "bits", "what"} <= set(row) for row in found["power_off"])
    assert all({"point", "quantity", "bits", "why"} <= set(row) for row in found["next"])
    total = found["healthy_probability"] + sum(s["probability"] for s in found["suspects"])
    assert 0.9 < total < 1.05


def test_suspects_takes_the_last_pass(job, capsys):
    assert main(["suspects", job, "--json"]) == 0
    (found,) = objects(capsys)
    assert found["pass"] == "after-C2"
    assert found["healthy_probability"] > max(s["probability"] for s in found["suspects"])


@pytest.mark.parametrize("verb", ["check", "suspects"])
def test_a_pass_that_is_not_there(job, verb, capsys):
    assert main([verb, job, "--pass", "after-R9"]) == 2
    assert "as-found, after-C2" in capsys.readouterr().err.replace("\n", " ")


def test_estimate_of_named_parts(files, capsys):
    assert main(["suspects", "--chassis", NAME, files[0], "--estimate", "C2,R3", "--json"]) == 0
    (found,) = objects(capsys)
    fitted = {(v["part"], v["what"]): v for v in found["estimates"]}
    leak = fitted["C2", "leak"]
    assert leak["told"]
    assert leak["low"] < 1e7 < leak["high"]
    assert fitted["R3", "value"]["low"] < 47e3 < fitted["R3", "value"]["high"]


def test_estimate_of_an_unknown_part(files, capsys):
    assert main(["suspects", "--chassis", NAME, files[0], "--estimate", "C99"]) == 2
    assert capsys.readouterr().err.startswith("--estimate: no such part 'C99'")  # and of no file "command"


def test_two_processes_say_what_one_says(files, capsys):
    assert main(["suspects", "--chassis", NAME, *files, "--json"]) == 0
    alone = objects(capsys)
    assert main(["suspects", "--chassis", NAME, *files, "--processes", "2", "--json"]) == 0
    both = objects(capsys)
    assert [found["file"] for found in both] == files
    for one, two in zip(alone, both, strict=True):
        assert one["suspects"][0]["part"] == two["suspects"][0]["part"]
        assert one["healthy_probability"] == pytest.approx(two["healthy_probability"], abs=2e-3)
    assert alone[0]["suspects"][0]["part"] == "C2"
    assert alone[2]["suspects"][0]["part"] == "R5"


def test_tubes_alone(tmp_path, capsys):
    """A cathode at zero and its plate at the supply: no current (common practice, no source)."""
    chassis = tmp_path / "tubes.yaml"
    chassis.write_text("chassis: two stages\ntubes: {V1: 12AX7}\n", "utf-8")
    file = tmp_path / "readings.csv"
    file.write_text("point,quantity,value\nV1.1,dc_v,180\nV1.3,dc_v,1.4\nV1.6,dc_v,250\nV1.8,dc_v,0\n", "utf-8")
    assert main(["suspects", "--chassis", str(chassis), str(file), "--json"]) == 0
    (found,) = objects(capsys)
    first = found["suspects"][0]
    assert (first["part"], first["section"]) == ("V1", "V1a")
    assert first["fault"] == "dead"
    assert first["probability"] <= 0.5
    assert "substitute tube, power off" in first["separates"]


def test_a_proof_that_tells_nothing_new_is_asked_for_without_its_bits(capsys):
    from analysis.app.verbs.suspects import show

    proof = {"part": "V1", "what": "a substitute tube, power off to change it"}
    result = {"notes": [], "healthy_probability": 0.0, "suspects": [], "next": []}
    for bits, line in ((0.0, "change it\n"), (0.42, "change it (0.42 bits)\n")):
        show({**result, "power_off": [{**proof, "bits": bits}]})
        assert f"prove V1: a substitute tube, power off to {line}" in capsys.readouterr().out


def test_tubes_alone_show_no_empty_table_and_ask_for_the_parts(tmp_path, capsys):
    (tmp_path / "tubes.yaml").write_text("chassis: unknown\ntubes: {V1: 6SJ7, V2: 6V6GT}\n", "utf-8")
    (tmp_path / "read.csv").write_text("point,quantity,value\nV1.8,dc_v,98\nV2.8,dc_v,14\n", "utf-8")
    assert main(["suspects", "--chassis", str(tmp_path / "tubes.yaml"), str(tmp_path / "read.csv")]) == 0
    said = capsys.readouterr().out
    assert "would measure" not in said
    assert "next: enter parts and rails, then ask" in said
    assert "no live reading that is left" not in said


def test_a_part_measured_with_power_off_sharpens_the_answer(tmp_path, model, capsys):
    """R2 was measured and is good: what it shared of the blame goes to the others."""
    answers = []
    for measured in (False, True):
        path = tmp_path / f"line-{measured}.stagewalk"
        with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8")) as opened:
            opened.start_pass("as-found", mains_v=230.0)
            opened.add_readings("as-found", readings_with(model, {"R2": 2.2e3}))
            if measured:
                opened.add_event("as-found", Event(kind="part_measured", subject="R2", value=2.2e3, std=20.0))
        assert main(["suspects", str(path), "--json"]) == 0
        answers += objects(capsys)
    before, after = answers
    assert before["suspects"][0]["part"] == "R2"
    assert after["healthy_probability"] > before["healthy_probability"]
    assert any("R2 was measured as 2.2" in note for note in after["notes"])


BENCH = """
bench: a bench with an old meter
meter: {resource: "ASRL/dev/null::INSTR", dialect: scpi-meter, accuracy: 3 %, input_ohm: 200k, rating_v: 600}
lead: {rated_v: 600}
"""


def test_the_meter_of_the_job_loads_the_points(tmp_path, capsys):
    """Volts that only a meter of 200 kohm shows are those of a healthy chassis when the job says so."""
    chassis = load_chassis(NAME)
    old = ChassisModel(chassis, meter=MeterLoad(resistance_ohm=200e3))
    wanted = [Measurand(point=p, quantity="dc_v") for p in POINTS]
    seen = []
    for text in ("", BENCH):
        path = tmp_path / f"line-{len(text)}.stagewalk"
        with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8"), text) as opened:
            opened.start_pass("as-found", mains_v=230.0)
            volts = old.predict({}, wanted)[0]
            opened.add_readings("as-found", [
                Reading(point=m.point, quantity="dc_v", value=float(v), std=0.003 * abs(float(v)) + 0.002)
                for m, v in zip(wanted, volts, strict=True)
            ])  # fmt: skip
        code = main(["check", str(path), "--json"])
        capsys.readouterr()
        assert main(["suspects", str(path), "--json"]) == 0
        seen.append((code, objects(capsys)[0]["healthy_probability"]))
    (wrong_code, wrong), (right_code, right) = seen
    assert (wrong_code, right_code) == (1, 0)
    assert right > 0.5 > wrong


def test_ohms_are_asked_for_only_at_a_point_that_was_just_read_low(job, capsys):
    """Rule L6 of common bench practice."""
    assert main(["suspects", job, "--pass", "as-found"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Ohms and farads only with the power off, at a point that read below 1 V within two minutes" in said


def test_check_of_a_pass_without_a_reading_to_judge_says_so(tmp_path, capsys):
    path = tmp_path / "amp.stagewalk"
    text = find_config("chassis", "quayside-five").read_text("utf-8")
    with create_job(path, "quayside-five", text) as job:
        job.start_pass("as-found")
    assert main(["check", str(path)]) == 0
    assert capsys.readouterr().out == "as-found: nothing was read in it\n"
    with open_job(path) as job:
        job.add_reading("as-found", Reading(point="X9", quantity="dc_v", value=1.0))
    assert main(["check", str(path)]) == 0
    assert capsys.readouterr().out.startswith("as-found: none of its 1 readings is one")


def test_the_mains_of_the_pass_count(tmp_path, model, capsys):
    """A sound chassis at 195 V mains, written down: no rail is low, in the terminal, the report and the page."""
    path = tmp_path / "low mains.stagewalk"
    readings = [r for r in readings_with(model, {"mains": 195.0 / 230.0}) if r.quantity == "dc_v"]
    with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8")) as opened:
        for name, mains_v in (("written-down", 195.0), ("nobody-knows", None)):
            opened.start_pass(name, mains_v=mains_v)
            opened.add_readings(name, readings)
    low = {}
    for name in ("written-down", "nobody-knows"):
        assert main(["suspects", str(path), "--pass", name, "--json"]) == 0
        (found,) = objects(capsys)
        low[name] = sum(s["probability"] for s in found["suspects"] if s["part"] in ("HT1", "C3"))
        assert not any(note.startswith("mains") for note in found["notes"])
    assert low["written-down"] < 0.2
    assert low["nobody-knows"] > 0.5

    with open_job(path) as opened:
        reported = gather(opened).diagnosis
        read = kept(opened, "written-down", model)
        told = queue.Queue()
        thinker = Thinker(read, [], 600.0, lambda *answer: told.put(answer))
        try:
            thinker.ask(read)
            while not (answer := told.get(timeout=60.0))[2]:
                pass
        finally:
            thinker.end()
        thinker.keep(opened, "written-down")
        assert opened.told("written-down", SUSPECTS) is not None
    assert sum(s.probability for s in reported.suspects if s.part == "HT1") < 0.1
    assert sum(s["probability"] for s in answer[0]["suspects"] if s["part"] == "HT1") < 0.1


def kept(opened, name, model):
    """A pass as the verbs and the page weigh it."""
    return stood(counted(opened, opened.read_pass(name)), Models(model))


def test_what_was_asked_before_a_part_is_blamed_stands_in_every_view(tmp_path, model, capsys):
    """Read at half mains with heaters that are cold: terminal, page, comparison, expected volts and first page."""
    path = tmp_path / "half.stagewalk"
    values = {"mains": 0.5, "V1a.strength": 0.1, "V1b.strength": 0.1}
    with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8")) as opened:
        for name, mains_v, state in (("half", 115.0, values), ("full", 230.0, {})):
            opened.start_pass(name, mains_v=mains_v)
            opened.add_readings(name, [r for r in readings_with(model, state) if r.quantity == "dc_v"])
    colder = "mains 115 V where the drawing has 230 V: heaters are colder than the model has them"
    for verb in (["check", str(path), "--pass", "half"], ["suspects", str(path), "--pass", "half"]):
        main([*verb, "--json"])
        (found,) = objects(capsys)
        assert found["notes"][0].startswith(colder), verb
    main(["compare", str(path), "half", "full", "--json"])
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert any(note.startswith(f"half: {colder}") for note in notes)
    assert not any(note.startswith("full: ") for note in notes)
    main(["expect", NAME, "--mains", "115", "--json"])
    assert json.loads(capsys.readouterr().out)["warnings"][0].startswith(colder)
    with open_job(path) as opened:
        wrong = findings(gather(opened)).wrong
        read = kept(opened, "half", model)
    assert wrong.index(colder) < wrong.index("most consistent with")
    told = queue.Queue()
    thinker = Thinker(read, [], 600.0, lambda *answer: told.put(answer))
    try:
        thinker.ask(read)
        while not (answer := told.get(timeout=60.0))[2]:
            pass
    finally:
        thinker.end()
    assert suspects_panel(answer[0], 8)["asked"][0].startswith(colder)


def test_mains_that_every_rail_contradicts_do_not_count(tmp_path, model, capsys):
    """23 typed for 231: they are asked about, and the list is the one without mains."""
    path = tmp_path / "typed.stagewalk"
    with create_job(path, "Gangway Two", find_config("chassis", NAME).read_text("utf-8")) as opened:
        opened.start_pass("as-found", mains_v=23.0)
        opened.add_readings("as-found", [r for r in readings_with(model, LEAK) if r.quantity == "dc_v"])
        read = kept(opened, "as-found", model)
    assert main(["suspects", str(path), "--json"]) == 0
    (found,) = objects(capsys)
    assert (found["suspects"][0]["part"], found["suspects"][0]["fault"]) == ("C2", "leaky")
    assert found["notes"][1] == "HT1 reads 1000 % of what 23 V mains give: are the mains of the pass right?"
    assert read.asked == found["notes"][:2]


def test_tubes_alone_are_asked_about_too(tmp_path, capsys):
    """Live pins without any volts: compared with each other they are all alike."""
    chassis = tmp_path / "tubes.yaml"
    chassis.write_text("chassis: two tubes\ntubes: {V1: 12AX7, V2: 12AX7}\n", "utf-8")
    pins = [f"{socket}.{pin}" for socket in ("V1", "V2") for pin in (1, 3, 6, 8)]
    readings = [Reading(point=pin, quantity="dc_v", value=0.01, std=0.002) for pin in pins]
    file = save(tmp_path / "dead.csv", readings)
    assert main(["suspects", "--chassis", str(chassis), file, "--json"]) == 0
    (found,) = objects(capsys)
    assert found["notes"][0].startswith("none of 8 points reads any volts, 4 of them live when healthy")
