"""A job of an earlier version, whose chassis file this one refuses: nothing is lost, and it can be put right."""

import pytest

from acquisition.configs import find_config
from acquisition.errors import StoreError
from acquisition.records import Event, Reading
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.page.in_hand import PassInHand
from analysis.app.page.views import views_of

TEXT = find_config("chassis", "quayside-five").read_text(encoding="utf-8")
BENCH = find_config("benches", "example").read_text(encoding="utf-8")
OLD = {
    "cathode on a capacitor": (
        "R2: 1k5    V1.3  gnd",
        "R2: 1k5    V1.2  gnd",
        "carries the current of this cathode",
    ),
    "turns for impedances": ("[5k, 8]", "[25, 1]", "expected impedances in ohms"),
    "no load": ("  RL: 8      SPK   gnd\n", "", "its load is a part too"),
    "point for thousands": ("R9: 10k ", "R9: 10.000 ", "10.000 is 10 here"),
}
READ = {
    "as-found": {"HT1": 249.5, "V1.6": 96.4, "V1.8": 1.96},
    "after-C2": {"HT1": 249.6, "V1.6": 154.5, "V1.8": 1.13},
}


@pytest.fixture(params=OLD)
def old(request, tmp_path):
    """The job, as the store of then wrote it, and what is said of its chassis file today."""
    right, wrong, said = OLD[request.param]
    assert TEXT.count(right) == 1
    path = tmp_path / "amp.stagewalk"
    with create_job(path, "quayside-five", TEXT.replace(right, wrong), BENCH) as job:
        for name, volts in READ.items():
            job.start_pass(name, mains_v=231.0)
            job.add_event(name, Event(kind="note", text=f"note of {name}"))
            for point, value in volts.items():
                job.add_reading(name, Reading(point=point, quantity="dc_v", value=value, std=0.01, quality="good"))
    return path, said


def told(capsys, *arguments, code):
    capsys.readouterr()
    assert main(list(map(str, arguments))) == code
    both = capsys.readouterr()
    return " ".join((both.out + both.err).split())


def test_every_command_says_what_to_do_or_does_without(old, tmp_path, capsys):
    path, said = old
    before = path.read_bytes()
    for refused in (
        ["check", path], ["suspects", path], ["page", path, "--no-browser"], ["survey", path],
        ["gain", path, "first"], ["note", path, "--replaced", "C2"],
    ):  # fmt: skip
        words = told(capsys, *refused, code=2)
        assert said in words, refused
        assert "stagewalk note JOB --chassis FILE" in words, refused
    with open_job(path) as job:  # what a page that is open already asks for
        hand, reason = PassInHand.of(job, "as-found")
        assert hand is None
        assert said in reason
    assert path.read_bytes() == before
    assert "V1.6 DC" in told(capsys, "compare", path, "as-found", "after-C2", code=0)
    assert "V1.6 DC" in str(views_of(path).compare("as-found", "after-C2"))
    told(capsys, "report", path, "--out", tmp_path / "r.html", code=0)
    report = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert said in report.replace("&#39;", "'")
    assert "96.400" in report
    table = told(capsys, "export", path, code=0)
    assert all(
        f"{name},{point},dc_v,{value}," in table for name, found in READ.items() for point, value in found.items()
    )
    told(capsys, "note", path, "hums still", "--customer", "M. Okafor", code=0)
    with open_job(path, read_only=True) as job:
        assert [event.text for event in job.read_pass("after-C2").events] == ["note of after-C2", "hums still"]
        assert job.sheet.customer == "M. Okafor"


def test_it_is_put_right_and_what_it_said_is_written_down(old, tmp_path, capsys):
    path, said = old
    file = tmp_path / "mine.yaml"
    assert told(capsys, "export", path, "--chassis", file, code=0) == f"wrote the chassis file to {file}"
    with open_job(path, read_only=True) as job:
        kept = job.sheet.chassis_text
    assert file.read_text(encoding="utf-8") == kept
    assert said in told(capsys, "note", path, "--chassis", file, code=2), "as wrong as it was"
    file.write_text(TEXT, encoding="utf-8")
    words = told(capsys, "note", path, "--chassis", file, code=0)
    assert words.startswith("chassis file put right, 1 place: ")
    assert "C2" in told(capsys, "suspects", path, "--pass", "as-found", code=0)
    with open_job(path, read_only=True) as job:
        assert job.sheet.chassis_text == TEXT
        assert job.sheet.bench_text == BENCH
        note = job.read_pass("after-C2").events[-1].text
        assert [len(job.read_pass(name).readings) for name in READ] == [3, 3]
    assert note.startswith("chassis file put right: line ")
    changed = set(kept.splitlines()) ^ set(TEXT.splitlines())
    assert changed
    assert all(line.strip() in note for line in changed), "neither text is lost"
    assert "keeps this chassis file already" in told(capsys, "note", path, "--chassis", file, code=0)


def test_the_file_of_another_chassis_is_refused(old, tmp_path, capsys):
    path, _ = old
    with open_job(path) as job:
        job.add_event("after-C2", Event(kind="part_replaced", subject="C8"))
        kept = job.sheet
    words = told(capsys, "note", path, "--chassis", "bench-6c4", code=2)
    assert "V1.8" in words  # its only tube has seven pins
    file = tmp_path / "mine.yaml"
    file.write_text(TEXT.replace("C8: 22u", "C9: 22u"), encoding="utf-8")
    words = told(capsys, "note", path, "--chassis", file, code=2)
    assert "mine.yaml has no C8, and" in words
    with open_job(path, read_only=True) as job:
        assert job.sheet == kept


def test_a_page_that_is_open_meanwhile_does_not_go_on_with_the_chassis_file_of_before(tmp_path):
    path = tmp_path / "amp.stagewalk"
    with create_job(path, "quayside-five", TEXT.replace("R9: 10k ", "R9: 12k ")) as job:
        job.start_pass("as-found", mains_v=231.0)
        hand, _ = PassInHand.of(job, "as-found")
        assert hand.weighable() is not None
        file = tmp_path / "mine.yaml"
        file.write_text(TEXT, encoding="utf-8")
        assert main(["note", str(path), "--chassis", str(file)]) == 0
        with pytest.raises(StoreError, match="this page still goes by the one before"):
            hand.weighable()
