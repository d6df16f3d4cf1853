"""``stagewalk watch`` on the simulated bench: clipped on with the power off, kept from switch-on, marked by key."""

import csv
import math
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from acquisition import clock
from acquisition.probing import Key
from acquisition.simulated.bench import SimulatedBench
from acquisition.store import open_job
from analysis.app import survey_screen
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table
from analysis.report.watched import watches_of


class Keys:
    """A key a sample, as a person would press them; what they do at the bench goes with the words asked."""

    is_terminal, ended = False, False

    def __init__(self, wiring, after):
        self.wiring, self.after, self.pressed, self.switched_s = wiring, after, 0, math.inf

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def forget(self):
        pass

    def next(self):
        self.pressed += 1
        if self.pressed <= 6:  # black lead, discharged, looked at, clipped on, hands away, then the switch
            return Key.SPACE
        now_s = self.wiring.clock.monotonic_s()
        if self.pressed == 8:  # "Space first, then switch on": what was read before belongs to the watch
            self.wiring.switch(True)
            self.switched_s = now_s
        return self.after(now_s - self.switched_s)


@pytest.fixture
def watched(tmp_path, monkeypatch):
    """Run the verb for a point with keys of the test's own; its exit code and job."""
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        file = bench.write(tmp_path / "bench.yaml")

        def run(point, *options, after=lambda on_s: None):
            bench.wiring.switch(False)
            bench.wiring.lead.move([(bench.wiring.clock.monotonic_s(), point)])
            monkeypatch.setattr(survey_screen, "keyboard", lambda: Keys(bench.wiring, after))
            job = tmp_path / "amp.stagewalk"
            given = [job, point, "--chassis", "quayside-five", "--bench", file, *options]
            return main(["watch", *map(str, given)]), job

        yield run


def test_a_watch_is_kept_second_by_second_with_its_marks_and_goes_into_a_table(
    watched, tmp_path, capsys, monkeypatch
):
    marks = [Key.SPACE]

    def after(on_s):
        if on_s > 0.5:  # the date is put right in the middle of it
            moment = datetime(2031, 1, 1, tzinfo=UTC)
            monkeypatch.setattr(clock, "datetime", SimpleNamespace(now=lambda _: moment))
        return marks.pop() if marks and on_s > 1.0 else None

    code, path = watched("V1.8", "--mains", "231", "--minutes", "0.05", "--above", "1.5", after=after)
    told = capsys.readouterr().out
    assert code == 0, told
    assert "Space first, then switch on" in told
    assert " V is above 1.500 V, the limit that was set." in told
    assert "V1.8 mark 1 at 1.9" in told
    assert "not settled" not in told
    with open_job(path, read_only=True) as job:
        kept = job.read_pass("as-found")
    assert {stretch.point for stretch in kept.watched} == {"V1.8"}
    assert kept.watched[-2].end_s < 3.0 <= kept.watched[-1].end_s
    assert kept.watched[-1].mean_v == pytest.approx(1.96, rel=0.02)  # its C2 leaks
    assert kept.watched[0].lowest_v < 1.0  # it rose
    assert [event.kind for event in kept.events] == ["watched", "watched"]
    assert [len(watch.events) for watch in watches_of([kept])] == [2]  # each at its place in the course
    assert not kept.readings  # three seconds settle nothing
    table = tmp_path / "watched.csv"
    assert main(["export", str(path), "--watched", str(table)]) == 0
    with table.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(kept.watched)
    assert float(rows[-1]["mean_v"]) == kept.watched[-1].mean_v
    assert rows[0]["pass_name"] == "as-found"
    assert rows[0]["point"] == "V1.8"


@pytest.mark.parametrize(
    ("point", "options", "words"),
    [
        ("V1.77", [], "no point V1.77; there are"),
        ("V1.4", ["--mains", "231"], "V1.4 is a heater pin: its volts are AC"),
        ("V1.6", [], "V1.6 is left out: it can reach"),
        (
            "V1.8",
            ["--above", "1", "--below", "2"],
            "the upper limit, 1 V, is not above the lower one",
        ),
        ("V1.8", ["--above", "40000"], "expected volts between -5000 and 5000"),
        ("V1.8", ["--minutes", "nan"], "expected minutes as a number, got nan"),
        ("V1.8", ["--minutes", "0"], "0.0 is not in the range x>0"),
    ],
)
def test_what_cannot_be_watched_is_refused_before_anything_is_asked(watched, capsys, point, options, words):
    code, _ = watched(point, *options)
    caught = capsys.readouterr()
    assert code == 2
    assert words in " ".join(caught.err.replace("│", " ").split())
    assert "Space" not in caught.out
