"""The worker of the page against the simulated bench: unplugged meter, stop, notes, advice, what is on disk."""

import math
import queue
import re
import time
from contextlib import contextmanager
from types import SimpleNamespace

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.errors import StoreError
from acquisition.instruments import Sample
from acquisition.instruments.bench import parse_bench
from acquisition.probing import Action, ActionKind, Phase
from acquisition.records import Measurand, Reading, Stretch, SurveyStep
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.faults import LINK_FAULTS, late
from acquisition.simulated.hands import Hands
from acquisition.simulated.survey_hands import SurveyHands
from acquisition.steady import State
from acquisition.store import create_job, open_job
from analysis.app.demo.plant import TablePlant, load_table
from analysis.app.modelled import Models, modelled
from analysis.app.page import showing
from analysis.app.page.hub import Hub
from analysis.app.page.thinking import Thinker
from analysis.app.page.watching import CoursePanel
from analysis.app.page.worker import BenchWorker
from analysis.app.passes import Taken
from analysis.app.together import stood
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.plan import survey_plan


class Person(SurveyHands):
    """Simulated hands that put the scope's probes on too."""

    def place(self, source, target):
        self.hands.wiring.switch(True)
        self.hands.wiring.clip(1, source)
        self.hands.wiring.clip(2, target)


def wait_for(what):
    end = time.monotonic() + 200  # no limit of the thing tested: a busy machine makes no test fail
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.02)
    pytest.fail("waited in vain")


@contextmanager
def running(folder, *, with_hands=True):
    path = folder / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky")) as bench:
        text = find_config("chassis", "quayside-five").read_text(encoding="utf-8")
        create_job(path, "quayside-five", text, bench.bench_text()).close()
        hub = Hub()
        person = Person(Hands(bench.wiring, pace=0.3, seed=2)) if with_hands else None
        worker = BenchWorker(path, parse_bench(bench.bench_text(), "bench"), hub, "as-found", operator=person)
        worker.start()
        try:
            wait_for(lambda: hub.state().get("meter", {}).get("link") == "good")
            yield bench, hub, worker, path
        finally:
            worker.end()
        assert worker.failure is None
        assert not bench.generator.output


def test_an_unplugged_meter_is_told_and_the_survey_goes_on(tmp_path):
    with running(tmp_path) as (bench, hub, worker, path):
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: len(hub.state()["taken"]["readings"]) >= 2)
        bench.links["meter"].refuse()
        bench.links["meter"].drop()
        wait_for(lambda: hub.state()["meter"]["link"] == "lost")
        kept = {r["point"] for r in hub.state()["taken"]["readings"]}
        bench.links["meter"].refuse(False)
        wait_for(lambda: hub.state()["meter"]["link"] == "good")
        wait_for(lambda: len(hub.state()["taken"]["readings"]) > len(kept))
        with open_job(path, read_only=True) as job:
            assert kept <= {r.point for r in job.read_pass("as-found").readings}


def turn(*panel):
    return lambda meter, link: meter.turn_to(*panel)


def is_called(identity):
    def plugged(meter, link):
        meter.identity = identity
        link.drop()

    return plugged


def storm(meter, link):
    for _ in range(200):
        meter.report(-350, "Queue overflow")
    link.drop()


def answers(fault, times=1):
    return lambda meter, link: link.mischief.cue("on cue", times=times, fault=fault)


def well(meter, link):
    link.mischief.calm()


NAME = "STAGEWALK,SIM-METER,0001,1.0"
MISBEHAVIOUR = [
    ("its knob on AC volts", turn("VOLT:AC"), "not set to DC volts", turn()),
    ("a range too small set by hand", turn("VOLT", 10.0), "beyond the range", turn()),
    ("hung", answers(LINK_FAULTS["silence"], 10_000), "no answer", well),
    ("3 s for one answer", answers(late(3.0)), "no answer", well),
    ("another instrument at its address", is_called("SOMEBODY,SCOPE,1,1"), "wrong instrument", is_called(NAME)),
    ("its error queue overflows", storm, "", well),
]
"""What is done, what is said of it, and what ends it."""


