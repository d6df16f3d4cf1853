"""One repaired chassis for the tests of the report."""

import sys
from pathlib import Path

import pytest

from acquisition.store import open_job
from analysis.app.verbs.report import gather

sys.path.insert(0, str(Path(__file__).parent))
from repaired_five import build


@pytest.fixture(scope="session")
def job(tmp_path_factory):
    return build(tmp_path_factory.mktemp("report") / "five.stagewalk", frequencies=4, captures=3, samples=2000)


@pytest.fixture(scope="session")
def material(job):
    with open_job(job, read_only=True) as opened:
        return gather(opened)
