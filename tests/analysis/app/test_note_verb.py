"""``stagewalk note`` writes intake, replaced parts and remarks, and refuses what it cannot place."""

import pytest

from acquisition.store import open_job
from analysis.app.cli import main


@pytest.fixture
def job(tmp_path):
    readings = tmp_path / "readings.csv"
    readings.write_text("point,quantity,value\nV1.7,dc_v,0.0\n")
    path = tmp_path / "amp.stagewalk"
    assert main(["import", str(path), str(readings), "--chassis", "quayside-five", "--pass", "after-C2"]) == 0
    return path


def test_intake_is_kept_and_what_is_not_given_stays(job):
    assert main(["note", str(job), "--customer", "A. Ruiz", "--complaint", "<b>hums</b>", "--serial", "7"]) == 0
    assert main(["note", str(job), "--technician", "bench 1", "--serial", "8"]) == 0
    with open_job(job, read_only=True) as opened:
        sheet = opened.sheet
    told = (sheet.customer, sheet.complaint, sheet.technician, sheet.serial)
    assert told == ("A. Ruiz", "<b>hums</b>", "bench 1", "8")


def test_a_replaced_part_with_its_value_a_tube_and_a_remark(job):
    for _ in range(2):
        assert main(["note", str(job), "--replaced", "C2=22n", "--replaced", "V1"]) == 0
    assert main(["note", str(job), "socket cleaned", "--pass", "after-C2"]) == 0
    with open_job(job, read_only=True) as opened:
        events = opened.read_pass("after-C2").events
    assert [(e.kind, e.subject, e.value, e.text) for e in events] == [
        ("part_replaced", "C2", pytest.approx(22e-9), ""), ("tube_swapped", "V1", None, ""),
        ("note", "", None, "socket cleaned"),
    ]  # fmt: skip


def test_a_part_measured_with_power_off_and_left_in(job, capsys):
    for _ in range(2):
        assert main(["note", str(job), "--measured", "R5=150k", "--measured", "C2=21.8n"]) == 0
    with open_job(job, read_only=True) as opened:
        events = opened.work_done("after-C2")
    assert [(e.kind, e.subject, e.value) for e in events] == [
        ("part_measured", "R5", 150e3), ("part_measured", "C2", pytest.approx(21.8e-9)),
    ]  # fmt: skip
    capsys.readouterr()
    assert main(["suspects", str(job), "--json"]) == 0
    assert "R5 was measured as 150 k" in capsys.readouterr().out


def test_mains_left_out_or_written_down_wrong_are_put_right_and_the_job_says_so(job, capsys):
    for mains in ("23.1", "231"):
        assert main(["note", str(job), "--pass", "after-C2", "--mains", mains]) == 0
        told = capsys.readouterr().out
        assert ("23.1 V mains, where the drawing has 230 V" in told) == (mains == "23.1")
    with open_job(job, read_only=True) as opened:
        kept = opened.read_pass("after-C2")
    assert kept.mains_v == 231.0
    assert [event.text for event in kept.events] == [
        "mains 23.1 V, before this note not written down", "mains 231 V, before this note 23.1 V",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        (("--measured", "R5=10k"), "R5 is taken as 10 kohm, drawn as 100 kohm: is the prefix right?"),
        (("--replaced", "C2=22u"), "C2 is taken as 22 uF, drawn as 22 nF: is the prefix right?"),
        (("--measured", "R5=300k"), ""), (("--replaced", "C6=220u"), ""), (("--replaced", "V1"), ""),
    ],
)  # fmt: skip
def test_a_value_of_another_decade_is_taken_and_asked_about(job, capsys, given, asked):
    """No prompt: a script that notes goes on."""
    capsys.readouterr()
    assert main(["note", str(job), *given]) == 0
    told = capsys.readouterr().out
    assert asked in told
    assert ("prefix" in told) == bool(asked)
    with open_job(job, read_only=True) as opened:
        assert opened.read_pass("after-C2").events


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "nothing to write down"),
        (["--replaced", "C99"], "no part C99"),
        (["--replaced", "C2=x"], "C2"),
        (["--mains", "0"], "expected volts between 1 and 1000, such as 231, got '0'"),
        (["--mains", "nan"], "got 'nan'"),
        (["--replaced", "C2=-22n"], "C2: expected a value of zero or more"),
        (["--replaced", "C2=0"], "C2: expected a value above zero"),
        (["--replaced", "V1=3"], "a value is that of a part"),
        (["--replaced", "C2=22"], "C2: expected p, n or u in a capacitance"),
        (["--replaced", "C2=.02"], "C2: expected p, n or u in a capacitance"),
        (["--measured", "R5=1m"], "R5: m is milli, M is mega: expected 1M or plain ohms"),
        (["--replaced", "C2", "--pass", "later"], "no pass later yet"),
        (["--measured", "R5"], "R5: expected what was read, such as C4=22n"),
        (["--measured", "V1"], "V1: expected what was read"),
        (["--measured", "R99=1k"], "--measured: no part R99"),
        (["--measured", "C2=22u", "--replaced", "C2=3000000u"], "C2=3000000u: a capacitor of 3 F? expected"),
    ],
)
def test_what_cannot_be_placed_is_refused_and_nothing_is_written(job, capsys, arguments, told):
    assert main(["note", str(job), *arguments, *(["--customer", "X"] if arguments else [])]) == 2
    assert told in capsys.readouterr().err
    with open_job(job, read_only=True) as opened:
        assert opened.sheet.customer == ""
        assert opened.read_pass("after-C2").events == ()
