"""The verbs that carry readings in and out, and the list of jobs."""

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from acquisition.records import CAPTURE_COLUMNS, READING_COLUMNS, Capture
from acquisition.store import create_job, open_job, read_passes_csv
from analysis.app.cli import main
from analysis.app.terminal import WIDEST

SAMPLE = Path(__file__).parents[2] / "data" / "jobs" / "version-3.stagewalk"


@pytest.fixture
def job(tmp_path):
    path = tmp_path / "amp.stagewalk"
    shutil.copy(SAMPLE, path)
    return path


def test_export_and_import_give_back_equal_data(job, tmp_path, capsys):
    out, copy = tmp_path / "readings.csv", tmp_path / "copy.stagewalk"
    assert main(["export", str(job), "--out", str(out)]) == 0
    create_job(copy, "copy").close()
    assert main(["import", str(copy), str(out)]) == 0
    with open_job(job) as one, open_job(copy) as two:
        assert one.passes() == two.passes()
        for name in one.passes():
            assert one.read_pass(name).readings == two.read_pass(name).readings
    table = pd.read_csv(out)
    assert list(table.columns) == [column.name for column in READING_COLUMNS]
    assert "20 readings into after-C2" in capsys.readouterr().out


@pytest.mark.parametrize("option", ["--out", "--watched", "--chassis"])
def test_no_file_is_written_over_a_job(job, option, capsys):
    before = job.read_bytes()
    assert main(["export", str(job), option, str(job)]) != 0
    assert "a job stands there, or another database, and would be lost" in capsys.readouterr().err
    assert job.read_bytes() == before