def test_what_is_shown_while_the_meter_misbehaves(tmp_path):
    """Each is told, and well again by itself.

    No digits of another function, range or moment are shown as a reading.
    """
    with running(tmp_path, with_hands=False) as (bench, hub, _, _):
        shown, digits, publish = [], [], hub.publish

        def note(panel, content):
            publish(panel, content)
            if panel == "meter":
                shown.append(content)
                digits.extend([float(content["text"])] if content["words"] == "reading" else [])

        hub.publish = note
        bench.wiring.lead.move([(bench.wiring.clock.monotonic_s(), "V1.6")])

        def is_well():
            del shown[:]
            wait_for(lambda: any(c["words"] == "reading" and c["text"].startswith("96.") for c in shown))

        is_well()
        del digits[:]
        for _name, do, words, undo in MISBEHAVIOUR:
            del shown[:]
            do(bench.meter, bench.links["meter"])
            wait_for(lambda words=words: any(words in content["words"] for content in shown))
            undo(bench.meter, bench.links["meter"])
            is_well()
        # 96.4 V at this plate, as another program solved it.
        assert digits == pytest.approx([96.4] * len(digits), abs=0.1)


def test_while_the_probes_are_being_placed_the_lamp_says_that_the_generator_is_off(tmp_path):
    with running(tmp_path, with_hands=False) as (bench, hub, worker, _):

        def asked():
            gain = hub.state().get("gain", {})
            return gain.get("waiting") and gain["progress"]

        request = {"stage": "first", "drive_pp_v": "0.1", "freq_hz": "1000", "run": "single", "load_present": True}
        worker.post("gain", request)
        first = wait_for(asked)
        # A key for the probe, from the survey in another tab, says nothing of where the scope's probes are.
        for action in ("confirm", "skip", "start"):
            worker.post(action, {})
            wait_for(lambda: hub.state()["alarm"]["words"].startswith("Not done: a gain is being measured"))
            hub.publish("alarm", {"words": ""})
            assert asked() == first
        worker.post("placed", {})
        wait_for(lambda: asked() not in (first, None, False))
        assert not bench.generator.output
        assert hub.state()["generator"] == {"on": False, "known": True, "words": "off until you confirm"}
        worker.post("stop", {})
        wait_for(lambda: "Stopped" in hub.state()["gain"]["progress"])


def test_every_reading_is_on_disk_before_a_tab_hears_of_it(tmp_path):
    with running(tmp_path) as (_, hub, worker, path):
        seen = []
        publish = hub.publish

        def watch(panel, content):
            if panel == "taken" and content["readings"]:
                with open_job(path, read_only=True) as job:
                    on_disk = {r.point for r in job.read_pass("as-found").readings}
                seen.append({r["point"] for r in content["readings"]} <= on_disk)
            publish(panel, content)

        hub.publish = watch
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: len(seen) >= 3)
        assert all(seen)


def test_tones_come_in_the_order_of_a_touch(tmp_path):
    with running(tmp_path) as (_, hub, worker, _):
        heard = []
        cue = hub.cue
        hub.cue = lambda kind, **content: (heard.append((kind, content.get("text", ""))), cue(kind, **content))
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: sum(kind == "lift" for kind, _ in heard) >= 2)
        kinds = [kind for kind, _ in heard]
        first = kinds.index("touched")
        assert kinds.index("taken", first) < kinds.index("lift", first)
        # The hazard is said before the name of the point, and the point before it is touched.
        announced = [text for kind, text in heard[:first] if kind == "prompt"]
        assert announced
        assert announced[-1].startswith("High voltage.")


def test_a_touch_is_heard_however_soon_after_the_digits_it_comes():
    """Digits change every 40 ms; of a meter that reads faster, a touch between two of them had no tone."""
    hub, heard = Hub(), []
    hub.cue = lambda kind, **_: heard.append(kind)
    worker = BenchWorker("none.stagewalk", SimpleNamespace(), hub, "as-found")
    for t_s, state in ((1.0, State.AWAY), (1.02, State.TOUCHED), (1.04, State.SETTLING)):
        worker._detector = SimpleNamespace(state=state)
        worker._show_sample(Sample(t_s=t_s, value_v=0.0))
    assert heard == ["touched"]


