"""Shared fixtures, and the rule that a full run skips nothing."""

import os

import pytest
from hypothesis import settings

settings.register_profile("here", deadline=None)  # a busy machine makes no test fail
settings.load_profile("here")


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch):
    """No test depends on the user's configuration folder."""
    monkeypatch.delenv("STAGEWALK_CONFIGS", raising=False)


def pytest_sessionfinish(session, exitstatus):
    """In a full run (STAGEWALK_FULL_CHECKS=1) a skipped check is a failed run."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if os.environ.get("STAGEWALK_FULL_CHECKS") == "1" and skipped and exitstatus == 0:
        reporter.write_line("a full run may skip nothing, but these were skipped:", red=True)
        for report in skipped:
            reporter.write_line(f"  {report.nodeid}: {report.longrepr}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
