"""Time as the program sees it."""

import sys
import time

import pytest

from acquisition.clock import SystemClock


@pytest.mark.skipif(sys.platform == "win32", reason="there time.monotonic counts sleep already")
def test_the_time_that_the_machine_slept_counts(monkeypatch):
    # clock_gettime(2) of Linux: CLOCK_MONOTONIC leaves out the time that it is suspended, CLOCK_BOOTTIME does not.
    # A lid closed for ten minutes made a tube ten minutes younger, and the gap in the samples went unseen.
    clock = SystemClock()
    before_s = clock.monotonic_s()
    runs_asleep = time.CLOCK_MONOTONIC if sys.platform == "darwin" else time.CLOCK_BOOTTIME
    real = time.clock_gettime
    monkeypatch.setattr(time, "clock_gettime", lambda which: real(which) + 600.0 * (which == runs_asleep))
    assert 600.0 <= clock.monotonic_s() - before_s < 660.0
