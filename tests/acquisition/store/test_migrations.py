"""Job files of every earlier version open, and say the same as on the day they were written."""

import shutil
import sqlite3
import struct
from pathlib import Path

import pytest

from acquisition.errors import StoreError
from acquisition.store import create_job, list_jobs, open_job
from acquisition.store.schema import MIGRATIONS, VERSION

SAMPLES = Path(__file__).parents[2] / "data" / "jobs"


def version_of(path):
    return struct.unpack(">I", path.read_bytes()[60:64])[0]


def test_every_earlier_version_has_a_way_up_and_a_kept_sample():
    assert sorted(MIGRATIONS) == list(range(1, VERSION))
    kept = {path.name: version_of(path) for path in SAMPLES.glob("version-*.stagewalk")}
    assert kept == {f"version-{number}.stagewalk": number for number in range(1, VERSION + 1)}


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.parametrize("sample", sorted(SAMPLES.glob("version-*.stagewalk")), ids=lambda path: path.stem)
def test_a_kept_sample_reads_the_same(sample, read_only, tmp_path):
    path = tmp_path / sample.name
    shutil.copy(sample, path)
    before = path.read_bytes()
    with open_job(path, read_only=read_only) as job:
        assert job.damage == ()
        assert job.sheet.serial == "Q5-0012"
        assert job.sheet.complaint == "hum, no bass"
        assert job.passes() == ("as-found", "after-C2")
        found, after = (job.read_pass(name) for name in job.passes())
        assert [reading.value for reading in found.readings] == [1.96 * (k + 1) for k in range(20)]
        assert found.readings[3].point == "V1.4"
        assert found.readings[3].taken_utc == "2026-01-01T00:10:32.000Z"
        assert found.captures[0].volts.max() == pytest.approx(9.0)
        assert [(e.subject, e.value) for e in job.work_done(job.passes()[-1])] == [("C2", 22e-9)]
        assert after.mains_v == 231.0
        if version_of(sample) >= 4:
            assert [stretch.mean_v for stretch in found.watched] == [1.625, 1.75, 1.875, 2.0]
        if not read_only:
            job.conclude(found="C2 leaked")
            job.start_pass("later")
    if read_only:
        assert path.read_bytes() == before
        assert [file.name for file in tmp_path.iterdir()] == [path.name]
    else:
        assert version_of(path) == VERSION
        with open_job(path) as job:
            assert job.sheet.found == "C2 leaked"
            assert job.passes() == ("as-found", "after-C2", "later")


def test_a_converted_file_has_the_tables_of_a_new_one(tmp_path):
    def columns(path):
        with sqlite3.connect(path) as file:
            tables = [row[0] for row in file.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
            found = {
                t: sorted(tuple(row[1:]) for row in file.execute(f"PRAGMA table_info({t})")) for t in sorted(tables)
            }
            found["triggers"] = file.execute("SELECT count(*) FROM sqlite_schema WHERE type = 'trigger'").fetchone()
        file.close()
        return found

    old = tmp_path / "old.stagewalk"
    shutil.copy(SAMPLES / "version-1.stagewalk", old)
    open_job(old).close()
    create_job(tmp_path / "new.stagewalk", "x").close()
    assert columns(old) == columns(tmp_path / "new.stagewalk")


def test_a_newer_version_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "new.stagewalk"
    create_job(path, "x").close()
    with sqlite3.connect(path) as file:
        file.execute(f"PRAGMA user_version = {VERSION + 1}")
    file.close()
    before = path.read_bytes()
    for read_only in (True, False):
        with pytest.raises(StoreError, match=f"newer version .*version {VERSION + 1}, ours {VERSION}"):
            open_job(path, read_only=read_only)
    assert path.read_bytes() == before


def test_an_old_job_is_listed_without_converting_it(tmp_path):
    shutil.copy(SAMPLES / "version-1.stagewalk", tmp_path)
    (found,) = list_jobs(tmp_path)
    assert (found.readings, found.captures, found.passes) == (40, 2, ("as-found", "after-C2"))
    assert version_of(tmp_path / "version-1.stagewalk") == 1


@pytest.mark.parametrize("version", range(1, VERSION))
def test_an_older_job_in_a_database_is_not_read_with_tables_it_does_not_have(tmp_path, version):
    # SQLite by its URL stands for any database: such a job is not copied into memory and converted there.
    shutil.copyfile(SAMPLES / f"version-{version}.stagewalk", tmp_path / "job.db")
    url = f"sqlite:///{tmp_path / 'job.db'}"
    with pytest.raises(StoreError, match=f"its tables are version {version}, ours {VERSION}") as caught:
        open_job(url, read_only=True)
    assert "what writes to it converts it first" in caught.value.hint
    open_job(url).close()
    with open_job(url, read_only=True) as job:
        assert job.sheet.chassis_name
        assert (job.told(job.passes()[0], "suspects") is None) == (version < 3)  # the sample of 3 keeps an answer
        assert job.read_pass(job.passes()[0]).watched == ()