def test_gain_needs_the_load_waits_for_a_lost_instrument_and_stops_when_asked(tmp_path, monkeypatch):
    """As in the terminal; what only the generator knows, that it was left on, is told by the next run."""
    monkeypatch.setattr("analysis.app.page.gaining.SWEEP_HZ", (1000.0, 20_000.0))  # low frequencies take longer
    with running(tmp_path) as (bench, hub, worker, path):
        request = {"stage": "first", "drive_pp_v": "0.1", "freq_hz": "1k", "run": "sweep"}
        worker.post("gain", request)
        wait_for(lambda: "load" in hub.state().get("gain", {}).get("progress", ""))
        request["load_present"] = True
        worker.post("gain", request)

        def taken():
            count, _, words = hub.state()["gain"]["progress"].partition(" of 16")
            return int(count) if words == " taken" else 0

        def noticed(words):  # a busy machine may be told to be slow before and after
            return any(words in notice for notice in hub.state()["gain"]["notices"])

        def shoot(message):  # at its first shot, for which the generator is on
            if b":SING" in message:
                bench.scope.handle = handle
                bench.links["generator"].refuse()
                bench.links["generator"].drop()
            return handle(message)

        before = wait_for(taken)
        wait_for(lambda: hub.state()["generator"]["on"])
        bench.links["scope"].refuse()
        bench.links["scope"].drop()
        wait_for(lambda: "Stop ends it" in hub.state()["gain"]["progress"])
        assert noticed("the run goes on by itself")
        wait_for(lambda: hub.state()["generator"]["words"] == "off")
        assert not bench.generator.output
        bench.links["scope"].refuse(False)
        wait_for(lambda: taken() > before)
        assert noticed("answers again")
        wait_for(lambda: hub.state()["generator"]["on"])
        worker.post("stop", {})
        wait_for(lambda: hub.state()["gain"]["progress"].startswith("Stopped"))
        assert not hub.state()["generator"]["on"]
        assert not bench.generator.output
        with open_job(path, read_only=True) as job:
            gains = [r.freq_hz for r in job.read_pass("as-found").readings if r.quantity == "gain"]
        assert len(gains) == len(set(gains)) > before, "each frequency once"

        request["run"] = "single"
        handle, bench.scope.handle = bench.scope.handle, shoot
        worker.post("gain", request)
        wait_for(lambda: "not known" in hub.state()["generator"]["words"])
        worker.post("stop", {})
        progress = wait_for(lambda: not hub.state()["gain"]["running"] and hub.state()["gain"]["progress"])
        assert "may still be ON" in progress, "it cannot be told to switch off, and so is not called off"
        assert not hub.state()["generator"]["known"]
        bench.links["generator"].refuse(False)
        worker.post("gain", request)
        assert wait_for(lambda: hub.state()["gain"]["progress"].startswith("Done"))
        assert "was ON and was switched off" in hub.state()["gain"]["notices"][0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"drive_pp_v": "loud"}, "Drive: "),
        ({"freq_hz": "-3"}, "Frequency: expected a value above zero, got -3"),
        ({"stage": "V9.1>V9.2"}, "V9.1"),
    ],
)
def test_wrong_entries_are_one_line(tmp_path, change, words):
    with running(tmp_path) as (_, hub, worker, _):
        worker.post(
            "gain", {"stage": "first", "drive_pp_v": "0.1", "freq_hz": "1k", "load_present": True, **change}
        )
        assert words in wait_for(lambda: hub.state().get("gain", {}).get("progress", ""))


