"""``stagewalk survey`` on the simulated bench, with piped keys; leaving at any moment; going on again."""

import itertools
import os
import subprocess
import sys

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.instruments.accuracy import AccuracyTable
from acquisition.instruments.samples import Sample
from acquisition.probing import ActionKind, Do, Key, Options, Probing, ProbingLimits
from acquisition.records import SurveyPlan, SurveyStep
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.hands import Hands
from acquisition.steady import MeterFacts, SteadyDetector
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table
from analysis.app.survey import run_survey
from tests.analysis.app.cables import Person


def stagewalk(*arguments):
    return subprocess.Popen(
        [sys.executable, "-c", "from analysis.app.entry import entry; entry()", "survey", *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUNBUFFERED": "1"},
    )


def test_a_survey_by_piped_spaces_is_on_disk_and_goes_on_where_it_was(tmp_path):
    job = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        hands = Hands(bench.wiring, seed=3, pace=0.2)
        file = bench.write(tmp_path / "bench.yaml")

        def play(process):
            def press(key):
                process.stdin.write(key)
                process.stdin.flush()

            person = Person(hands, press, last="V1.8")
            with process:
                for line in process.stdout:
                    person.hear(line)
            return process.returncode, person.told

        options = ["--mains", "231", "--tubes-glow", "--bench", file]
        code, told = play(stagewalk(job, "--chassis", "quayside-five", "--from", "V1.3", *options))
        assert code == 0, told
        with open_job(job, read_only=True) as opened:
            kept = {r.point: r for r in opened.read_pass("as-found").readings}
            assert opened.read_pass("as-found").mains_v == 231.0
        assert set(kept) == {"V1.3", "V1.8"}
        # 1.9604 V is what the table, solved by another program, holds for this point through 10 Mohm.
        assert kept["V1.8"].value == pytest.approx(1.9604, rel=1e-3)
        assert "high" in next(line for line in told if line.startswith("== V1.8"))
        hands.lift()
        with stagewalk(job, "--mains", "225", "--tubes-glow", "--from", "V1.8") as again:
            again.stdin.close()
            text = again.stdout.read()
        assert again.returncode == 0, text
        assert "2 points read before" in text
        assert "as-found was begun at 231 V mains and keeps that" in text
        assert ">>" not in text, "nothing is named before the preparation is confirmed"


def test_a_survey_ends_with_what_is_asked_before_its_readings_count(tmp_path):
    """The rail of a chassis at its full mains, with half of them written down."""
    job = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        hands = Hands(bench.wiring, seed=3, pace=0.2)
        options = ["--mains", "120", "--tubes-glow", "--bench", bench.write(tmp_path / "bench.yaml")]
        process = stagewalk(job, "--chassis", "quayside-five", "--from", "V1.8", *options)

        def press(key):
            process.stdin.write(key)
            process.stdin.flush()

        person = Person(hands, press, last="V1.8")
        with process:
            for line in process.stdout:
                person.hear(line)
    assert process.returncode == 0, person.told
    (asked,) = (line for line in person.told if "note: " in line)
    assert asked.startswith("note: mains 120 V where the drawing has 230 V: heaters are colder")


def short_plan():
    return SurveyPlan(
        chassis="two points",
        steps=tuple(
            SurveyStep(point=point, function="plate", expected_v=140.0, low_v=120.0, high_v=160.0, worst_v=200.0)
            for point in ("V1.1", "V1.6")
        ),
    )


def test_an_interrupt_at_any_moment_leaves_a_clean_job(tmp_path):
    facts = MeterFacts(accuracy=AccuracyTable.parse("0.5 % + 2 digits"), noise_digits=0.3)

    def play(path, stop_at):
        """Samples of two good touches; an interrupt at one of them."""
        rng = np.random.default_rng(7)
        shown = []

        def samples():
            volts = [0.0] * 40 + [141.0] * 15 + [0.0] * 5 + [139.0] * 15 + [0.0] * 5
            for index, level in enumerate(volts):
                if index == stop_at:
                    raise KeyboardInterrupt
                digit = 0.1 if level else 0.001
                noise = rng.normal(0, 0.03) if level else rng.normal(0, 0.006)
                value = round((level + noise) / digit) * digit
                yield Sample(t_s=0.1 * index, value_v=value, resolution_v=digit, range_v=6000 * digit)

        presses = itertools.chain([Key.SPACE, Key.SPACE], itertools.repeat(None))
        with create_job(path, "two points") as job:
            job.start_pass("as-found")
            machine = Probing(
                short_plan(),
                ProbingLimits(meter_rated_v=1000.0, lead_rated_v=1000.0),
                SteadyDetector(facts),
                lambda reading: job.add_reading("as-found", reading),
                lambda: "2026-01-01T00:00:00.000Z",
                Options(),
            )
            if stop_at is None:
                cautions = iter(["plate over its rating", ""])
                run_survey(machine, samples(), lambda: next(presses), shown.append, None, lambda: next(cautions))
            else:
                with pytest.raises(KeyboardInterrupt):
                    run_survey(machine, samples(), lambda: next(presses), shown.append)
        with open_job(path, read_only=True) as job:
            return shown, [reading.point for reading in job.read_pass("as-found").readings]

    for stop_at in (1, 39, 41, 44, 50, 56, 62, 70, 74, None):
        shown, kept = play(tmp_path / f"at-{stop_at}.stagewalk", stop_at)
        announced = [action.reading.point for action in shown if action.kind == "taken"]
        assert set(announced) <= set(kept)
        assert len(kept) == len(set(kept))
    assert kept == ["V1.1", "V1.6"]
    assert [action.do for action in shown if action.do][-1] is Do.LIFT
    # What a reading calls for is told behind all that its touch brings, so that nothing speaks over it.
    caution = next(number for number, action in enumerate(shown) if action.text == "plate over its rating")
    assert shown[caution].kind is ActionKind.CAUTION
    assert (shown[caution - 1].do, shown[caution + 1].kind) == (Do.LIFT, ActionKind.SHOW)


def test_mistakes_of_the_user_are_one_line_and_exit_2(tmp_path, capsys):
    missing = tmp_path / "none.stagewalk"
    assert main(["survey", str(missing)]) == 2
    assert "--chassis" in capsys.readouterr().err
    assert main(["survey", str(missing), "--chassis", "quayside-five"]) == 2
    assert "--bench" in capsys.readouterr().err
    assert not missing.exists()
    assert main(["survey", str(missing), "--chassis", "no-such", "--bench", "example"]) == 2
    job = ["survey", str(missing), "--chassis", "quayside-five", "--bench", "example", "--mains", "230"]
    assert main([*job, "--from", "V9.1"]) == 2
    assert "V9.1" in capsys.readouterr().err
    assert main([*job, "--replaced", "C99"]) == 2
    assert "no part C99" in capsys.readouterr().err
    assert not missing.exists(), "a job that was never begun"


def test_no_pass_is_begun_where_the_meter_does_not_answer(tmp_path, capsys):
    with SimulatedBench(TablePlant(load_table(), "leaky")) as bench:
        file = bench.write(tmp_path / "bench.yaml")
    job = tmp_path / "amp.stagewalk"
    named = ["--chassis", "quayside-five", "--bench", str(file), "--mains", "231"]
    assert main(["survey", str(job), *named, "--pass", "aftre-C2", "--replaced", "C2"]) == 3
    assert "looking for the meter" in capsys.readouterr().out
    with open_job(job, read_only=True) as opened:
        assert opened.passes() == ()


@pytest.mark.parametrize("verb", [["survey"], ["page", "--no-browser"]])
@pytest.mark.parametrize(("kind", "option"), [("chassis", "--chassis"), ("benches", "--bench")])
def test_a_mistake_in_a_file_does_not_get_into_a_new_job(tmp_path, capsys, verb, kind, option):
    named = {"--chassis": "quayside-five", "--bench": "example"}
    bad = tmp_path / "bad.yaml"
    bad.write_text(find_config(kind, named[option]).read_text("utf-8") + "\nnonsense: 1\n", "utf-8")
    job = tmp_path / "new.stagewalk"
    options = [word for pair in {**named, option: str(bad)}.items() for word in pair]
    assert main([verb[0], str(job), *options, *verb[1:]]) == 2
    assert "bad.yaml" in (told := capsys.readouterr().err)
    assert "nonsense" in told
    assert not job.exists()
