"""What the job or a file refuses while the page runs is one line in the tabs, and the bench thread goes on.

Each call of the job that a command makes fails in turn, the first, the second and so on, until none is left.
"""

import inspect
import threading
import time
from contextlib import contextmanager
from itertools import count

import pytest
from sqlalchemy import event

from acquisition.errors import ConfigError, Problem, StoreError
from acquisition.store import Job, open_job
from analysis.app.page import worker as page_worker
from analysis.app.page.thinking import Thinker
from analysis.app.signal.session import GENERATOR_ON
from tests.analysis.app.test_page_worker import running, wait_for

FULL = StoreError("amp.stagewalk: not kept: the disk is full", hint="free some space")
CALLS = ["add_event", "describe", "passes", "read_pass", "sheet", "start_pass", "states"]
OF_A_GAIN = [
    *(("add_capture", 1), ("add_readings", 1), ("add_event", 1), ("add_event", 2)),
    *(("passes", nth) for nth in (1, 2, 3)),
    *(("read_pass", nth) for nth in (1, 2, 3)),
]
START = {"mains_v": "231", "changed": "V1", "glow": True}
GAIN = {"stage": "first", "drive_pp_v": "0.1", "freq_hz": "1k", "run": "single", "load_present": True}


@contextmanager
def failing(call, nth):
    """Let the nth call of a method of the job fail that the bench thread makes; gives what failed so far."""
    failed, calls, sound = [], count(1), inspect.getattr_static(Job, call)
    plain = sound.fget if isinstance(sound, property) else sound

    def method(self, *args, **keywords):
        if threading.current_thread().name == "bench" and next(calls) == nth:
            failed.append(call)
            raise FULL
        return plain(self, *args, **keywords)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Job, call, property(method) if isinstance(sound, property) else method)
        yield failed


def heard(hub):
    """All that is published from now on, as one growing list of texts."""
    words, publish = [], hub.publish

    def note(panel, content):
        words.append(str(content))
        publish(panel, content)

    hub.publish = note
    return words


def sent_through(hub, worker, path):
    """Wait until the thread is through with what was asked: a serial number sent now is written down."""
    mark = f"{time.monotonic_ns()}"

    def is_written():
        worker.post("intake", {"serial": mark})
        time.sleep(0.05)
        with open_job(path, read_only=True) as job:
            return job.sheet.serial == mark

    wait_for(is_written)


def ask_gain(hub, worker, **other):
    hub.publish("gain", {"notices": []})
    worker.post("gain", {**GAIN, **other})
    worker.post("placed", {})
    wait_for(lambda: hub.state()["gain"].get("running") is False)


def ask(hub, worker, path, command, body):
    if command == "gain":
        ask_gain(hub, worker)
    else:
        worker.post(command, body)
    sent_through(hub, worker, path)


def fail_each_call(hub, worker, path, call, command, body):
    words = heard(hub)
    for nth in count(1):
        del words[:]
        with failing(call, nth) as failed:
            ask(hub, worker, path, command, body)
        if not failed:
            return
        assert any("the disk is full" in told for told in words), (call, nth)


@pytest.mark.parametrize(
    ("command", "body"),
    [
        ("intake", {"customer": "M. Okafor"}),
        ("note", {"text": "crackles"}),
        ("changed", {"parts": "C2=22n"}),
    ],
)
def test_what_a_command_cannot_keep_or_read_is_told_and_the_thread_goes_on(tmp_path, command, body):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found")
        for call in CALLS:
            fail_each_call(hub, worker, path, call, command, body)
    with open_job(path, read_only=True) as job:
        kept = job.read_pass("as-found")
        assert {
            "intake": job.sheet.customer == "M. Okafor",
            "note": any(event.text == "crackles" for event in kept.events),
            "changed": [event.subject for event in kept.events] == ["C2"],
        }[command]


