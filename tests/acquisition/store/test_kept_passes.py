"""Passes held in memory say what the job says, and are read again only where it has changed."""

import pytest

from acquisition.errors import StoreError
from acquisition.records import PULLED, Event, Reading
from acquisition.store import KeptPasses, create_job, open_job

NAMES = ("as-found", "v2-out", "after-C2")


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "amp.stagewalk"
    with create_job(path, "amp") as job:
        for name in NAMES:
            job.start_pass(name, mains_v=231.0)
            job.add_reading(name, Reading(point="HT1", quantity="dc_v", value=250.0))
    return path


def same(kept, job):
    kept.renew()
    assert kept.passes() == job.passes()
    assert kept.sheet == job.sheet
    for name in job.passes():
        assert kept.read_pass(name) == job.read_pass(name)
        assert kept.work_done(name) == job.work_done(name)
    return True


def test_whatever_program_changes_a_pass_it_is_seen(path):
    with open_job(path) as job, open_job(path) as elsewhere:
        kept = KeptPasses(job)
        assert same(kept, job)
        for one in (job, elsewhere):
            one.add_reading("v2-out", Reading(point="V2.2", quantity="dc_v", value=3.6))
            assert same(kept, job)
            one.add_event("as-found", Event(kind="part_measured", subject="R5", value=103e3))
            assert same(kept, job)
            one.add_event("after-C2", Event(kind="part_replaced", subject="C2"))
            assert same(kept, job)
        elsewhere.write_conditions("v2-out", mains_v=229.0, pulled=("V2",))
        assert same(kept, job)
        assert kept.read_pass("v2-out").settings == {PULLED: "V2"}
        elsewhere.start_pass("after-R5")
        elsewhere.describe(customer="M. Okafor")
        assert same(kept, job)


def test_what_has_not_changed_is_not_read_again(path, monkeypatch):
    with open_job(path) as job:
        kept, read, whole = KeptPasses(job), [], job.read_pass
        monkeypatch.setattr(job, "read_pass", lambda name, **how: read.append(name) or whole(name, **how))
        kept.renew()
        assert read == []
        job.add_reading("v2-out", Reading(point="V2.2", quantity="dc_v", value=3.6))
        kept.renew()
        assert read == ["v2-out"]
        assert len(kept.read_pass("v2-out").readings) == 2
        with pytest.raises(StoreError, match="no pass called 'after-V9'"):
            kept.read_pass("after-V9")
