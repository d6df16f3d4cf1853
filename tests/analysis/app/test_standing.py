"""Passes that stand differently: a loop opened, another load; what is told of them."""

import json
from pathlib import Path

import click
import numpy as np
import pytest

from acquisition.errors import OutsideModel, SafetyStop
from acquisition.records import Measurand
from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.page.views import views_of
from analysis.app.signal.plan import plan_stage
from analysis.app.standing import as_options, stands, stands_by_name
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from tests.analysis.app.test_signal_plan import BENCH

LOOP = """
chassis: Loop, two triodes with feedback from the output to the first cathode
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 100}}
parts:
  R1: 470k  IN    gnd
  R2: 100k  HT1   V1.1
  R3: 2k2   V1.3  gnd
  C1: 100n  V1.1  V1.7
  R4: 1M    V1.7  gnd
  R5: 100k  HT1   V1.6
  R6: 1k5   V1.8  gnd
  C2: 10u   V1.8  gnd
  C3: 1u    V1.6  OUT
  R7: 22k   OUT   V1.3
  RL: 100k  OUT   gnd  1%
joined: [[IN, V1.2]]
signal: {input: IN, output: OUT, stages: {whole: [IN, OUT]}}
"""
STOOD = {"as-found": (), "loop-open": ("R7",), "load-47k": ("RL=47000",), "load-10k": ("RL=10000",)}
OPTIONS = {"loop-open": ["--lifted", "R7"], "load-47k": ["--load", "47k"], "load-10k": ["--load", "RL=10k"]}
ASKED = [Measurand(point="IN>OUT", quantity="gain", freq_hz=f, drive_pp_v=0.1) for f in (50.0, 200.0, 1e3, 5e3)]
ASKED += [Measurand(point=point, quantity="dc_v") for point in ("HT1", "V1.1", "V1.3")]


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """One specimen as it stands in each pass, read without error."""
    folder = tmp_path_factory.mktemp("standing")
    path = str(folder / "loop.stagewalk")
    (folder / "loop.yaml").write_text(LOOP)
    drawn = ChassisModel(parse_chassis(LOOP)).draw(1, np.random.default_rng(5))
    for name in ("R3", "R7", "RL"):  # as drawn, for the arithmetic below
        del drawn[name]
    for name, out in STOOD.items():
        model = ChassisModel(parse_chassis(LOOP).without(out))
        shown = model.predict({key: value for key, value in drawn.items() if key in model.parameters}, ASKED)[0]
        table = folder / f"{name}.csv"
        table.write_text("point,quantity,value,std,freq_hz,drive_pp_v\n" + "".join(
            f"{m.point},{m.quantity},{value:.7g},{0.002 * abs(value):.3g},{m.freq_hz or ''},{m.drive_pp_v or ''}\n"
            for m, value in zip(ASKED, shown, strict=True)
        ))  # fmt: skip
        more = OPTIONS.get(name, ["--chassis", str(folder / "loop.yaml")])
        assert main(["import", path, str(table), "--pass", name, "--mains", "230", *more]) == 0
    with open_job(path, read_only=True) as opened:
        assert {name: opened.read_pass(name).pulled for name in STOOD} == STOOD
    return path


def printed(capsys, *arguments):
    capsys.readouterr()
    assert main([*arguments]) == 0
    return capsys.readouterr().out


