"""Poor platforms: no home, ASCII, pipes that close, full disks, Ctrl-C; in silence and without half a file."""

import os
import random
import signal
import subprocess
import sys
import time
import weakref
from pathlib import Path

import pytest

from acquisition.errors import StoreError
from analysis.app.cli import main
from analysis.app.output import write_whole

ROOT = Path(__file__).resolve().parents[2]
JOB = ROOT / "tests" / "data" / "jobs" / "version-3.stagewalk"
START = [sys.executable, "-c", "from analysis.app.entry import entry; entry()"]
# Says when it runs; an interrupt between these very lines is this test's own affair.
READY = """
try:
    from analysis.app.entry import entry
    print(flush=True)
    entry()
except KeyboardInterrupt:
    raise SystemExit(130)
"""
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="signals and devices of POSIX")
VERBS = {
    "help": ["--help"],
    "tube": ["tube", "EL84"],
    "tube json": ["tube", "12AX7", "--json"],
    "expect": ["expect", "quayside-five"],
    "list": ["list", str(JOB.parent)],
    "export": ["export", str(JOB)],
    "error": ["tube", "no-such-tube"],
}


def environment(**more):
    poor = {"PATH": os.environ.get("PATH", ""), "HOME": "/nonexistent", "LANG": "C", "LC_ALL": "C"}
    return poor | {"PYTHONIOENCODING": "ascii", "OMP_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)} | more


def run(arguments, **options):
    options = {"capture_output": True, "text": True, "env": environment(), "timeout": 60, "check": False} | options
    return subprocess.run([*START, *arguments], **options)


def quiet(said):
    return "Traceback" not in said and "Exception ignored" not in said


@pytest.mark.parametrize("name", VERBS)
def test_no_home_and_a_terminal_of_ascii(name, tmp_path):
    done = run(VERBS[name], cwd=tmp_path)
    assert done.returncode == (2 if name == "error" else 0)
    assert done.stdout.isascii()
    assert quiet(done.stderr)
    assert list(tmp_path.iterdir()) == []


@POSIX
@pytest.mark.parametrize("name", ["tube json", "expect", "export"])
def test_a_reader_that_goes_away(name):
    with subprocess.Popen(
        [*START, *VERBS[name]], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    ) as process:
        process.stdout.close()
        said = process.stderr.read().decode()
    assert process.returncode == 0
    assert said == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("name", ["help", "tube", "list"])
def test_output_to_a_full_disk(name):
    with open("/dev/full", "w") as full:
        done = run(VERBS[name], capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr == "output: No space left on device\n"


@POSIX
@pytest.mark.parametrize("closed", ["out", "err"])
@pytest.mark.parametrize("name", ["tube", "list", "error"])
def test_streams_that_are_closed(name, closed):
    number = {"out": 1, "err": 2}[closed]
    words = " ".join(f"'{word}'" for word in [*START, *VERBS[name]])
    done = subprocess.run(
        ["sh", "-c", f"{words} {number}>&-"], capture_output=True, text=True, env=environment(), check=False
    )
    assert done.returncode == (2 if name == "error" else 0)
    assert quiet(done.stderr)


@POSIX
@pytest.mark.parametrize("verb", ["tube", "draw", "export", "suspects"])
def test_an_interrupt_at_any_moment(verb, tmp_path):
    readings = tmp_path / "r.csv"
    readings.write_text("point,quantity,value\nV1.1,dc_v,190\nV1.3,dc_v,1.4\n")
    target = tmp_path / "out.svg"
    arguments = {
        "tube": ["tube", "EL84", "--svg", str(target)],
        "draw": ["draw", "quayside-five", "--out", str(target)],
        "export": ["export", str(JOB), "--out", str(target)],
        "suspects": ["suspects", "--chassis", "quayside-five", str(readings)],
    }[verb]
    draw = random.Random(verb)
    for _ in range(4):
        target.unlink(missing_ok=True)
        process = subprocess.Popen(
            [*START[:-1], READY, *arguments],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(PYTHONUNBUFFERED="1"),
        )  # fmt: skip
        process.stdout.readline()
        time.sleep(draw.uniform(0.0, 0.25))  # the moment is the thing tested, and the clock is the child's
        process.send_signal(signal.SIGINT)
        said = process.communicate(timeout=30)[1]
        assert quiet(said)
        assert process.returncode in (0, 130)
        assert said in ("", "stopped\n") or process.returncode == 0
        if target.exists():
            assert target.read_text(encoding="utf-8").rstrip().endswith("</svg>") or verb == "export"
        assert not [path for path in tmp_path.iterdir() if path.suffix == ".part"]


def test_an_interrupt_in_a_verb_is_130(monkeypatch, capsys):
    from analysis.app import cli

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.stagewalk, "invoke", interrupted)
    assert main(["tube", "EL84"]) == 130
    assert capsys.readouterr().err == "stopped\n"


@POSIX
@pytest.mark.parametrize(("name", "kind"), [("SIGINT", KeyboardInterrupt), ("SIGTERM", SystemExit)])
def test_an_interrupt_where_no_exception_gets_out_comes_a_moment_later(monkeypatch, name, kind):
    """Found by pressing Ctrl-C at random moments: Python printed it as ignored, and the verb went on.

    After SIGTERM, as of a terminal that is closed, nothing could end it any more.
    """
    from analysis.app.entry import _ended, _unraised

    number = getattr(signal, name)
    before = signal.signal(number, _ended if kind is SystemExit else signal.default_int_handler)
    monkeypatch.setattr(sys, "unraisablehook", _unraised)
    began_s = time.monotonic()

    def press_and_wait():
        thing = type("Thing", (), {})()
        watched = weakref.ref(thing, lambda _: os.kill(os.getpid(), number))
        del thing  # calls back, and what is raised there is dropped
        assert watched() is None
        time.sleep(20)

    try:
        with pytest.raises(kind):
            press_and_wait()
    finally:
        signal.signal(number, before)
    assert time.monotonic() - began_s < 10


# -- files the verbs write ---------------------------------------------------------------------------------------


def test_a_file_is_whole_or_not_at_all(tmp_path, monkeypatch):
    target = tmp_path / "a.html"
    write_whole(target, "old\r\n")
    assert target.read_bytes() == b"old\r\n"

    def dies(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", dies)
    with pytest.raises(KeyboardInterrupt):
        write_whole(target, "new")
    assert target.read_text() == "old\n"
    assert [path.name for path in tmp_path.iterdir()] == ["a.html"]


def test_places_that_cannot_be_written(tmp_path):
    read_only = tmp_path / "kept.svg"
    read_only.write_text("kept")
    for target in (
        tmp_path,
        tmp_path / "none" / "a.svg",
        read_only / "a.svg",
        tmp_path / ("a" * 300),
        Path("a\x00"),
    ):
        with pytest.raises(StoreError, match="cannot be written") as told:
            write_whole(target, "x")
        assert told.value.hint
    assert read_only.read_text() == "kept"


@POSIX
def test_links_and_devices_stay_what_they_are(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_whole(tmp_path / "link", "x")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "x"
    write_whole(Path("/dev/null"), "x")
    assert not Path("/dev/null").is_file()
