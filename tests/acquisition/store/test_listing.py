"""The list of jobs: quick, complete, and nothing left behind."""

import subprocess
import sys

import pytest

from acquisition.clock import FakeClock
from acquisition.errors import StoreError
from acquisition.records import Reading
from acquisition.store import create_job, list_jobs


def test_jobs_are_listed_by_name_with_what_is_in_them(tmp_path):
    clock = FakeClock()
    for name in ("b", "a"):
        with create_job(tmp_path / f"{name}.stagewalk", f"Amp {name}", serial="7", clock=clock) as job:
            job.start_pass("as-found")
            job.add_reading(
                "as-found", Reading(point="V1.1", quantity="dc_v", value=1.0, taken_utc="2026-02-03T00:00:00.000Z")
            )
    (tmp_path / "notes.txt").touch()
    (tmp_path / "empty.stagewalk").touch()
    before = sorted(tmp_path.iterdir())
    first, second, empty = list_jobs(tmp_path)
    assert (first.chassis_name, first.serial, first.passes) == ("Amp a", "7", ("as-found",))
    assert (first.readings, first.captures, first.last_utc) == (1, 0, "2026-02-03T00:00:00.000Z")
    assert second.chassis_name == "Amp b"
    assert empty.problem
    assert sorted(tmp_path.iterdir()) == before


def test_a_job_in_use_is_listed_with_its_latest_reading(tmp_path):
    with create_job(tmp_path / "a.stagewalk", "Amp") as job:
        job.start_pass("as-found")
        job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=1.0))
        (found,) = list_jobs(tmp_path)
        assert found.readings == 1


def test_no_such_folder(tmp_path):
    with pytest.raises(StoreError, match="No such file"):
        list_jobs(tmp_path / "none")


def test_the_list_loads_no_database_library(tmp_path):
    script = "import sys, acquisition.store as s; s.list_jobs(sys.argv[1])\n"
    script += "assert not {'sqlalchemy', 'pandas'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True)