def test_the_feedback_of_an_opened_loop(job, capsys):
    found = json.loads(printed(capsys, "compare", job, "as-found", "loop-open", "--json"))
    one = next(each for each in found["feedback_db"] if each["freq_hz"] == 1000.0)
    changes = {(each["point"], each["freq_hz"]): each for each in found["moved"] if "freq_hz" in each}
    change = changes["IN>OUT", 1000.0]
    # 1 + A beta (F. Langford-Smith, Radiotron Designer's Handbook, 4th edition, chapter 7; from memory): A with R7
    # across both its ends, beta the share that R3 has of R3 and R7; at the cathode a triode of mu 100 amplifies by
    # mu + 1, a hundredth more than at the grid.
    open_gain = change["after"] * 10.0 ** (-one["load_db"] / 20.0)
    assert one["value"] == pytest.approx(20.0 * np.log10(1.0 + open_gain * 2.2 / (2.2 + 22.0)), abs=0.2)
    assert one["value"] == pytest.approx(change["change"] - one["load_db"], abs=1e-3)
    assert one["least"] < one["value"] < one["most"]
    assert (one["parts"], one["verdict"]) == (["R7"], "agrees")
    told = printed(capsys, "compare", job, "as-found", "loop-open")
    first, second, *_ = told.splitlines()
    assert first == "as-found with all in circuit, loop-open with R7 out of circuit"
    assert second.startswith("feedback through R7: ")
    assert "IN>OUT gain at 3 more frequencies: agrees" in told
    assert "not moved, and not due to: HT1" in told


def test_a_part_that_feeds_nothing_back_is_no_loop(job, capsys):
    """Without the bypass of its cathode a stage has less gain; without the other load it has more."""
    for last in ("load-47k", "load-10k"):
        assert json.loads(printed(capsys, "compare", job, "as-found", last, "--json"))["feedback_db"] == []


@pytest.mark.parametrize("passes", [("as-found", "load-10k"), ("load-10k", "as-found"), ("load-47k", "load-10k")])
def test_the_output_impedance_of_two_loads(job, capsys, passes):
    found = json.loads(printed(capsys, "compare", job, *passes, "--json"))
    one = next(each for each in found["output_impedance_ohm"] if each["freq_hz"] == 1000.0)
    gains = [next(r["after" if p == passes[1] else "before"] for r in found["moved"] if r["freq_hz"] == 1000.0)
             for p in passes]  # fmt: skip
    loads = [{"as-found": 100e3, "load-47k": 47e3, "load-10k": 10e3}[p] for p in passes]
    # Two equations V R / (R + Z) of Ohm's law, solved for Z.
    expected = (gains[1] - gains[0]) / (gains[0] / loads[0] - gains[1] / loads[1])
    assert one["value"] == pytest.approx(expected, rel=1e-3)
    assert one["least"] < expected < one["most"] < 2.0 * expected
    assert (one["rated_ohm"], one["verdict"]) == (100e3, "agrees")


def test_the_example_of_the_readme_is_what_the_program_prints(tmp_path, capsys):
    path, told = str(tmp_path / "amp.stagewalk"), []
    asked = Measurand(point="V1.2>SPK", quantity="gain", freq_hz=1000.0)
    for name, out, more in (
        ("as-found", (), ["--chassis", "harbour-twenty"]),
        ("loop-open", ["R13"], ["--lifted", "R13"]),
        ("load-16", ["RL=16"], ["--load", "16"]),
    ):
        gain = float(ChassisModel(load_chassis("harbour-twenty").without(out)).predict({}, [asked])[0, 0])
        (tmp_path / "gain.csv").write_text(
            f"point,quantity,value,std,freq_hz\nV1.2>SPK,gain,{gain:.6g},{0.02 * gain:.4g},1000\n"
        )
        assert main(["import", path, str(tmp_path / "gain.csv"), "--pass", name, "--mains", "230", *more]) == 0
        if out:
            lines = printed(capsys, "compare", path, "as-found", name).partition("\n")[2]
            told.append(" ".join(lines.partition("\nV1.2 >")[0].split()))
    readme = " ".join(Path("README.md").read_text("utf-8").split())
    assert " ".join(told) in readme, "\n".join(told)