def test_intake_and_parts_changed_are_the_events_of_the_terminal(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        worker.post("intake", {"customer": "M. Okafor", "complaint": " hums\nand cuts out ", "found": "mine"})
        wait_for(lambda: hub.state()["notes"]["words"] == "Written down.")
        worker.post("conclude", {"found": " C2 leaked ", "customer": "nobody"})
        wait_for(lambda: hub.state()["notes"]["sheet"]["found"] == "C2 leaked")
        assert hub.state()["notes"]["words"] == "Written down; the report says it at its top."
        worker.post("changed", {"parts": "C2=22n"})
        wait_for(lambda: "has not begun" in hub.state()["notes"]["words"])
        worker.post("start", {"mains_v": "231", "changed": "C9=22n"})
        wait_for(lambda: "no part C9" in hub.state()["alarm"]["words"])
        assert not hub.state()["step"]["running"]
        worker.post("start", {"mains_v": "231", "changed": "C2=22n, V1"})
        wait_for(lambda: hub.state()["step"]["running"])
        assert hub.state()["alarm"]["words"] == ""
        worker.post("changed", {"parts": "C2=22n"})
        worker.post("changed", {"parts": "R3=1x"})
        wait_for(lambda: "Not written down: R3" in hub.state()["notes"]["words"])
        assert len(hub.state()["notes"]["noted"]) == 2
        worker.post("changed", {"measured": "R5"})
        wait_for(lambda: "Not written down: R5: expected what was read" in hub.state()["notes"]["words"])
        worker.post("changed", {"measured": "R5=103k"})
        wait_for(lambda: hub.state()["notes"]["words"] == "Written down in as-found: R5.")
        assert "R5 part measured, 103 kΩ" in hub.state()["notes"]["noted"][2]
        assert "C2 part replaced, 22 nF" in hub.state()["notes"]["noted"][0]
    with open_job(path, read_only=True) as job:
        assert (job.sheet.customer, job.sheet.complaint) == ("M. Okafor", "hums\nand cuts out")
        assert (job.sheet.found, job.sheet.advice) == ("C2 leaked", "")
        taken = job.read_pass("as-found")
        assert taken.mains_v == 231.0
        assert [(e.kind, e.subject, e.value) for e in taken.events] == [
            ("part_replaced", "C2", 22e-9),
            ("tube_swapped", "V1", None),
            ("part_measured", "R5", 103e3),
        ]


def test_a_note_belongs_to_the_point_in_hand(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        worker.post("start", {"mains_v": "231", "glow": True})
        worker.post("confirm", {})
        point = wait_for(lambda: hub.state()["step"].get("point"))
        worker.post("note", {"text": "crackles"})

        def notes():
            with open_job(path, read_only=True) as job:
                return [e for e in job.read_pass("as-found").events if e.kind == "note"]

        (note,) = wait_for(notes)
        assert note.text == "crackles"
        assert note.subject == point


def test_mains_far_from_the_drawing_are_asked_after(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, _):
        worker.post("start", {"mains_v": "23", "glow": True})
        wait_for(lambda: hub.state()["step"]["running"])
        assert "23 V mains, where the drawing has 230 V" in hub.state()["alarm"]["words"]


def test_without_hands_nothing_is_taken_and_keys_only_confirm(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        worker.post("start", {"mains_v": "231", "glow": True})
        prompt = wait_for(lambda: hub.state()["step"].get("prompt"))
        assert "Power off" in prompt
        worker.post("confirm", {})
        wait_for(lambda: hub.state()["step"].get("prompt") != prompt)
        time.sleep(0.5)
        with open_job(path, read_only=True) as job:
            assert job.read_pass("as-found").readings == ()


def test_what_the_server_before_had_in_the_panels_is_taken_back_at_the_start(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, _, _):
        state = hub.state()
        assert state["gain"] == {"notices": []}
        nothing = {"suspects": [], "advice": "", "nothing_wrong": None, "points": None}
        assert {name: state["suspects"][name] for name in nothing} == nothing


def test_what_was_asked_for_without_a_meter_is_not_done_later_and_is_told_so(tmp_path):
    with running(tmp_path, with_hands=False) as (bench, hub, worker, _):
        bench.links["meter"].refuse()
        bench.links["meter"].drop()
        # Not at the first answer that is missing: there it may still be mended, and a survey begins.
        wait_for(lambda: "refused" in hub.state()["meter"]["words"])
        worker.post("start", {"mains_v": "231", "glow": True})
        told = wait_for(lambda: hub.state()["alarm"]["words"])
        assert told == "Not done: the meter does not answer. Try again when it does."
        bench.links["meter"].refuse(False)
        wait_for(lambda: hub.state()["meter"]["link"] == "good")
        time.sleep(0.5)
        assert not hub.state()["step"]["running"], "as it was told"
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: hub.state()["step"]["running"])


def read_of(model, readings=()):
    return stood(Taken(labels={}, readings=tuple(readings)), Models(model))


def test_an_answer_says_how_many_points_it_rests_on_and_a_first_look_that_it_is_one():
    model = ChassisModel(load_chassis("bench-6c4"))
    told = queue.Queue()
    thinker = Thinker(read_of(model), [], 600.0, lambda *answer: told.put(answer))
    try:
        thinker.ask(read_of(model))
        answer, points, settled = told.get(timeout=60)  # of no reading there is nothing to see at a glance
        assert (points, settled) == (0, True)
        readings = [Reading(point=p, quantity="dc_v", value=v) for p, v in (("HT", 300.0), ("V1.5", 250.0))]
        for count in (1, 2):
            thinker.ask(read_of(model, readings[:count]))
            for whole in (False, True):
                answer, points, settled = told.get(timeout=60)
                assert (points, settled) == (count, whole)
                panel = showing.suspects_panel(answer, points, settled)
                assert (panel["points"], panel["settled"]) == (count, whole)
    finally:
        thinker.end()
    assert answer["healthy_probability"] < 0.01


def test_while_nothing_is_read_the_list_looks_what_pulling_a_tube_would_tell():
    """3.6 V on the grid of the output tube: its own grid current or a leak, and no live reading tells which."""
    model = ChassisModel(load_chassis("quayside-five"))
    points = [Measurand(point=p.name, quantity="dc_v") for p in model.points.values() if p.node and p.socket]
    points = [point for point in points if not model.points[point.point].heater]
    volts = model.predict({"V2.gas": np.array([8e-6])}, points)[0]
    readings = [Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(points, volts, strict=True)]
    told = queue.Queue()
    thinker = Thinker(read_of(model), points, 600.0, lambda *answer: told.put(answer))
    try:
        thinker.ask(read_of(model, readings))
        while not (first := told.get(timeout=60))[2]:
            pass
        assert not first[0]["tube_out"]
        further, count, settled = told.get(timeout=60)
        assert (count, settled) == (len(readings), True)
        assert [one["pull"] for one in further["tube_out"]] == [["V2"]]
        assert {**further, "tube_out": []} == first[0]
        panel = showing.suspects_panel(further, count)
        assert panel["pull"] == {"what": ["V2"], "pass": "V2-out", "out": ["V2"]}, "named as by the terminal"
        advice = panel["advice"]
        assert "with the power off pull V2, then: DC volts at V2.2 with V2 out." in advice
        assert thinker.settled[-1].tube_out
        with pytest.raises(queue.Empty):
            told.get(timeout=4.0)
    finally:
        thinker.end()


def test_points_left_out_for_the_mains_are_told_why_and_read_once_it_is_known(tmp_path):
    with running(tmp_path) as (_, hub, worker, path):
        worker.post("start", {"mains_v": "23O", "glow": True})
        wait_for(
            lambda: "expected volts rms between 1 and 1000, such as 230, got '23O'" in hub.state()["alarm"]["words"]
        )
        with open_job(path, read_only=True) as job:
            assert job.passes() == (), "nothing began"
        worker.post("start", {"mains_v": "", "glow": True})
        over = wait_for(lambda: hub.state()["step"].get("left") and hub.state()["step"]["prompt"])
        assert "V1.6" in over
        assert "the mains voltage is not known (measure it, and start again with it)" in over
        low = {r["point"] for r in hub.state()["taken"]["readings"]}
        assert low
        assert "V1.6" not in low
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: "V1.6" in {r["point"] for r in hub.state()["taken"]["readings"]})
        with open_job(path, read_only=True) as job:
            kept = job.read_pass("as-found")
        assert kept.mains_v == 231.0, "a pass begun without takes the mains when it is read"
        assert low <= {r.point for r in kept.readings}


def test_a_server_started_again_tells_the_verdicts_of_what_was_read_before(tmp_path):
    with running(tmp_path) as (_, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found", mains_v=231.0)
            read = (("HT1", 249.5), ("V1.6", 96.4), ("V1.8", 1.96))
            job.add_readings("as-found", [Reading(point=p, quantity="dc_v", value=v) for p, v in read])
            job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=144.4, quality="unsteady"))
            sheet = job.sheet
        worker.post("start", {"mains_v": "231", "glow": True})
        over = wait_for(lambda: hub.state()["step"].get("count") == "Survey over" and hub.state()["step"])
        rows = {r["point"]: r for r in hub.state()["taken"]["readings"]}
        assert [rows[p]["verdict_words"] for p in ("HT1", "V1.6", "V1.8", "V1.1")] == [
            "agrees", "low", "high", "unsteady",
        ]  # fmt: skip
        chassis, model, _ = modelled(sheet)
        band = next(step for step in survey_plan(chassis, model, mains_v=231.0).steps if step.point == "V1.6")
        assert rows["V1.6"]["healthy"] == [f"{band.low_v:.1f} V", f"to {band.high_v:.1f} V"]
        assert (over["title"], over["function"], over["healthy"], over["tube"]) == (
            "Every point was read",
            "",
            "",
            None,
        )
        # At the end stands what the round came to, not the verdict of its last point.
        assert over["verdict"] == ""
        outside = over["prompt"].partition("Outside what a healthy chassis shows: ")[2].rstrip(".")
        assert set(outside.split(", ")) == {"V1.6", "V1.8", "V1.7", "N1"}