def test_export_of_one_pass_to_the_terminal(job, capsys):
    assert main(["export", str(job), "--pass", "after-C2"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 21
    assert lines[1].startswith("after-C2,V1.1,dc_v,0.004,0.01,")


def test_export_of_captures(job, tmp_path):
    assert main(["export", str(job), "--out", str(tmp_path / "r.csv"), "--captures", str(tmp_path / "waves")]) == 0
    first, second, index = sorted((tmp_path / "waves").iterdir())
    assert (first.name, index.name) == ("after-C2-001-V1.1.csv", "captures.csv")
    listed = pd.read_csv(index)
    assert list(listed["file"]) == [second.name, first.name]
    assert {c.name: c.dtype for c in CAPTURE_COLUMNS if c.dtype in ("bool", "int64")} == {
        name: str(listed[name].dtype) for name in ("clipped", "channel", "shot")
    }
    table = pd.read_csv(second)
    with open_job(job) as opened:
        (capture,) = opened.read_pass("as-found").captures
    assert list(table["volts"]) == list(capture.volts)
    row = listed[listed["file"] == second.name].iloc[0]
    assert (row["pass_name"], row["point"], row["full_scale_v"]) == (
        "as-found",
        capture.point,
        capture.full_scale_v,
    )
    assert list(table["time_s"]) == list(capture.times_s)


def test_import_of_a_hand_written_file(job, tmp_path, capsys):
    written = tmp_path / "hand.csv"
    written.write_text("point,quantity,value\nV1.1,dc_v,196\n")
    assert main(["import", str(job), str(written), "--pass", "next day", "--mains", "233"]) == 0
    with open_job(job) as opened:
        kept = opened.read_pass("next day")
    assert (kept.mains_v, kept.readings[0].value, kept.readings[0].quality) == (233.0, 196.0, "imported")
    # A pass keeps the mains it was begun with; one begun without takes them when they come.
    for name, *more in (("third",), ("third", "--mains", "231"), ("next day", "--mains", "240")):
        assert main(["import", str(job), str(written), "--pass", name, *more]) == 0
    assert "next day was begun at 233 V mains and keeps that" in "".join(capsys.readouterr())
    assert main(["import", str(job), str(written), "--pass", "third", "--mains", "0.3"]) == 2
    with open_job(job) as opened:
        assert [opened.read_pass(name).mains_v for name in ("next day", "third")] == [233.0, 231.0]


def test_a_pass_without_mains_is_told_of_as_an_export_has_no_column_for_them(tmp_path, capsys):
    written, job = tmp_path / "by-hand.csv", str(tmp_path / "amp.stagewalk")
    written.write_text("point,quantity,value\nV1.1,dc_v,140\n")
    arguments = ["import", job, str(written), "--chassis", "quayside-five", "--pass"]
    assert main([*arguments, "next day"]) == 0
    told = f"next day has no mains yet, and so wider bands: stagewalk note {job} --pass 'next day' --mains VOLTS"
    assert told in capsys.readouterr().out
    assert main([*arguments, "later", "--mains", "231"]) == 0
    assert main(["note", job, "--pass", "next day", "--mains", "231"]) == 0
    assert main([*arguments, "next day"]) == 0
    assert "no mains yet" not in capsys.readouterr().out


def test_nothing_is_imported_when_anything_is_wrong(job, tmp_path, capsys):
    written = tmp_path / "hand.csv"
    written.write_text("point,quantity,value\nV1.1,dc_v,196\nV1.2,dcv,x\n")
    assert main(["import", str(job), str(written), "--pass", "next day"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert told[0] == f"{written}:3: value: expected a number (plain, in the unit of the column), got 'x'"
    assert told[1].startswith(f"{written}:3: quantity: did you mean dc_v?")
    with open_job(job) as opened:
        assert opened.passes() == ("as-found", "after-C2")


def test_a_file_without_readings_makes_no_job(tmp_path, capsys):
    written = tmp_path / "hand.csv"
    written.write_text("point,quantity,value\n")
    new = tmp_path / "new.stagewalk"
    assert main(["import", str(new), str(written), "--pass", "first", "--chassis", "quayside-five"]) == 2
    assert f"{written}: no readings under the names of the columns" in capsys.readouterr().err
    assert not new.exists()


def test_an_import_calls_a_new_job_after_the_file_as_a_survey_does(tmp_path):
    written = tmp_path / "hand.csv"
    written.write_text("point,quantity,value\nHT1,dc_v,245\n")
    new = tmp_path / "new.stagewalk"
    assert main(["import", str(new), str(written), "--pass", "first", "--chassis", "quayside-five"]) == 0
    with open_job(new) as opened:
        assert opened.sheet.chassis_name == "quayside-five"


def test_a_pass_name_that_cannot_be_keeps_every_reading_out(job, tmp_path):
    written = tmp_path / "hand.csv"
    written.write_text("pass_name,point,quantity,value\nnext day,V1.1,dc_v,196\n ,V1.6,dc_v,142\n")
    assert main(["import", str(job), str(written), "--pass", "x" * 81]) == 2
    with open_job(job) as opened:
        assert opened.passes() == ("as-found", "after-C2")


def test_lines_without_a_pass_need_one(job, tmp_path, capsys):
    written = tmp_path / "hand.csv"
    written.write_text("point,quantity,value\nV1.1,dc_v,196\n")
    assert main(["import", str(job), str(written)]) == 2
    assert "hint: say which with --pass NAME" in capsys.readouterr().err


def test_a_damaged_job_exports_what_is_left(job, tmp_path, capsys):
    content = bytearray(job.read_bytes())
    place = content.index(b"bench meter")
    content[place] ^= 1
    job.write_bytes(content)
    assert main(["export", str(job), "--out", str(tmp_path / "r.csv")]) == 0
    assert "reading: 1 lost" in capsys.readouterr().err
    assert len(read_passes_csv(tmp_path / "r.csv")) == 39


def test_list_as_table_and_as_json(job, capsys):
    assert main(["list", str(job.parent)]) == 0
    out = capsys.readouterr().out
    assert "amp.stagewalk" in out
    assert "as-found" in out
    assert out.isascii()
    assert main(["list", str(job.parent), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["jobs"]
    assert (found["readings"], found["captures"], found["serial"]) == (40, 2, "Q5-0012")


def test_list_of_hostile_names_shows_them_as_text(tmp_path, capsys):
    create_job(tmp_path / "a.stagewalk", "[bold]Amp[/bold] \x1b[31m").close()
    assert main(["list", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "[bold]Amp[/bold]" in out.replace("\n", "")
    assert "\x1b[31m" not in out


def test_an_empty_folder_and_no_folder(tmp_path, capsys):
    assert main(["list", str(tmp_path)]) == 0
    assert "no job in" in capsys.readouterr().out
    assert main(["list", str(tmp_path / "none")]) == 2


def test_captures_of_passes_in_any_alphabet_have_a_file_each(tmp_path, capsys):
    wave = {"codes": np.arange(3, dtype=np.int8), "scale_v": 1.0, "offset_v": 0.0, "t0_s": 0.0, "dt_s": 1e-3}
    names = ("до", "по", "Left", "left", "a/b", "a:b", "𐍆" * 80)
    with create_job(tmp_path / "amp.stagewalk", "x") as job:
        for name in names:
            job.start_pass(name)
            job.add_capture(name, Capture(point="V1.6", full_scale_v=8.0, **wave))
    folder = tmp_path / "waves"
    assert main(["export", str(tmp_path / "amp.stagewalk"), "--captures", str(folder)]) == 0
    assert f"wrote {len(names)} captures" in capsys.readouterr().err
    files = [path.name for path in folder.iterdir() if path.name != "captures.csv"]
    assert len({name.casefold() for name in files}) == len(names)
    assert "до-001-V1.6.csv" in files
    with (folder / "captures.csv").open(encoding="utf-8", newline="") as table:
        assert [(row[0] in files, row[1]) for row in list(csv.reader(table))[1:]] == [
            (True, name) for name in names
        ]


def test_a_serial_number_that_no_job_has_is_told_as_such(tmp_path, capsys):
    for number, serial in enumerate(("Q5-1", "", "Q5-2")):
        create_job(tmp_path / f"{number}.stagewalk", "x", serial=serial).close()
    assert main(["list", str(tmp_path), "--serial", "zz"]) == 0
    told = capsys.readouterr().out
    assert f"no job of serial number zz in {tmp_path}; there are: Q5-1, Q5-2" in told
    assert "starts one" not in told


@pytest.mark.parametrize("verb", ["check", "suspects"])
def test_a_table_with_points_that_are_none_is_refused_by_line(tmp_path, capsys, verb):
    written = tmp_path / "r.csv"
    written.write_text(
        "point,quantity,value\nV1.1,dc_v,140\nV1.11,dc_v,5\nv1.6,dc_v,90\nht1,dc_v,250\nV1.4,dc_v,3\n"
    )
    assert main([verb, "--chassis", "quayside-five", str(written)]) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"{written}:3: point: V1.11: a 12AX7 has pins 1 2 3 4 5 6 7 8 9, not 11",
        f"{written}:4: point: v1.6: did you mean V1.6?",
        f"{written}:5: point: ht1: no part of the chassis reaches it; did you mean HT1?",
    ]
    assert main([verb, str(written)]) == 2
    assert "name what it was read of with --chassis FILE" in capsys.readouterr().err


def test_a_table_is_not_imported_twice_and_a_job_has_its_chassis_named_first(tmp_path, capsys):
    written, job = tmp_path / "r.csv", tmp_path / "a.stagewalk"
    written.write_text("point,quantity,value\nV1.1,dc_v,140\nV1.6,dc_v,141\n")
    arguments = ["import", str(job), str(written), "--pass", "as-found"]
    assert main(arguments) == 2
    assert "no job there yet: name the chassis of the new one with --chassis" in capsys.readouterr().err
    assert main([*arguments, "--chassis", "quayside-five", "--mains", "230"]) == 0
    capsys.readouterr()
    assert main(arguments) == 0
    assert capsys.readouterr().out.strip() == f"as-found of {job} has these 2 readings already: none was added"
    written.write_text("point,quantity,value\nV1.1,dc_v,140\nV1.6,dc_v,150\n")
    assert main(arguments) == 0  # one was read again
    with open_job(job, read_only=True) as opened:
        assert [r.value for r in opened.read_pass("as-found").readings] == [140.0, 141.0, 140.0, 150.0]
    capsys.readouterr()
    assert main(["check", str(tmp_path / "a")]) == 2
    assert f"did you mean {job}?" in capsys.readouterr().err


def test_one_job_is_listed_by_its_name_and_another_file_is_refused(tmp_path, capsys):
    for name in ("a", "b"):
        create_job(tmp_path / f"{name}.stagewalk", f"amp {name}").close()
    assert main(["list", str(tmp_path / "b.stagewalk"), "--json"]) == 0
    (job,) = json.loads(capsys.readouterr().out)["jobs"]
    assert job["chassis_name"] == "amp b"
    (tmp_path / "c.csv").write_text("point\n")
    assert main(["list", str(tmp_path / "c.csv")]) == 2
    assert "name a folder, or a job that ends in .stagewalk" in capsys.readouterr().err


def test_a_pin_no_tube_has_is_refused_and_a_name_no_part_reaches_is_told(tmp_path, capsys):
    written, job = tmp_path / "r.csv", tmp_path / "a.stagewalk"
    good = "point,quantity,value\nV1.1,dc_v,140\nV1.4,dc_v,3\n"
    written.write_text(f"{good}V1.11,dc_v,5\nV9.1>V1.1,gain,3\nV2,dc_v,7\n")
    arguments = ["import", str(job), str(written), "--pass", "hand", "--chassis", "quayside-five", "--mains", "115"]
    assert main(arguments) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"{written}:4: point: V1.11: a 12AX7 has pins 1 2 3 4 5 6 7 8 9, not 11",
        f"{written}:5: point: V9.1: no tube V9 in the chassis, which has V1 V2",
        f"{written}:6: point: V2: an EL84 has pins 1 2 3 4 5 6 7 8 9: say which",
    ]
    assert not job.exists()
    written.write_text(f"{good}HT9,dc_v,1\n")
    assert main(arguments) == 0
    *mains, there, odd = capsys.readouterr().out.splitlines()
    assert mains[0].startswith("hand: 115 V mains, where the drawing has 230 V")
    assert max(map(len, mains)) <= WIDEST
    assert there == f"3 readings into hand of {job}"
    assert odd.startswith("HT9 is kept and nothing can judge it: no part of the chassis reaches it; did you mean")
    main(["check", str(job)])
    assert capsys.readouterr().out.splitlines()[-1] == "note: not judged, no part reaches them: V1.4, HT9"
    for verb in ("check", "suspects"):
        assert main([verb, str(job), "--chassis", "quayside-five"]) == 2
        assert "is a job, and --chassis goes with readings files: leave --chassis out" in capsys.readouterr().err