def test_a_part_changed_between_them_is_told_and_nothing_is_guessed(job, capsys, tmp_path):
    copy = tmp_path / "loop.stagewalk"
    copy.write_bytes(Path(job).read_bytes())
    assert main(["note", str(copy), "--pass", "load-47k", "--replaced", "C3"]) == 0
    capsys.readouterr()
    assert main(["compare", str(copy), "as-found", "load-10k"]) == 2
    assert "stand differently, and C3 was changed between them" in capsys.readouterr().err
    with pytest.raises(OutsideModel):
        views_of(copy).compare("as-found", "load-10k")


def test_the_page_and_the_report_say_the_same(job, capsys):
    shown = views_of(job).compare("as-found", "loop-open")
    assert shown["words"][0].startswith("Feedback through R7: ")
    assert shown["changes"][0]["what"] == "IN → OUT gain at 1 kHz"
    assert shown["changes"][0]["direction"].startswith("healthy ")
    printed(capsys, "report", job)
    text = Path(job).with_suffix(".html").read_text("utf-8")
    assert shown["words"][0] in text
    headings = [f"<h2>{name} beside as-found</h2>" in text for name in ("loop-open", "load-47k", "load-10k")]
    assert headings == [True, True, True], "each beside the pass that differs in least"
    assert "RL of 47 kΩ" in text


def test_suspects_count_them_together_each_by_its_own_circuit(job, capsys):
    found = json.loads(printed(capsys, "suspects", job, "--pass", "load-10k", "--json"))
    assert "load-10k (RL of 10 kohm)" in found["notes"][0]
    assert found["healthy_probability"] > 0.5


def test_how_a_chassis_stands_is_read_and_said(capsys):
    chassis = parse_chassis(LOOP)
    assert stands(chassis, (), ("R7",), ("RL=4k7",)) == ("R7", "RL=4700")
    assert stands(chassis, (), (), ("100k",)) == (), "as drawn"
    assert stands_by_name(chassis, "R7 RL=15.5") == ("R7", "RL=15R5")
    out = chassis.without(["RL=15R5"])
    assert (out.pulled, out.parts["RL=15R5"].value, out.loads) == (("RL=15R5",), 15.5, ("RL=15R5",))
    assert "RL" not in out.parts
    assert out.without(()) == chassis
    assert as_options(chassis, ("V1", "R7", "RL=15R5")) == "--pulled V1 --lifted R7 --load RL=15R5"


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--load", "1x"], "expected a value such as 4k7"),
        (["--load", "R3=8"], "R3 is no load at the output; there are RL"),
        (["--load", "8", "--lifted", "RL"], "RL is lifted, or of another value: not both"),
        (["--load", "0"], "RL"),
    ],
)
def test_a_load_that_cannot_be_is_refused_in_a_line(options, told, capsys, tmp_path):
    (tmp_path / "loop.yaml").write_text(LOOP)
    assert main(["expect", str(tmp_path / "loop.yaml"), *options]) == 2
    assert told in capsys.readouterr().err


def test_of_two_loads_one_is_named():
    chassis = parse_chassis(LOOP.replace("joined:", "  RM: 100k  OUT   gnd\njoined:"))
    with pytest.raises(click.BadParameter, match="of which load\\? Write RL=16 or RM=16"):
        stands(chassis, (), (), ("16",))
    with pytest.raises(click.BadParameter, match="no resistor at a signal output"):
        stands(parse_chassis(LOOP.replace("  RL: 100k  OUT   gnd  1%\n", "")), (), (), ("16",))


def test_no_signal_into_an_output_transformer_whose_load_is_lifted():
    from acquisition.instruments.bench import parse_bench

    bench = parse_bench(BENCH, "test")
    chassis = load_chassis("quayside-five")
    assert chassis.loads
    plan_stage("output", chassis, bench).require_load(True, "")
    plan_stage("output", chassis.without([f"{chassis.loads[0]}=16"]), bench).require_load(True, "")
    for confirmed, out in ((False, ()), (True, chassis.loads)):
        with pytest.raises(SafetyStop):
            plan_stage("output", chassis.without(out), bench).require_load(confirmed, "say so")