def test_what_was_read_is_read_again_where_that_is_asked_for(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found", mains_v=231.0)
            job.add_reading("as-found", Reading(point="HT1", quantity="dc_v", value=249.5))
        worker.post("start", {"mains_v": "231", "glow": True, "anew": True})
        wait_for(lambda: hub.state()["step"]["running"])
        worker.post("confirm", {})
        assert wait_for(lambda: hub.state()["step"].get("point")) == "HT1"


@pytest.mark.parametrize(("flag", "text"), [("overload", "over"), ("held", "none"), ("gap", "none")])
def test_where_nothing_is_read_the_lead_is_not_called_open(flag, text):
    value_v = 1.0 if flag == "held" else math.nan
    panel = showing.meter_panel(Sample(t_s=0.0, value_v=value_v, flags=frozenset({flag})), "open")
    assert (panel["text"], panel["state"], panel["link"]) == (text, text, "wait")


def test_of_a_reading_that_nothing_judged_its_quality_does_not_stand_as_a_verdict():
    told = {
        quality: showing.taken_row(Reading(point="X", quantity="dc_v", value=1.0, quality=quality), None)
        for quality in ("good", "confirmed_zero")
    }
    assert {quality: row["verdict_words"] for quality, row in told.items()} == {
        "good": "", "confirmed_zero": "confirmed zero",
    }  # fmt: skip


def test_tubes_said_to_be_out_are_written_down_and_what_is_expected_follows(tmp_path):
    with running(tmp_path, with_hands=False) as (_bench, hub, worker, path):
        worker.post("start", {"mains_v": "231", "pulled": "V9"})
        wait_for(lambda: "no socket V9" in hub.state().get("alarm", {}).get("words", ""))
        worker.post("start", {"mains_v": "231", "pulled": "V1, v1"})
        wait_for(lambda: "no socket v1" in hub.state().get("alarm", {}).get("words", ""))
        worker.post("start", {"mains_v": "231", "pulled": "V1", "glow": True})
        wait_for(lambda: hub.state().get("job", {}).get("pulled") == "V1")
        assert hub.state()["job"]["stood"] == "V1 out of circuit"
        with open_job(path, read_only=True) as job:
            assert job.read_pass("as-found").pulled == ("V1",)
        assert worker._hand.model.sections.keys() == {"V2"}


def test_a_tube_noted_as_out_during_a_round_counts_at_once_in_bands_verdicts_and_suspects(tmp_path):
    with running(tmp_path) as (_bench, hub, worker, path):

        def said(panel, key):
            return hub.state().get(panel, {}).get(key)

        worker.post("pulled", {"pulled": "V1"})
        wait_for(lambda: said("notes", "words")
                 == "Not written down: as-found has not begun: name it where the survey is started.")  # fmt: skip
        assert said("notes", "done") == ""
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: said("step", "over"))
        rows = {row["point"]: row for row in hub.state()["taken"]["readings"]}
        assert rows["V1.1"]["verdict"] == "agrees"
        ended = hub.state()["step"]["prompt"]
        assert "V1.1" not in ended
        wait_for(lambda: said("suspects", "settled") and said("suspects", "points") == len(rows))
        assert not any("noted as out" in words for words in hub.state()["suspects"]["asked"])
        worker.post("pulled", {"pulled": "V9"})
        wait_for(lambda: said("notes", "words") == "Not written down: no socket V9; there are V1 V2")
        worker.post("pulled", {"pulled": "V1"})
        wait_for(lambda: said("job", "stood") == "V1 out of circuit")
        rows = wait_for(
            lambda: (
                (now := {row["point"]: row for row in hub.state()["taken"]["readings"]})["V1.1"]["verdict"] == "low"
                and now
            )
        )
        assert len(rows) == len(hub.state()["taken"]["readings"])
        wait_for(lambda: "V1.1" in hub.state()["step"]["prompt"])
        wait_for(lambda: any("V1 is noted as out" in words for words in said("suspects", "asked") or []))
        wait_for(lambda: said("suspects", "settled"))
        with open_job(path, read_only=True) as job:
            assert job.read_pass("as-found").pulled == ("V1",)
            assert job.read_pass("as-found").events[-1].text == "V1 out of circuit, before this note all in circuit"
        worker.post("pulled", {"pulled": "none"})
        wait_for(lambda: hub.state()["step"]["prompt"] == ended)
        wait_for(lambda: not any("noted as out" in words for words in said("suspects", "asked") or []))
        wait_for(lambda: said("suspects", "suspects") and said("suspects", "suspects")[0]["part"] == "C2")
        assert [socket["out"] for socket in hub.state()["notes"]["sockets"]] == [False, False]


