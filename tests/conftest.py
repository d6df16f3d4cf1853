"""Shared fixtures, and the rule that a full run skips nothing."""

import os
import signal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

LONG = (
    "browser/test_page_in_browser.py",
    "analysis/app/test_demo.py",
    "outside/test_ngspice_chassis.py",
    "analysis/suspects/test_artefacts_and_pairs.py",
    "contract/test_faults_are_found.py",
    "analysis/suspects/test_reading_after_reading.py",
    "browser/test_report_in_browser.py",
    "analysis/app/test_page_worker.py",
    "outside/test_sine_fit_bounds.py",
    "analysis/app/test_survey_terminal.py",
    "acquisition/instruments/test_scope_role.py",
    "analysis/app/test_tubes_out.py",
    "analysis/app/test_gain_verb.py",
    "analysis/suspects/test_other_tubes.py",
    "analysis/app/test_together.py",
    "acquisition/store/test_store_trouble.py",
    "analysis/app/test_compare_verb.py",
    "analysis/circuit/test_dc.py",
    "analysis/chassis/test_driving.py",
    "acquisition/test_capture.py",
    "analysis/suspects/test_envelopes.py",
    "browser/test_page_as_told.py",
    "contract/test_platform.py",
)
"""Files that take longest, longest first; a worker that began one of them last would keep the others waiting."""

FULL = os.environ.get("STAGEWALK_FULL_CHECKS") == "1"

# A busy machine makes no test fail; what gates a landing tries the same examples each time, others try new ones.
settings.register_profile("here", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=FULL)
settings.load_profile("here")


USUAL = {"SIGINT": signal.default_int_handler, "SIGQUIT": signal.SIG_DFL, "SIGHUP": signal.SIG_DFL}
for name in USUAL.keys() & set(dir(signal)):
    # A script that starts the tests with & or nohup has them ignored, and every child of a test would inherit that.
    if signal.getsignal(number := getattr(signal, name)) is signal.SIG_IGN:
        signal.signal(number, USUAL[name])


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch):
    """No test depends on the user's configuration folder."""
    monkeypatch.delenv("STAGEWALK_CONFIGS", raising=False)


def pytest_collection_modifyitems(items):
    """Begin with the long files; beside that everything stays in its order."""
    place = {str(Path(__file__).parent / name): i for i, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(str(item.path), len(LONG)))


def pytest_sessionfinish(session, exitstatus):
    """In a full run (STAGEWALK_FULL_CHECKS=1) a skipped check is a failed run."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if FULL and skipped and exitstatus == 0:
        reporter.write_line("a full run may skip nothing, but these were skipped:", red=True)
        for report in skipped:
            reporter.write_line(f"  {report.nodeid}: {report.longrepr}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