def test_what_a_gain_cannot_keep_or_read_ends_it_with_the_generator_off(tmp_path):
    with running(tmp_path) as (bench, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found")
        words = heard(hub)
        for call, nth in OF_A_GAIN:
            del words[:]
            with failing(call, nth) as failed:
                ask(hub, worker, path, "gain", GAIN)
            assert failed == [call], nth
            assert any("the disk is full" in told for told in words), (call, nth)
            assert not bench.generator.output


def test_on_a_full_disk_the_lamp_says_what_the_generator_confirmed_and_the_job_learns_of_it_later(
    tmp_path, monkeypatch
):
    most_pages = [1_000_000]
    add_capture = Job.add_capture

    def fill_the_disk(job, *arguments):
        most_pages[0] = 1  # no more than there are already
        add_capture(job, *arguments)

    with running(tmp_path) as (bench, hub, worker, path):

        @event.listens_for(worker._job._tables._engine, "checkout")  # a connection of the pool keeps its own limit
        def limit(connection, *_):
            connection.execute(f"PRAGMA max_page_count = {most_pages[0]}")

        with monkeypatch.context() as patch:
            patch.setattr(Job, "add_capture", fill_the_disk)
            ask_gain(hub, worker)
        state = hub.state()
        assert "the disk is full" in state["gain"]["progress"]
        assert not bench.generator.output
        assert state["generator"] == {"on": False, "known": True, "words": "off"}
        most_pages[0] = 1_000_000
        ask_gain(hub, worker)
        assert hub.state()["gain"]["progress"] == "Done. The generator is off."
        assert hub.state()["gain"]["notices"] == []
    with open_job(path, read_only=True) as job:
        told = [e for e in job.read_pass("as-found").events if e.kind == "state"]
    assert [e.text.startswith(GENERATOR_ON) for e in told] == [True, False, True, False]
    assert [e.taken_utc for e in told] == sorted(e.taken_utc for e in told)


def test_where_the_scope_does_not_answer_the_lamp_says_what_the_generator_confirmed(tmp_path):
    with running(tmp_path) as (bench, hub, worker, _):
        known, publish = [], hub.publish

        def note(panel, content):
            if panel == "gain" and content.get("running") is False:
                known.append(hub.state()["generator"]["known"])
            publish(panel, content)

        hub.publish = note
        bench.links["scope"].refuse()
        ask_gain(hub, worker)
        assert hub.state()["generator"] == {"on": False, "known": True, "words": "off"}
        bench.links["generator"].refuse()
        ask_gain(hub, worker)
        assert known == [True, False], "the lamp says so before the run is told to be over"


def test_stop_is_heard_at_the_next_record_and_not_only_when_a_gain_is_averaged(tmp_path, monkeypatch):
    """A drive so small that one frequency takes many records."""
    add_capture = Job.add_capture

    def stopping(job, *arguments):
        add_capture(job, *arguments)
        worker.post("stop", {})

    monkeypatch.setattr(Job, "add_capture", stopping)
    with running(tmp_path) as (bench, hub, worker, path):
        ask_gain(hub, worker, drive_pp_v="0.002")
        assert hub.state()["gain"]["progress"].startswith("Stopped")
        assert hub.state()["generator"] == {"on": False, "known": True, "words": "off"}
        assert not bench.generator.output
        with open_job(path, read_only=True) as job:
            assert len(job.read_pass("as-found").captures) == 2, "both channels of one shot"


@pytest.mark.parametrize("call", CALLS)
def test_a_survey_that_cannot_begin_leaves_none_half_begun(tmp_path, call):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        fail_each_call(hub, worker, path, call, "start", START)
        worker.post("start", START)
        wait_for(lambda: hub.state()["step"]["running"])
        worker.post("confirm", {})
        wait_for(lambda: hub.state()["step"].get("point"))
    with open_job(path, read_only=True) as job:
        kept = job.read_pass("as-found")
    assert (kept.mains_v, [event.subject for event in kept.events]) == (231.0, ["V1"])


def test_a_remark_that_is_not_kept_stops_no_measurement_and_stays_in_sight(tmp_path):
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found")
        worker.post("gain", GAIN)
        wait_for(lambda: hub.state()["gain"].get("waiting"))
        with failing("add_event", 1) as failed:
            worker.post("note", {"text": "crackles"})
            said = wait_for(lambda: hub.state()["notes"]["words"])
        assert failed
        assert said == f"Not written down (crackles): {FULL}: {FULL.hint}"
        with failing("describe", 1):
            worker.post("intake", {"customer": "M. Okafor"})
            wait_for(lambda: hub.state()["notes"]["words"] == f"Not written down: {FULL}: {FULL.hint}")
        assert hub.state()["notes"]["sheet"]["customer"] == "M. Okafor", "the form keeps what was typed"
        assert hub.state()["gain"]["waiting"]
        worker.post("stop", {})
        wait_for(lambda: hub.state()["gain"]["progress"].startswith("Stopped"))


@pytest.mark.parametrize("call", ["add_reading", "read_pass", "states"])
def test_a_reading_that_was_kept_is_announced_though_the_job_is_not_read_after_it(tmp_path, call):
    with running(tmp_path) as (_, hub, worker, path):
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(lambda: len(hub.state()["taken"]["readings"]) >= 2)
        words = heard(hub)
        with failing(call, 1) as failed:
            wait_for(lambda: failed)
        assert wait_for(lambda: any("the disk is full" in told for told in words))
        if call == "add_reading":
            worker.post("confirm", {})  # "Space tries again"
        count_then = len(hub.state()["taken"]["readings"])
        wait_for(lambda: len(hub.state()["taken"]["readings"]) > count_then + 1)
        wait_for(lambda: hub.state()["step"].get("prompt", "").startswith("Touch"))

        def all_announced():  # the survey goes on: one may just have been kept
            with open_job(path, read_only=True) as job:
                kept = {reading.point for reading in job.read_pass("as-found").readings}
            return {row["point"] for row in hub.state()["taken"]["readings"]} == kept

        wait_for(all_announced)


def test_a_job_or_a_dialect_that_cannot_be_read_for_a_while_is_tried_again(tmp_path, monkeypatch):
    """The worker opens the job once more after its own start, and a file of a dialect at every try of the meter."""
    monkeypatch.setattr(page_worker, "RETRY_S", 0.1)
    wrong = ConfigError.from_problems([Problem("meter.yaml", 3, "read", "expected a command")])
    opened, refused = [page_worker.open_job, page_worker.open_meter], []

    def at_first(index, error, times=2):
        def opening(*args, **keywords):
            if refused.count(index) < times:
                refused.append(index)
                raise error
            return opened[index](*args, **keywords)

        return opening

    monkeypatch.setattr(page_worker, "open_job", at_first(0, FULL))
    monkeypatch.setattr(page_worker, "open_meter", at_first(1, wrong))
    with running(tmp_path, with_hands=False) as (_, hub, _, _):
        assert refused == [0, 0, 1, 1]
        assert hub.state()["alarm"]["words"] == ""


def test_nothing_that_was_typed_is_cut(tmp_path):
    """A complaint of more than 2,000 letters, of the terminal, lost its end when the page wrote the name."""
    long = "It hums, " * 700
    with running(tmp_path, with_hands=False) as (_, hub, worker, path):
        with open_job(path) as job:
            job.start_pass("as-found")
        worker.post("intake", {"complaint": long, "customer": "M. Okafor"})
        worker.post("note", {"text": long})
        sent_through(hub, worker, path)
        assert hub.state()["notes"]["sheet"]["complaint"] == long.strip()
        with open_job(path, read_only=True) as job:
            assert job.sheet.complaint == long.strip()
            assert [event.text for event in job.read_pass("as-found").events] == [long.strip()]


def test_suspects_that_cannot_be_worked_out_are_told_and_the_next_reading_is_weighed_again(
    tmp_path, monkeypatch, capfd
):
    """Of a mistake of the program too: the list said for ever that it weighs the newest reading."""
    whole, failed = Thinker._answer, []

    def at_first(self, read):
        if not failed:
            failed.append(read)
            raise ZeroDivisionError
        whole(self, read)

    monkeypatch.setattr(Thinker, "_answer", at_first)
    with running(tmp_path) as (_, hub, worker, _):
        words = heard(hub)
        worker.post("start", {"mains_v": "231", "glow": True})
        wait_for(
            lambda: any("The suspects cannot be worked out: ZeroDivisionError. Look" in told for told in words)
        )
        wait_for(lambda: (hub.state()["suspects"]["points"] or 0) >= 2)
    assert "ZeroDivisionError" in capfd.readouterr().err