def test_another_pass_is_begun_on_the_page_and_both_make_one_answer(tmp_path):
    """With a tube out, as the answer asks for, and back: nobody goes to the terminal between."""
    with running(tmp_path) as (_bench, hub, worker, path):

        def said(panel, key):
            return hub.state().get(panel, {}).get(key)

        def points():
            return [row["point"] for row in hub.state()["taken"]["readings"]]

        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: len(points()) >= 3)
        worker.post("start", {"mains_v": "231", "pass": "as-found"})
        wait_for(
            lambda: said("alarm", "words") == "as-found is being surveyed: go on with it, or name another pass"
        )
        worker.post("start", {"mains_v": "231", "pass": " "})  # "Begin another pass", and no name for it
        wait_for(lambda: said("alarm", "words").startswith("Name the pass: a new name begins another"))
        worker.post("start", {"mains_v": "231", "pass": "v2-out ", "pulled": "V2", "changed": "C99"})
        wait_for(lambda: "no part C99" in said("alarm", "words"))
        assert said("job", "pass") == "as-found"
        worker.post("start", {"mains_v": "231", "pass": "v2-out ", "pulled": "V2", "glow": True})
        wait_for(lambda: said("job", "pass") == "v2-out")
        first = points()
        with open_job(path, read_only=True) as job:
            found = len(job.read_pass("as-found").readings)
            assert job.read_pass("v2-out").pulled == ("V2",)
        assert said("job", "stood") == "V2 out of circuit"
        assert len(first) < found
        counted = [
            "Counted together: as-found (all in circuit), v2-out (V2 out of circuit); the next reading is asked "
            "for as in v2-out."
        ]
        # An answer on the way as the pass was taken up may still come, and the next replaces it.
        wait_for(lambda: (said("suspects", "points") or 0) >= 2 and said("suspects", "counted") == counted)
        worker.post("start", {"mains_v": "231", "pass": "as-found", "pulled": "", "glow": True})
        wait_for(lambda: said("job", "pass") == "as-found")
        assert said("job", "stood") == ""
        wait_for(lambda: len(points()) >= found)
        with open_job(path, read_only=True) as job:
            out = len(job.read_pass("v2-out").readings)
        worker.post("changed", {"parts": "C2=22n"})
        wait_for(lambda: said("notes", "words") == "Written down before as-found: C2.")
    with open_job(path, read_only=True) as job:
        assert len(job.read_pass("as-found").readings) >= found
        assert len(job.read_pass("v2-out").readings) == out, "what came after belongs to the other pass"
        assert [e.subject for e in job.read_pass("as-found").events if e.kind == "part_replaced"] == ["C2"]


