"""Parts lifted at one end during a pass: the circuit is that without them, for every verb."""

import json

import pytest

from acquisition.store import open_job
from analysis.app.cli import main
from analysis.chassis import ChassisModel, WorstCase, load_chassis

CHASSIS = "quayside-five"


@pytest.fixture
def job(tmp_path):
    """The grid of the output tube with its coupling capacitor in, and lifted: its own grid current, or a leak."""
    path = str(tmp_path / "amp.stagewalk")
    for name, volts in (("found", 3.1), ("c4-up", 0.006)):
        table = tmp_path / f"{name}.csv"
        cathode = 7.0 if volts < 1.0 else 9.3
        table.write_text(
            f"point,quantity,value\nHT1,dc_v,245\nV1.6,dc_v,148\nV2.2,dc_v,{volts}\nV2.3,dc_v,{cathode}\n"
        )
        more = ["--lifted", "C4"] if name == "c4-up" else ["--chassis", CHASSIS]
        assert main(["import", path, str(table), "--pass", name, "--mains", "230", *more]) == 0
    return path


def answer(capsys, *arguments):
    capsys.readouterr()
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def chance(found, part):
    return sum(s["probability"] for s in found["suspects"] if s["part"] == part)


def test_a_part_that_is_up_is_no_suspect_and_what_stays_without_it_is_not_its_fault(job, capsys):
    before = answer(capsys, "suspects", job, "--pass", "found", "--alone")
    assert min(chance(before, "C4"), chance(before, "V2")) > 0.1
    both = answer(capsys, "suspects", job)
    assert both["notes"][0].startswith("counted together: found (all in circuit), c4-up (C4 out of circuit);")
    # 3.1 V went with the capacitor: it came through it.
    assert (both["suspects"][0]["part"], both["suspects"][0]["fault"]) == ("C4", "leaky")
    assert chance(both, "C4") > 0.9
    assert chance(answer(capsys, "suspects", job, "--alone"), "C4") == 0.0
    with open_job(job, read_only=True) as opened:
        assert opened.read_pass("c4-up").pulled == ("C4",)
        assert not opened.damage


def test_the_circuit_without_a_cathode_bypass_has_less_gain(capsys):
    def gain(*arguments):
        found = answer(capsys, "expect", CHASSIS, *arguments)
        return found["stages"]["first"]["gain"]

    assert gain("--lifted", "C1") < 0.75 * gain()
    model = ChassisModel(load_chassis(CHASSIS))
    assert model.chassis.without(["C1", "V2"]).without(()) == model.chassis
    assert "C1.leak" not in ChassisModel(model.chassis.without(["C1"])).parameters


def test_what_may_be_back_in_counts_for_the_worst_case():
    # With C4 up no high tension reaches the grid behind it; whoever touches it next may have put it down again.
    chassis = load_chassis(CHASSIS)
    model = ChassisModel(chassis)
    up = ChassisModel(chassis.without(["C4"]), beside=model)
    worst, lifted = WorstCase(chassis, model), WorstCase(up.chassis, up)
    assert lifted.at(lifted.points["V2.2"]) >= worst.at(worst.points["V2.2"]) > 200.0


@pytest.mark.parametrize(
    ("lifted", "told"),
    [
        ("T1", "T1 cannot be lifted at one end; these can:"),
        ("C99", "C99 cannot be lifted at one end"),
        ("C2,P1", "P1 cannot be lifted"),
        ("R10", "with R10 lifted nothing reaches IN"),
    ],
)
def test_what_cannot_be_lifted_is_refused(lifted, told, capsys):
    assert main(["expect", CHASSIS, "--lifted", lifted]) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_a_mistake_is_put_right_in_a_note(job, capsys):
    assert main(["note", job, "--pass", "found", "--lifted", "C4", "--pulled", "V1"]) == 0
    assert main(["note", job, "--pass", "found", "--pulled", "none"]) == 0
    with open_job(job, read_only=True) as opened:
        one = opened.read_pass("found")
        assert one.pulled == ()
        assert [event.text for event in one.events] == [
            "V1, C4 out of circuit, before this note all in circuit",
            "all in circuit, before this note V1, C4 out of circuit",
        ]
    assert main(["note", job, "--pulled", "none", "--lifted", "C4"]) == 2
    capsys.readouterr()
    assert main(["compare", job, "found", "c4-up"]) == 0
    assert capsys.readouterr().out.startswith("found with all in circuit, c4-up with C4 out of circuit\n")
