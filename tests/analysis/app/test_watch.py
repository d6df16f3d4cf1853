"""Telling of an instrument that does not answer, while its time is not over yet."""

import threading
from types import SimpleNamespace

import pytest

from acquisition.clock import SystemClock
from analysis.app.signal.watch import Watch


class Quick:
    """Answers each question in time; whoever looks at it is held up for a second just then."""

    def __init__(self, looks):
        self.clock, self.now_s, self.left, self.seen = self, 0.0, looks, threading.Event()

    def monotonic_s(self):
        return self.now_s

    @property
    def waiting_since_s(self):
        since_s = self.now_s
        self.now_s += 1.0
        self.left -= 1
        if not self.left:
            self.seen.set()
        return since_s


@pytest.mark.parametrize(("is_told", "wanted"), [(False, 1), (True, 0)])
def test_a_question_without_an_answer_is_told_once_and_an_answered_one_never(is_told, wanted):
    clock, lines, quick = SystemClock(), [], Quick(looks=5)
    silent = SimpleNamespace(clock=clock, waiting_since_s=clock.monotonic_s())
    with Watch({"scope": silent, "generator": quick}, lines.append, lambda: is_told, notice_s=0.05):
        quick.seen.wait()
    assert len(lines) == wanted
    assert all("no answer of the scope" in line for line in lines)
