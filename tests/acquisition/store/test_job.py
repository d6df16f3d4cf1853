"""A job keeps what it was given, exactly, before it says so."""

import math
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import event

from acquisition.clock import FakeClock
from acquisition.errors import StoreError
from acquisition.records import Capture, Event, Reading
from acquisition.store import create_job, open_job

READING = Reading(
    point="V1.2>V1.1",
    quantity="gain",
    value=0.1 + 0.2,
    std=1e-17,
    freq_hz=1000,
    drive_pp_v=0.045488,
    taken_utc="2026-01-01T00:00:00.000Z",
    instrument="bench scope, 8 bit",
    range_v=10.0,
    quality="good",
    note='<script>alert("µ")</script>\n',
)


def capture(dtype=np.int16, **facts):
    codes = np.arange(-5, 5).astype(dtype)
    return Capture(
        point="V1.1", codes=codes, scale_v=0.1 / 3, offset_v=-1.5, t0_s=-1e-3, dt_s=1e-6, full_scale_v=8.0, **facts
    )


@pytest.fixture
def job(tmp_path):
    with create_job(tmp_path / "amp.stagewalk", "Quayside Five", clock=FakeClock()) as opened:
        opened.start_pass("as-found")
        yield opened


def test_a_reading_comes_back_equal(job):
    job.add_reading("as-found", READING)
    assert job.read_pass("as-found").readings == (READING,)


@pytest.mark.parametrize("moment", ["begin", "commit"])
def test_ctrl_c_in_the_middle_of_a_commit_is_heard_behind_it(job, moment):
    """In the middle it came out as an error of the library, and what was on disk was anybody's guess."""

    def press(connection):
        os.kill(os.getpid(), signal.SIGINT)

    assert job.passes() == ("as-found",)  # what is only read may be left at any moment
    event.listen(job._tables._engine, moment, press)
    with pytest.raises(KeyboardInterrupt):
        job.add_reading("as-found", READING)
    event.remove(job._tables._engine, moment, press)
    assert job.read_pass("as-found").readings == (READING,)
    job.add_reading("as-found", replace(READING, value=0.5))
    assert len(job.read_pass("as-found").readings) == 2


def test_minus_zero_does_not_damage_a_job(job):
    zero = replace(READING, value=-0.0, std=-0.0, freq_hz=-0.0, drive_pp_v=-0.0, range_v=-0.0)
    job.add_reading("as-found", zero)
    job.add_capture("as-found", replace(capture(), offset_v=-0.0, t0_s=-0.0))
    job.add_event("as-found", Event(kind="part_measured", subject="C2", value=-0.0, std=-0.0))
    kept = job.read_pass("as-found")
    assert (kept.readings, kept.captures[0].offset_v, kept.events[0].value) == ((zero,), 0.0, 0.0)


def test_the_mains_of_a_pass_are_written_down_late_and_corrected(job):
    job.add_reading("as-found", READING)
    job.start_pass("after-C2", mains_v=23.1)
    for name in job.passes():
        job.write_conditions(name, mains_v=231)
        assert job.read_pass(name).mains_v == 231.0
    assert job.read_pass("as-found").readings == (READING,)
    with pytest.raises(StoreError, match="no pass"):
        job.write_conditions("after-C3", mains_v=231)


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.uint16, ">i2"])
def test_a_capture_comes_back_equal(job, dtype):
    given = capture(dtype, clipped=True, channel=2, shot=7, probe_factor=10.0, coupling="ac", freq_hz=1000.0)
    job.add_capture("as-found", given)
    (kept,) = job.read_pass("as-found").captures
    assert np.array_equal(kept.codes, given.codes)
    assert np.array_equal(kept.volts, given.volts)
    for name in ("point", "clipped", "channel", "shot", "probe_factor", "coupling", "freq_hz", "bandwidth_hz"):
        assert getattr(kept, name) == getattr(given, name)


@pytest.mark.parametrize("wrong", [math.nan, math.inf])
def test_what_is_no_number_of_volts_or_minutes_does_not_reach_the_file(job, wrong):
    job.write_conditions("as-found", mains_v=231.0)
    for given in ({"mains_v": wrong}, {"mains_hz": wrong}, {"minutes_on": wrong}):
        with pytest.raises(StoreError, match="expected a finite number"):
            job.start_pass("later", **given)
    with pytest.raises(StoreError, match="expected a finite number"):
        job.write_conditions("as-found", mains_v=wrong)
    assert job.passes() == ("as-found",)
    assert job.read_pass("as-found").mains_v == 231.0


def test_an_event_without_a_time_gets_one(job):
    job.add_event("as-found", Event(kind="part_replaced", subject="C2", value=22e-9, text="film, 630 V"))
    (kept,) = job.read_pass("as-found").events
    assert kept == Event(
        kind="part_replaced", subject="C2", value=22e-9, text="film, 630 V", taken_utc="2026-01-01T00:00:00.000Z"
    )


def test_the_sheet_and_the_conditions_of_a_pass_are_kept(tmp_path):
    path = tmp_path / "amp.stagewalk"
    with create_job(
        path,
        "Quayside Five",
        "chassis: x\n",
        "meter: y\n",
        serial="Q5-0012",
        complaint="hums; no bass",
        customer="A",
    ) as job:
        job.start_pass("as-found", mains_v=231, mains_hz=50.0, minutes_on=20, settings={"scope": "10:1, DC"})
    with open_job(path) as job:
        assert job.sheet.chassis_text == "chassis: x\n"
        assert (job.sheet.serial, job.sheet.complaint) == ("Q5-0012", "hums; no bass")
        found = job.read_pass("as-found")
        assert (found.mains_v, found.mains_hz, found.minutes_on) == (231.0, 50.0, 20.0)
        assert found.settings == {"scope": "10:1, DC"}