def test_a_part_goes_in_before_a_pass_and_not_before_readings_that_were_taken(tmp_path):
    with running(tmp_path, with_hands=False) as (_bench, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found", mains_v=231.0)
            job.add_reading("as-found", Reading(point="HT1", quantity="dc_v", value=249.5))
        worker.post("start", {"mains_v": "231", "changed": "C2=22n"})
        wait_for(lambda: "begin a pass of its own, such as after-C2" in hub.state()["alarm"]["words"])
        worker.post("start", {"mains_v": "231", "changed": "C2=22n", "pass": "a\nb"})
        wait_for(lambda: "printable characters" in hub.state()["alarm"]["words"])
        worker.post("start", {"mains_v": "231", "changed": "C2=22n", "pass": "after-C2"})
        wait_for(lambda: hub.state()["job"]["pass"] == "after-C2")
        wait_for(lambda: hub.state()["step"]["running"])
        begun = hub.state()["job"]["begun"]
        assert begun["as-found"] == {"mains_v": 231.0, "pulled": "", "read": True}
        assert begun["after-C2"] == {"mains_v": 231.0, "pulled": "", "read": False}
        # With a reading that a full disk did not take nothing is begun, until it is kept or left.
        full = SimpleNamespace(
            not_kept=StoreError("the disk is full"), phase=Phase.NOT_KEPT, step=None, sample=lambda _: []
        )
        worker._machine = full
        worker.post("start", {"mains_v": "231", "pass": "next"})
        wait_for(lambda: "not on disk yet" in hub.state()["alarm"]["words"])
        full.phase = Phase.DONE
        worker.post("start", {"mains_v": "231", "pass": "next"})
        wait_for(lambda: hub.state()["job"]["pass"] == "next")
    with open_job(path, read_only=True) as job:
        assert [event.subject for event in job.read_pass("after-C2").events] == ["C2"]
        assert job.read_pass("as-found").events == ()


def test_a_point_is_watched_on_the_page_with_marks_until_it_is_ended(tmp_path):
    with running(tmp_path) as (bench, hub, worker, path):
        worker.post("start", {"mains_v": "231", "watch": {"point": "V1.99"}})
        wait_for(lambda: "no point V1.99" in hub.state()["alarm"]["words"])
        # Refused for a pass with something else out, nothing is begun and the chassis stands as before.
        worker.post("start", {"pass": "v2-out", "pulled": "V2", "mains_v": "231", "watch": {"point": "V2.99"}})
        wait_for(lambda: "no point V2.99" in hub.state()["alarm"]["words"])
        assert hub.state()["job"]["passes"] == []
        worker.post("start", {"pass": "a\nb", "pulled": "V2", "mains_v": "231", "watch": {"point": "V1.8"}})
        wait_for(lambda: "printable characters" in hub.state()["alarm"]["words"])
        assert worker._hand.chassis.pulled == ()
        worker.post("start", {"mains_v": "231", "watch": {"point": "V1.8", "above": "1,5"}})
        wait_for(lambda: len(hub.state().get("course", {}).get("columns", ())) >= 2)
        assert hub.state()["step"]["title"] == "V1 pin 8"
        worker.post("gain", {"stage": "first", "mode": "single", "drive_pp_v": 0.1})
        wait_for(lambda: "a point is being watched" in hub.state()["alarm"]["words"])
        worker.post("start", {"mains_v": "231"})
        wait_for(lambda: "end that first" in hub.state()["alarm"]["words"])
        worker.post("confirm", {})
        wait_for(lambda: any("mark 1 at 1.9" in words for words in hub.state()["course"]["told"]))
        told = hub.state()["course"]["told"]
        assert any("above 1.500 V, the limit that was set" in words for words in told)
        assert not any("High voltage kills" in words for words in told)
        assert "the limit that was set" in hub.state()["step"]["hazard"]  # and stands while it is beyond
        bench.links["meter"].refuse()
        bench.links["meter"].drop()
        wait_for(lambda: hub.state()["meter"]["link"] == "lost")
        worker.post("end", {})  # no meter is needed for that
        wait_for(lambda: hub.state()["step"].get("over"))
        bench.links["meter"].refuse(False)
        wait_for(lambda: hub.state()["meter"]["link"] == "good")
        assert re.match(r"Watched V1\.8 for 0:\d\d", hub.state()["step"]["prompt"])
        over = hub.state()["step"]  # the digits are of wherever the lead is now
        assert (over["function"], over["base_words"], over["tube"], over["pin"]) == ("", "", None, None)
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: hub.state()["taken"]["readings"])
    with open_job(path, read_only=True) as job:
        kept = job.read_pass("as-found")
    assert len(kept.watched) >= 2
    assert kept.watched[-1].mean_v == pytest.approx(1.96, rel=0.02)
    assert [event.kind for event in kept.events] == ["watched", "watched"]


