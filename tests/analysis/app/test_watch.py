"""Telling of an instrument that does not answer, while its time is not over yet."""

import threading
import time
from types import SimpleNamespace

import pytest

from acquisition.clock import SystemClock
from analysis.app.signal.watch import Watch


@pytest.mark.parametrize(("is_told", "wanted"), [(False, 1), (True, 0)])
def test_a_question_without_an_answer_is_told_once_and_an_answered_one_never(is_told, wanted):
    clock, heard, lines = SystemClock(), threading.Event(), []
    silent, quick = (SimpleNamespace(clock=clock, waiting_since_s=None) for _ in range(2))

    def say(line):
        lines.append(line)
        heard.set()

    with Watch({"scope": silent, "generator": quick}, say, lambda: is_told, notice_s=0.5):
        silent.waiting_since_s = clock.monotonic_s()
        heard.wait(10.0 if wanted else 0.8)
        for _ in range(20):  # questions that are answered in time, one after the other
            quick.waiting_since_s = clock.monotonic_s()
            time.sleep(0.01)
            quick.waiting_since_s = None
    assert len(lines) == wanted
    assert all("no answer of the scope" in line for line in lines)
