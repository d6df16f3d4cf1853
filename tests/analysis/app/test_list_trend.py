"""``stagewalk list --trend`` over made-up jobs, years apart."""

import json
from pathlib import Path

import pytest

from acquisition.clock import FakeClock
from acquisition.records import Event, Reading
from acquisition.store import create_job
from analysis.app.cli import main

YEAR_S = 365.25 * 86400.0
CHASSIS = (Path(__file__).parents[3] / "configs" / "chassis" / "quayside-five.yaml").read_text("utf-8")


def visit(folder, year, cathode_v, serial="7", text=CHASSIS, mains_v=230.0):
    clock = FakeClock(year * YEAR_S)
    path = folder / f"{serial}-{year}.stagewalk"
    with create_job(path, "Quayside Five", text, serial=serial, clock=clock) as job:
        job.start_pass("as-found", mains_v=mains_v)
        for point, value in {"HT1": 245.0 * mains_v / 230.0, "V2.3": cathode_v}.items():
            job.add_reading("as-found", Reading(point=point, quantity="dc_v", value=value, std=0.02))
    return path


@pytest.fixture
def folder(tmp_path):
    for year, volts in ((0, 7.0), (1, 6.7), (3, 6.1), (4, 5.8)):
        visit(tmp_path, year, volts, mains_v=240.0 if year == 3 else 230.0)
    return tmp_path


def run(capsys, *arguments):
    code = main(["list", *map(str, arguments)])
    return code, capsys.readouterr()


def test_a_cathode_that_sinks_is_named_and_the_rail_is_not(folder, capsys):
    code, said = run(capsys, folder, "--trend", "--json")
    found = {one["point"]: one for one in json.loads(said.out)["trends"]}
    assert code == 0
    assert found["V2.3"]["drifted"]
    assert not found["HT1"]["drifted"]
    assert found["V2.3"]["rate_low"] < -0.3 < found["V2.3"]["rate_high"]
    # The third visit had 240 V: the rail stood higher, and the model brings it back.
    assert found["HT1"]["stands"][2]["value"] > 255
    assert found["HT1"]["stands"][2]["corrected"] == pytest.approx(245.0, abs=1.5)


@pytest.mark.parametrize("mains_v", [120.0, 23.0])
def test_a_visit_far_from_the_mains_of_the_drawing_is_left_out(folder, capsys, mains_v):
    """With heaters half cold, or 23 typed for 231, the cathode would have sunk, without a word why."""
    visit(folder, 2, 1.8, mains_v=mains_v)
    _, said = run(capsys, folder, "--trend", "--json")
    found = json.loads(said.out)
    assert len(found["visits"]) == 4
    assert all(len(one["stands"]) == 4 for one in found["trends"])
    left = f"left out, heaters are colder or hotter at {mains_v:g} V mains than at 230 V: as-found of 7-2"
    assert any(note.startswith(left) for note in found["notes"])


def test_the_text_gives_dates_rates_and_a_count(folder, capsys):
    _, said = run(capsys, folder, "--trend", "--point", "V2.3")
    assert "2026-01-01  7-0, as-found, mains 230 V" in said.out
    assert "HT1" not in said.out
    assert "1 of 1 drifted" in said.out


def test_what_drifted_stands_first_with_its_course(folder, capsys):
    _, said = run(capsys, folder, "--trend")
    first, second = (line.split() for line in said.out.splitlines() if line.startswith(("V2.3 ", "HT1 ")))
    assert first[:4] == ["V2.3", "DC", "down", "█▆▁▁"]  # the third at 240 V of mains
    assert first[4:8] == ["7.000", "V", "5.800", "V"]
    # Scatter within its uncertainty looks flat.
    assert second[:2] == ["HT1", "DC"]
    assert set(second[2]) <= set("▃▄▅▆")