def test_the_course_of_hours_keeps_its_reach_in_few_columns():
    machine = SimpleNamespace(steps=[SurveyStep(point="V1.8", function="cathode")], index=0, has_warned=False)
    hub = Hub()
    panel = CoursePanel(hub)
    panel.begin(machine, SimpleNamespace(sockets={}))
    facts = {"point": "V1.8", "begun_utc": "", "span_s": 1.0, "mean_v": 2.0, "highest_v": 2.1, "samples": 4}
    for second in range(1, 801):
        low_v = 0.5 if second == 234 else 1.9
        panel.stretch(Stretch(end_s=float(second), lowest_v=low_v, **facts))
    columns = hub.state()["course"]["columns"]
    assert len(columns) <= 240
    assert columns[-1][0] == pytest.approx(800 / 60, abs=0.01)
    [(end_min, _, mean_v, _)] = [column for column in columns if column[1] == 0.5]
    assert end_min == pytest.approx(234 / 60, abs=0.1)
    assert mean_v == 2.0
    panel.begin(machine, SimpleNamespace(sockets={}))
    for second in range(1, 800):
        panel.stretch(Stretch(end_s=float(second), lowest_v=0.5 if second == 241 else 1.9, **facts))
    assert [column[1] for column in hub.state()["course"]["columns"]].count(0.5) == 1  # when columns grow wider too


def test_what_kept_a_clip_from_its_point_is_not_said_any_more_once_it_is_over():
    machine = SimpleNamespace(
        steps=[SurveyStep(point="V1.8", function="cathode")], index=0, has_warned=False, phase=Phase.VERIFYING
    )
    panel = CoursePanel(Hub())
    panel.begin(machine, SimpleNamespace(sockets={}))
    hazards = []
    for kind, text in (("CAUTION", "Still 45 V here."), ("ASK", "Clip the lead on V1.8.")):
        panel.show(Action(kind=ActionKind[kind], text=text), machine)
        panel.publish()
        hazards.append(panel.hub.state()["step"]["hazard"])
    assert hazards[0] == "Still 45 V here."
    assert "Still" not in hazards[1]
