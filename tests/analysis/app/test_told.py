"""What was told of a pass is kept in the job, and the report shows it as long as it stands on the same readings."""

import json
import queue
import re
import shutil
import sqlite3
from dataclasses import replace

import pytest

import analysis.compare
import analysis.suspects
from acquisition.errors import StoreError
from acquisition.records import Event, Reading, Told
from acquisition.store import Job, open_job
from analysis.app.cli import main
from analysis.app.modelled import Models
from analysis.app.page.thinking import Thinker
from analysis.app.passes import Taken
from analysis.app.together import stood
from analysis.app.told import SUSPECTS, as_told, basis_of, recall, remember
from analysis.suspects import Diagnoser, Diagnosis
from tests.analysis.app.test_suspects_verb import LEAK, kept, readings_with
from tests.analysis.app.test_suspects_verb import job as surveyed  # noqa: F401 - a fixture
from tests.analysis.app.test_suspects_verb import model as model


@pytest.fixture(scope="module")
def untold(tmp_path_factory, surveyed):  # noqa: F811 - the fixture
    path = shutil.copy(surveyed, tmp_path_factory.mktemp("job") / "line.stagewalk")
    with open_job(path) as opened:
        opened.add_event("after-C2", Event(kind="part_replaced", subject="C2"))
    return path


@pytest.fixture
def job(untold, tmp_path):
    return shutil.copy(untold, tmp_path / "line.stagewalk")


