"""``stagewalk survey`` as a person has it: a real process in a pseudo-terminal, the simulated bench at its tip."""

import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from contextlib import contextmanager

import pytest

from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.hands import Hands
from acquisition.store import open_job
from analysis.app.demo.plant import TablePlant, load_table

fcntl = pytest.importorskip("fcntl")

START = """
import fcntl, signal, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # whoever runs the tests may have it ignored, and that is inherited
from analysis.app.entry import entry
entry()
"""

SHELL = """
import fcntl, os, signal, subprocess, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)

def begin():
    os.setpgid(0, 0)
    os.tcsetpgrp(0, os.getpid())
    signal.signal(signal.SIGTTOU, signal.SIG_DFL)

start = "from analysis.app.entry import entry; entry()"
job = subprocess.Popen([sys.executable, "-c", start, *sys.argv[1:]], preexec_fn=begin)
while os.WIFSTOPPED(status := os.waitpid(job.pid, os.WUNTRACED)[1]):
    os.tcsetpgrp(0, os.getpgrp())
    print("in the shell", flush=True)
    assert input() == "fg"
    os.tcsetpgrp(0, job.pid)
    os.kill(job.pid, signal.SIGCONT)
os._exit(os.waitstatus_to_exitcode(status))
"""
"""What a shell with job control does, and no more: the session's leader, its job in the foreground."""