def test_passes_keep_their_order_and_their_names_are_unique(job):
    job.start_pass("after-C2")
    assert job.passes() == ("as-found", "after-C2")
    with pytest.raises(StoreError, match="pass 'as-found' exists already"):
        job.start_pass("as-found")
    for name in ("two\nlines", "as-found ", " ", ""):
        with pytest.raises(StoreError, match="printable"):
            job.start_pass(name)


def test_an_unknown_pass_names_the_known_ones(job):
    with pytest.raises(StoreError, match="no pass called 'after'") as told:
        job.add_reading("after", READING)
    assert "as-found" in told.value.hint


def test_a_pass_begun_by_another_program_is_seen(job):
    with open_job(job.path) as other:
        other.start_pass("after-C2")
        other.add_reading("after-C2", READING)
    assert job.read_pass("after-C2").readings == (READING,)


def test_work_done_follows_the_passes(job):
    measured = Event(kind="part_measured", subject="R2", value=1480.0, std=7.0, taken_utc="t")
    replaced = Event(kind="part_replaced", subject="C2", value=22.4e-9, taken_utc="t")
    swapped = Event(kind="tube_swapped", subject="V1", taken_utc="t")
    job.start_pass("after-C2")
    job.add_event("after-C2", replaced)
    job.add_event("as-found", measured)
    job.add_event("as-found", Event(kind="note", subject="R2", text="looks brown"))
    job.start_pass("next-day")
    job.add_event("next-day", swapped)
    assert job.work_done("as-found") == (measured,)
    assert job.work_done("after-C2") == (measured, replaced)
    assert job.work_done("next-day") == (measured, replaced, swapped)


def test_readings_are_append_only(job):
    job.add_reading("as-found", READING)
    other = sqlite3.connect(job.path, isolation_level=None)
    for statement in ("UPDATE reading SET value = 1", "DELETE FROM reading", "DELETE FROM event"):
        job.add_event("as-found", Event(kind="note"))
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            other.execute(statement)
    other.close()


def test_settings_of_the_file(job):
    other = sqlite3.connect(job.path)
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert other.execute("PRAGMA application_id").fetchone() == (0x5374676B,)
    assert other.execute("PRAGMA user_version").fetchone()[0] >= 1
    tables = other.execute("SELECT name, strict FROM pragma_table_list WHERE name NOT LIKE 'sqlite%'").fetchall()
    assert dict(tables) == dict.fromkeys(
        ["job", "pass", "reading", "capture", "waveform", "event", "answer", "watched"], 1
    )
    other.close()
    with job._tables._engine.connect() as connection:
        pragma = {n: connection.exec_driver_sql(f"PRAGMA {n}").scalar() for n in ("synchronous", "foreign_keys")}
    assert pragma == {"synchronous": 2, "foreign_keys": 1}


def test_a_closed_job_is_one_file(tmp_path):
    with create_job(tmp_path / "amp.stagewalk", "x") as job:
        job.start_pass("as-found")
        job.add_reading("as-found", READING)
    assert [path.name for path in tmp_path.iterdir()] == ["amp.stagewalk"]


def test_a_copy_of_the_file_alone_made_while_it_is_open_has_what_was_kept(tmp_path):
    with create_job(tmp_path / "amp.stagewalk", "x") as job:
        job.start_pass("as-found")
        for _ in range(30):
            job.add_reading("as-found", READING)
        shutil.copyfile(tmp_path / "amp.stagewalk", tmp_path / "copy.stagewalk")
    with open_job(tmp_path / "copy.stagewalk", read_only=True) as copy:
        assert copy.read_pass("as-found").readings == (READING,) * 30


def test_an_existing_file_is_never_overwritten(tmp_path):
    path = tmp_path / "amp.stagewalk"
    path.write_text("somebody's text")
    with pytest.raises(StoreError, match="exists already"):
        create_job(path, "x")
    assert path.read_text() == "somebody's text"


def test_reading_only_refuses_to_write(job):
    with open_job(job.path, read_only=True) as copy:
        for write in (
            lambda: copy.add_reading("as-found", READING),
            lambda: copy.add_capture("as-found", capture()),
            lambda: copy.start_pass("x"),
        ):
            with pytest.raises(StoreError, match="reading only"):
                write()


def test_opening_a_job_loads_no_table_library():
    script = "import sys, acquisition.store\nassert 'sqlalchemy' not in sys.modules\n"
    script += "acquisition.store.open_job\nassert 'sqlalchemy' in sys.modules and 'pandas' not in sys.modules"
    subprocess.run([sys.executable, "-c", script], check=True)


def test_half_a_character_loses_none_of_the_words_around_it(tmp_path):
    """From a terminal in another code (bytes as PEP 383 gives them), or an emoji that was cut in two."""
    with create_job(tmp_path / "amp.stagewalk", "amp", customer="J\udcfcrgen") as job:
        assert job.sheet.customer == "J?rgen"
        job.start_pass("as-found")
        job.describe(complaint="hums \ud83d")
        job.add_event("as-found", Event(kind="note", subject="V1.1", text="crackles \ud83d"))
        job.add_reading("as-found", replace(READING, note="read \udcb5V"))
    with open_job(tmp_path / "amp.stagewalk") as job:
        assert job.sheet.complaint == "hums ?"
        kept = job.read_pass("as-found")
    assert [event.text for event in kept.events] == ["crackles ?"]
    assert [reading.note for reading in kept.readings] == ["read ?V"]