@pytest.fixture
def nothing_is_worked_out(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise AssertionError("worked out again")

    def forbid():
        monkeypatch.setattr(analysis.suspects, "Diagnoser", refuse)
        monkeypatch.setattr(analysis.compare, "replaced_values", refuse)

    return forbid


def basis(path, name):
    with open_job(path, read_only=True) as opened:
        return basis_of(opened.sheet, [opened.read_pass(name)], opened.work_done(name))


def test_the_report_shows_what_suspects_and_compare_told(job, nothing_is_worked_out, capsys):
    assert main(["suspects", str(job), "--pass", "as-found", "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["suspects"][0]
    assert main(["compare", str(job), "as-found", "after-C2"]) == 0
    nothing_is_worked_out()
    assert main(["report", str(job)]) == 0
    page = job.with_suffix(".html").read_text("utf-8")
    assert (first["part"], first["fault"]) == ("C2", "leaky")
    (shown,) = re.findall(r'C2 leaky</th><td class="num">([\d.]+) %', page)
    assert float(shown) == pytest.approx(
        100 * first["probability"], abs=0.0551
    )  # to a tenth there, a hundredth here
    assert "UTC</span> by stagewalk" in page
    assert "C2 measured in circuit" in page or "leak resistance" in page


def test_a_report_keeps_what_it_told_and_says_the_same_again(job, nothing_is_worked_out):
    assert main(["report", str(job)]) == 0
    page = job.with_suffix(".html").read_bytes()
    nothing_is_worked_out()
    assert main(["report", str(job)]) == 0
    assert job.with_suffix(".html").read_bytes() == page


def test_another_reading_takes_the_ground_from_an_answer(job, model):
    assert main(["report", str(job)]) == 0
    before = basis(job, "as-found")
    with open_job(job) as opened:
        assert recall(opened, "as-found", SUSPECTS, before, Diagnosis) is not None
        opened.add_reading("as-found", readings_with(model, LEAK)[0])
    with open_job(job, read_only=True) as opened:
        assert recall(opened, "as-found", SUSPECTS, basis(job, "as-found"), Diagnosis) is None


def test_mains_put_right_take_the_ground_from_an_answer(job):
    before = basis(job, "as-found")
    answer = Diagnosis(healthy_probability=1.0, suspects=(), next=(), notes=())
    assert remember(str(job), "as-found", SUSPECTS, before, answer)
    with open_job(job, read_only=True) as opened:
        assert recall(opened, "as-found", SUSPECTS, basis(job, "as-found"), Diagnosis) is not None
        mains_v = opened.read_pass("as-found").mains_v
    assert main(["note", str(job), "--pass", "as-found", "--mains", "241.5"]) == 0
    with open_job(job, read_only=True) as opened:
        assert opened.read_pass("as-found").mains_v == 241.5 != mains_v
        assert recall(opened, "as-found", SUSPECTS, basis(job, "as-found"), Diagnosis) is None


@pytest.mark.parametrize(
    "event",
    [
        Event(kind="part_measured", subject="R2", value=1e5),
        Event(kind="part_replaced", subject="R2"),
        Event(kind="tube_swapped", subject="V1"),
    ],
)
def test_work_takes_the_ground_from_an_answer_of_its_pass_and_of_later_ones(job, event):
    names = ("as-found", "after-C2")
    before = [basis(job, name) for name in names]
    with open_job(job) as opened:
        opened.add_event("as-found", event)
    for name, old in zip(names, before, strict=True):
        assert basis(job, name) != old


@pytest.mark.parametrize("kind", ["note", "state", "confirmation"])
def test_what_changes_no_part_leaves_an_answer_its_ground(job, kind):
    before = basis(job, "as-found")
    with open_job(job) as opened:
        opened.add_event("as-found", Event(kind=kind, subject="V1", text="crackles"))
    assert basis(job, "as-found") == before


def test_an_answer_comes_back_equal(job, model):
    with open_job(job, read_only=True) as opened:
        readings = opened.read_pass("as-found").readings
    answer = Diagnoser(model, [r.measurand for r in readings]).diagnose(readings)
    assert remember(str(job), "as-found", SUSPECTS, "here", answer).told_utc
    with open_job(job, read_only=True) as opened:
        found, told = recall(opened, "as-found", SUSPECTS, "here", Diagnosis)
        assert recall(opened, "after-C2", SUSPECTS, "here", Diagnosis) is None
        assert recall(opened, "as-found", SUSPECTS, "elsewhere", Diagnosis) is None
    assert found == answer
    assert told.program.startswith("stagewalk ")


def test_an_answer_of_another_form_is_left(job):
    with open_job(job) as opened:
        for body in ("no JSON at all", '{"healthy_probability": "often"}', "[]"):
            opened.keep_told("as-found", Told(question=SUSPECTS, basis="here", body=body))
            assert recall(opened, "as-found", SUSPECTS, "here", Diagnosis) is None


def test_an_answer_that_cannot_be_read_is_left(job, monkeypatch):
    def told(*_):
        raise StoreError("answer 1 is not as it was written")

    with open_job(job) as opened:
        monkeypatch.setattr(opened, "told", told)
        assert recall(opened, "as-found", SUSPECTS, "here", Diagnosis) is None


def test_a_job_that_cannot_be_written_is_answered_all_the_same(tmp_path, job):
    answer = Diagnosis(healthy_probability=1.0, suspects=(), next=(), notes=())
    assert remember(str(tmp_path / "none.stagewalk"), "as-found", SUSPECTS, "here", answer) is None
    with open_job(job, read_only=True) as opened:
        job.unlink()
        assert as_told(opened, "as-found", SUSPECTS, "here", Diagnosis, lambda: answer) == (answer, None)


@pytest.fixture
def full(monkeypatch):
    """No answer can be kept; gives those that were to be."""
    refused = []

    def refuse(_job, pass_name, told):
        refused.append((pass_name, told.question))
        raise StoreError("line.stagewalk: not kept: the disk is full", hint="free some space")

    monkeypatch.setattr(Job, "keep_told", refuse)
    return refused


@pytest.mark.parametrize(
    ("verb", "passes"),
    [("suspects", ["--pass", "as-found"]), ("compare", ["as-found", "after-C2"])],
)
def test_on_a_full_disk_an_answer_is_told_as_ever_and_worked_out_anew_for_the_next_who_asks(
    job, capsys, full, verb, passes
):
    """Nothing is lost, and so no line is due: who asks later works the same out of the same readings."""
    said = []
    for again in range(2):
        assert main([verb, str(job), *passes]) == 0
        assert len(full) == again + 1
        said.append(capsys.readouterr())
    assert said[0] == said[1]
    assert said[0].err == ""
    assert "C2" in said[0].out
    with open_job(job, read_only=True) as opened:
        assert opened.told("as-found", SUSPECTS) is None


def test_a_page_that_ends_on_a_full_disk_ends_in_order(job, thinker, model, full):
    with open_job(job) as opened:
        thinker.weighed(kept(opened, "as-found", model))
        thinker.keep(opened, "as-found")
    assert full == [("as-found", SUSPECTS)]


def test_the_last_answer_counts_and_none_is_ever_changed(job):
    with open_job(job) as opened:
        for body in ("first", "second"):
            kept = opened.keep_told("as-found", Told(question="x", basis="b", body=body))
            assert kept.told_utc
        assert opened.told("as-found", "x").body == "second"
        assert opened.told("as-found", "y") is None
    with sqlite3.connect(job) as file, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        file.execute("UPDATE answer SET body = 'third'")
    file.close()


@pytest.fixture
def thinker(model):
    """Weighs readings as the page does; `weighed` waits until the list has settled."""
    told = queue.Queue()
    nothing = stood(Taken(labels={}, readings=()), Models(model))
    thinker = Thinker(nothing, [], 600.0, lambda *answer: told.put(answer))

    def weighed(read):
        thinker.ask(read)
        while not told.get(timeout=60)[2]:
            pass
        return thinker.settled[-1]

    thinker.weighed = weighed
    yield thinker
    thinker.end()


def test_the_page_keeps_the_suspects_as_they_stood_in_its_tabs(job, thinker, model):
    with open_job(job) as opened:
        read = kept(opened, "as-found", model)
        thinker.keep(opened, "as-found")
        fewer = replace(read.taken, readings=read.readings[:-1], basis="of fewer")
        thinker.weighed(stood(fewer, Models(model)))
        thinker.keep(opened, "as-found")
        assert opened.told("as-found", SUSPECTS) is None, "nothing was told yet, or not of all that was read"
        shown = thinker.weighed(read)
        thinker.keep(opened, "as-found")
        found, _ = recall(opened, "as-found", SUSPECTS, basis(job, "as-found"), Diagnosis)
    assert found == shown
    assert (found.suspects[0].part, found.suspects[0].fault) == ("C2", "leaky")


def test_a_part_changed_in_the_middle_of_a_pass_counts_from_then_on(job, thinker, model):
    with open_job(job) as opened:
        assert thinker.weighed(kept(opened, "as-found", model)).suspects[0].part == "C2"
        opened.add_event("as-found", Event(kind="part_measured", subject="C2", value=22e-9, std=1e-10))
        read = kept(opened, "as-found", model)
        found = thinker.weighed(read)
        thinker.keep(opened, "as-found")
        told, _ = recall(opened, "as-found", SUSPECTS, basis(job, "as-found"), Diagnosis)
    assert told == found
    assert [event.subject for event in thinker.settled[0].known] == ["C2", "mains"]


def test_the_page_weighs_a_sweep_as_well_as_direct_volts(job, thinker, model):
    with open_job(job, read_only=True) as opened:
        direct = kept(opened, "as-found", model)
    stage = next(iter(model.stages.values()))
    sweep = tuple(
        Reading(point=f"{stage.source}>{stage.target}", quantity="gain", value=2.0, freq_hz=hertz)
        for hertz in (55.0, 4400.0)
    )
    more = stood(replace(direct.taken, readings=(*direct.readings, *sweep)), Models(model))
    alone, both = thinker.weighed(direct), thinker.weighed(more)
    assert not any(note.startswith("not used") for note in both.notes)
    assert both.suspects != alone.suspects, "a gain of two says much about a stage"