def test_several_chassis_ask_for_a_serial_number(folder, capsys):
    visit(folder, 2, 7.0, serial="8")
    code, said = run(capsys, folder, "--trend")
    assert code == 2
    assert "--serial" in said.err
    code, said = run(capsys, folder, "--trend", "--serial", "7", "--json")
    assert code == 0
    assert len(json.loads(said.out)["visits"]) == 4
    code, said = run(capsys, folder, "--trend", "--serial", "9")
    assert code == 2
    assert "there are: 7, 8" in said.err


def test_jobs_without_a_serial_number_are_said_to_be_taken_for_one_chassis(tmp_path, capsys):
    """Two amplifiers of one type with no number written down looked like one that drifts."""
    told = "note: no job has a serial number: all are taken for visits of one and the same chassis"
    for year, volts in ((0, 7.0), (1, 6.0)):
        visit(tmp_path, year, volts, serial="")
    assert told in " ".join(run(capsys, tmp_path, "--trend")[1].out.split())
    assert told not in " ".join(run(capsys, next(tmp_path.iterdir()), "--trend")[1].out.split())


def test_without_a_model_the_note_says_so(tmp_path, capsys):
    for year in range(3):
        visit(tmp_path, year, 7.0, text="chassis: x\ntubes: {V2: EL84}\n")
    _, said = run(capsys, tmp_path, "--trend")
    assert "not brought to one mains voltage" in " ".join(said.out.split())


def test_a_visit_was_when_its_readings_were_taken(tmp_path, capsys):
    """Three old sheets typed in on one afternoon are three years, and no rate of volts a minute."""
    for year in (2021, 2022, 2023):
        path = tmp_path / f"{year}.stagewalk"
        written = tmp_path / "sheet.csv"
        written.write_text(
            f"point,quantity,value,taken_utc\nV2.3,dc_v,{7.0 - 0.3 * (year - 2021)},{year}-11-01T10:00:00\n"
        )
        arguments = [
            "import",
            str(path),
            str(written),
            "--pass",
            "as-found",
            "--chassis",
            "quayside-five",
            "--mains",
            "230",
        ]
        assert main(arguments) == 0
    capsys.readouterr()
    _, said = run(capsys, tmp_path, "--trend", "--json")
    found = json.loads(said.out)
    assert [one["date"] for one in found["visits"]] == ["2021-11-01", "2022-11-01", "2023-11-01"]
    assert found["trends"][0]["rate_per_year"] == pytest.approx(-0.3, rel=0.01)


def test_passes_of_one_afternoon_have_no_rate(tmp_path, capsys):
    for hour in range(4):
        visit(tmp_path, hour / 8766.0, 7.0 - 0.3 * hour)
    _, said = run(capsys, tmp_path, "--trend", "--json")
    found = {one["point"]: one for one in json.loads(said.out)["trends"]}
    assert (found["V2.3"]["rate_per_year"], found["V2.3"]["drifted"]) == (None, True)
    assert run(capsys, tmp_path, "--trend")[0] == 0


def test_a_rescued_pass_that_nothing_dates_is_left_out(folder, capsys):
    path = folder / "7-1.stagewalk"
    path.write_bytes(path.read_bytes().replace(b"as-found", b"as-fovnd"))
    code, said = run(capsys, folder, "--trend")
    assert code == 0
    assert "left out, nothing tells when they were: rescued-1 of 7-1" in " ".join(said.out.split())


def test_a_changed_part_is_told(folder, capsys):
    with create_job(
        folder / "7-5.stagewalk", "Quayside Five", CHASSIS, serial="7", clock=FakeClock(5 * YEAR_S)
    ) as job:
        job.start_pass("after-V2")
        job.add_event("after-V2", Event(kind="tube_swapped", subject="V2"))
    _, said = run(capsys, folder, "--trend")
    assert "changed: V2" in said.out
    assert "a step and no drift" in " ".join(said.out.split())


def test_serial_filters_the_plain_list_and_point_needs_trend(folder, capsys):
    visit(folder, 2, 7.0, serial="8")
    _, said = run(capsys, folder, "--serial", "8", "--json")
    assert [Path(job["path"]).name for job in json.loads(said.out)["jobs"]] == ["8-2.stagewalk"]
    assert run(capsys, folder, "--point", "V2.3")[0] == 2