class Terminal:
    """A process with a pseudo-terminal of its own, what it wrote, and the keys it gets."""

    def __init__(self, *arguments, columns=80, start=START):
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.process = subprocess.Popen(
            [sys.executable, "-c", start, "survey", *map(str, arguments)],
            stdin=self.slave, stdout=self.slave, stderr=self.slave, start_new_session=True,
            env={name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")},
        )  # fmt: skip
        self.text, self._seen = "", 0

    def _pull(self, for_s):
        if select.select([self.master], [], [], for_s)[0]:
            self.text += os.read(self.master, 65536).decode(errors="replace")

    def wait(self, words, limit_s=200.0):
        """Wait for words after those waited for before; give what stood between."""
        end_s = time.monotonic() + limit_s
        while (at := self.text.find(words, self._seen)) < 0:
            assert time.monotonic() < end_s, f"no {words!r} in:\n{self.text[self._seen :]}"
            self._pull(0.2)
        between, self._seen = self.text[self._seen : at], at + len(words)
        return between

    def watch(self, for_s):
        """What is written during the next seconds."""
        start, end_s = len(self.text), time.monotonic() + for_s
        while (left_s := end_s - time.monotonic()) > 0:
            self._pull(left_s)
        return self.text[start:]

    def type(self, keys):
        time.sleep(0.3)  # nobody presses a key sooner after a question, and what was there before it is dropped
        os.write(self.master, keys.encode())

    def end(self, limit_s=200.0):
        end_s = time.monotonic() + limit_s
        while self.process.poll() is None:
            assert time.monotonic() < end_s, f"still running:\n{self.text[-2000:]}"
            self._pull(0.1)
        while select.select([self.master], [], [], 0.1)[0]:
            self._pull(0.0)
        return self.process.returncode

    @property
    def modes(self):
        """Whether the terminal gives whole lines, and whether it echoes."""
        local = termios.tcgetattr(self.slave)[3]
        return bool(local & termios.ICANON), bool(local & termios.ECHO)

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        bench.file = bench.write(tmp_path_factory.mktemp("bench") / "bench.yaml")
        bench.hands = Hands(bench.wiring, seed=3, pace=0.2, slip_rate=0.0)
        yield bench
        bench.hands.lift()


@contextmanager
def survey(bench, job, *options, **how):
    given = [
        "--chassis",
        "quayside-five",
        "--bench",
        bench.file,
        "--mains",
        "231",
        "--tubes-glow",
        "--from",
        "V1.3",
    ]
    terminal = Terminal(job, *given, *options, **how)
    bench.hands.lift()
    try:
        yield terminal
    finally:
        terminal.close()


def asked(terminal, words):
    """Wait until a question is told: what is pressed from its bell on is for it."""
    terminal.wait(words)
    terminal.wait("\a")


def begin(terminal):
    asked(terminal, "Space when done.")
    terminal.type(" ")
    asked(terminal, "Space when it is warm.")
    terminal.type(" ")


def kept(job, name="as-found"):
    with open_job(job, read_only=True) as opened:
        return [r.point for r in opened.read_pass(name).readings]


def screen(text):
    """What stands on each line in the end, colours off: a carriage return draws over the line."""
    plain = re.sub(r"\x1b\[[0-9;]*m|\x07", "", text)
    lines = []
    for line in plain.replace("\r\n", "\n").split("\n"):
        shown = ""
        for part in line.split("\r"):
            shown = part + shown[len(part) :]
        lines.append(shown.rstrip())
    return lines


def test_keys_live_value_and_bell_in_a_terminal(bench, tmp_path):
    job = tmp_path / "amp.stagewalk"
    with survey(bench, job) as terminal:
        asked(terminal, "Space when done.")
        assert terminal.modes == (False, False), "single keys, and no echo over the live value"
        terminal.type("  b")  # pressed too often: what follows was not on the screen yet
        asked(terminal, "Space when it is warm.")
        assert "Touch" not in terminal.watch(1.0)
        terminal.type(" ")
        terminal.wait("Touch V1.3")
        for _ in range(2):
            terminal.wait("\r   V1.3 ")  # the live value is drawn over itself
        assert "no contact seen" in terminal.text
        bench.hands.touch("V1.3")
        terminal.wait("== V1.3 ")
        terminal.wait("\a")
        terminal.wait("Lift.")
        assert kept(job) == ["V1.3"], "on disk before it was announced"
        bench.hands.lift()
        terminal.wait("V1.8, cathode")
        # A key is for what stood there when it was pressed: it counts once the whole point is told.
        for key, point in (("", "V1.8"), ("b", "V1.3"), ("s", "V1.8"), ("r", "V1.8")):
            terminal.type(key)
            terminal.wait(f"Touch {point}")
        terminal.type("x7\t")
        assert "Touch" not in terminal.watch(0.5), "other keys mean nothing"
        terminal.type("q")
        assert terminal.end() == 0
        assert terminal.modes == (True, True)
        assert termios.tcgetattr(terminal.slave) == terminal.before
        assert "on disk" in " ".join(screen(terminal.text)[-5:])


def test_mains_that_are_no_number_are_asked_for_again(bench, tmp_path):
    job = tmp_path / "amp.stagewalk"
    terminal = Terminal(job, "--chassis", "quayside-five", "--bench", bench.file, "--tubes-glow")
    try:
        terminal.wait("mains now")
        terminal.type("23O\n")
        terminal.wait("expected volts rms between 1 and 1000, such as 230, got '23O'")
        terminal.wait("mains now")
        terminal.type("231\n")
        asked(terminal, "Space when done.")
        terminal.type("q")
        assert terminal.end() == 0
        with open_job(job, read_only=True) as opened:
            assert opened.read_pass("as-found").mains_v == 231.0
    finally:
        terminal.close()


@pytest.mark.parametrize("no_color", ["", "1"])
def test_who_asks_for_no_colour_gets_none(bench, tmp_path, monkeypatch, no_color):
    monkeypatch.setenv("NO_COLOR", no_color)
    with survey(bench, tmp_path / "amp.stagewalk") as terminal:
        asked(terminal, "Space when done.")
        terminal.type("q")
        assert terminal.end() == 0
        assert ("\x1b[" in terminal.text) == (not no_color)
        assert "!! High voltage kills." in terminal.text, "a hazard is told without colour as well"


def test_control_c_in_the_middle_of_a_touch(bench, tmp_path):
    job = tmp_path / "amp.stagewalk"
    with survey(bench, job) as terminal:
        begin(terminal)
        terminal.wait("Touch V1.3")
        bench.hands.touch("V1.3")
        terminal.wait("Lift.")
        terminal.watch(0.5)
        terminal.type("\x03")
        assert terminal.end() == 130
        assert termios.tcgetattr(terminal.slave) == terminal.before
        assert kept(job) == ["V1.3"]
        lines = screen(terminal.text)
        assert "Traceback" not in terminal.text
        assert lines[-2:] == ["stopped", ""], "on a line of its own"
        assert "Mains off before you reach in" in " ".join(lines[-5:])


def test_control_z_gives_the_terminal_to_the_shell_and_takes_it_back(bench, tmp_path):
    with survey(bench, tmp_path / "amp.stagewalk", start=SHELL) as terminal:
        asked(terminal, "Space when done.")
        for _ in range(2):
            assert terminal.modes == (False, False)
            terminal.type("\x1a")
            terminal.wait("in the shell")
            assert terminal.modes == (True, True), "lines, and what is typed is seen"
            terminal.type("fg\n")
            terminal.wait("fg")
            terminal.wait("\r   ")  # the free lead is heard again
        terminal.type(" ")
        asked(terminal, "Space when it is warm.")
        terminal.type("q")
        assert terminal.end() == 0
        assert termios.tcgetattr(terminal.slave) == terminal.before


def test_the_meter_is_lost_in_the_middle(tmp_path):
    job = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        bench.file = bench.write(tmp_path / "bench.yaml")
        bench.hands = Hands(bench.wiring, seed=3, pace=0.2, slip_rate=0.0)
        with survey(bench, job) as terminal:
            begin(terminal)
            terminal.wait("Touch V1.3")
            bench.hands.touch("V1.3")
            terminal.wait("Lift.")
            bench.__exit__(None, None, None)
            terminal.wait("no answer from the meter")
            terminal.type("q")
            assert terminal.end() in (0, 3)
            assert termios.tcgetattr(terminal.slave) == terminal.before
            assert kept(job) == ["V1.3"]
            assert "Traceback" not in terminal.text
            assert "on disk" in " ".join(screen(terminal.text)[-8:])


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_ended_from_outside_it_leaves_a_terminal_that_can_be_typed_in(bench, tmp_path, name):
    job = tmp_path / "amp.stagewalk"
    with survey(bench, job) as terminal:
        begin(terminal)
        terminal.wait("Touch V1.3")
        bench.hands.touch("V1.3")
        terminal.wait("Lift.")
        terminal.process.send_signal(getattr(signal, name))
        assert terminal.end() != 0
        assert terminal.modes == (True, True)
        assert kept(job) == ["V1.3"]


@pytest.mark.parametrize("columns", [40, 80])
def test_no_line_is_broken_by_the_terminal(bench, tmp_path, columns):
    with survey(bench, tmp_path / "amp.stagewalk", columns=columns) as terminal:
        begin(terminal)
        terminal.wait("Touch V1.3")
        terminal.watch(0.5)
        terminal.type("s")
        terminal.wait("Touch V1.8")
        terminal.type("q")
        assert terminal.end() == 0
        lines = screen(terminal.text)
        assert max(map(len, lines)) < columns
        hazards = [line for line in lines if "high voltage" in line.lower()]
        assert all(line.startswith("!!") for line in hazards), "a hazard never looks like a prompt"
