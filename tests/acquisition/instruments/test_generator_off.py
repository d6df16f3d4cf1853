"""The generator is off in the end: whoever presses what, whatever is lost on the way to it."""

import os
import signal

import pytest

from acquisition.instruments.bench import GeneratorEntry
from acquisition.instruments.generator import Generator
from tests.acquisition.instruments.children import child_with_generator

ENTRY = GeneratorEntry(resource="TCPIP::h::1::SOCKET", dialect="x", most_pp_v="5")


@pytest.fixture
def bench(rig):
    made = rig("scpi-generator", {":FUNC?": "SIN"}).open()
    made.generator = Generator(made.session, ENTRY)
    made.generator._apply()
    made.generator.set_sine(1000.0, 0.5)
    return made


def pressed_when_told_off(peer, number):
    """Send the process a signal just before the order to switch off would arrive, once."""
    hear, left = peer.hear, [number]

    def hearing(text):
        if text == ":OUTP OFF" and left:
            os.kill(os.getpid(), left.pop())
        return hear(text)

    peer.hear = hearing


@pytest.mark.parametrize(
    ("number", "kind"),
    [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, SystemExit), (signal.SIGHUP, SystemExit)],
)
def test_an_impatient_second_press_does_not_come_between_the_order_and_the_generator(bench, number, kind):
    def ends(*_):
        raise kind

    before = {each: signal.signal(each, ends) for each in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        with pytest.raises(kind), bench.generator.measuring():  # noqa: PT012  the block is the point
            pressed_when_told_off(bench.peer, number)
            os.kill(os.getpid(), number)
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
    assert bench.peer.answers[":OUTP?"] == "0"
    assert not bench.generator.is_on


def test_a_press_while_it_is_switched_off_is_heard_afterwards(bench):
    with pytest.raises(KeyboardInterrupt), bench.generator.measuring():
        pressed_when_told_off(bench.peer, signal.SIGINT)
    assert bench.peer.answers[":OUTP?"] == "0"


def test_ctrl_c_is_heard_at_once_while_a_lost_generator_is_looked_for(bench):
    """That takes its time-outs, again and again; what may be on is tried once more when it is closed."""
    generator, peer = bench.generator, bench.peer
    generator.output(True)
    generator.session.drop()
    hear = peer.hear

    def pressed(text):
        peer.hear = hear
        os.kill(os.getpid(), signal.SIGINT)
        return hear(text)

    peer.hear = pressed
    peer.heard.clear()
    with pytest.raises(KeyboardInterrupt):
        generator.output(False)
    assert ":OUTP OFF" not in peer.heard
    assert generator.is_on
    generator.close()
    assert peer.answers[":OUTP?"] == "0"


@pytest.mark.parametrize("how", ["order lost", "silent", "cut", "twice", "garbage"])
def test_what_is_lost_once_on_the_way_off_is_said_once_more(bench, faults, how):
    peer, shown = bench.peer, bench.peer.shown
    answers = {"silent": faults.silent, "cut": faults.cut, "twice": faults.twice}
    answers["garbage"] = faults.instead(b"#\xfe\n")

    def deaf_once(head, value):
        peer.shown = shown
        return "1"

    with bench.generator.measuring():
        if how == "order lost":
            peer.shown = deaf_once
        else:
            peer.faults.append(answers[how])
    assert peer.answers[":OUTP?"] == "0"
    assert not bench.generator.is_on
    assert peer.heard.count(":OUTP OFF") >= 2


def test_who_ignores_a_closed_terminal_goes_on_measuring(bench):
    """``nohup`` does: a sweep that was left to run must not end when the screen is shut."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with bench.generator.measuring():
            os.kill(os.getpid(), signal.SIGHUP)
            assert bench.peer.answers[":OUTP?"] == "1"
    finally:
        signal.signal(signal.SIGHUP, before)
    assert bench.peer.answers[":OUTP?"] == "0"


def test_who_asked_to_stop_while_all_was_set_up_gets_no_signal_at_all(bench):
    class Stopped(Exception):
        pass

    def look():
        raise Stopped

    bench.peer.heard.clear()
    with pytest.raises(Stopped), bench.generator.measuring(look):
        pytest.fail("the measurement must not begin")
    assert ":OUTP ON" not in bench.peer.heard


TWICE = """
import sys
from acquisition.errors import ConnectionLost
from acquisition.instruments import open_generator
from acquisition.instruments.bench import Bench
bench = Bench.model_validate({"bench": "x", "generator": {"resource": sys.argv[1], "dialect": "scpi-generator"}})
generator = open_generator(bench)
generator.set_sine(1000.0, 0.5)
generator.output(True)
print("on", flush=True)
sys.stdin.readline()
try:
    generator.close()
except ConnectionLost:
    print("not closed", flush=True)
sys.stdin.read()
"""


def test_what_could_not_be_switched_off_is_tried_once_more_when_the_program_ends():
    with child_with_generator(TWICE) as (wiring, server, child):
        server.refuse()
        server.drop()
        child.stdin.write("close\n")
        child.stdin.flush()
        assert child.stdout.readline() == "not closed\n"
        assert wiring.drive.on
        server.refuse(False)
        _, told = child.communicate("")
        assert (child.returncode, told) == (0, "")
        assert not wiring.drive.on


@pytest.mark.parametrize("silent", [False, True])
def test_one_that_has_no_frequency_in_the_mode_it_was_left_in_goes_off_all_the_same(rig, silent):
    """Noise has none: asked for it the generator says so in its error queue, or nothing, and the output is on."""
    answers = {":FUNC?": "NOIS", ":OUTP?": "1", ":OUTP:LOAD?": "50", ":VOLT:UNIT?": "VPP"}
    made = rig("scpi-generator", answers | ({":FREQ?": b""} if silent else {})).open()
    generator = Generator(made.session, ENTRY)
    made.peer.answers[":FUNC?"] = lambda: "SIN" if ":FUNC SIN" in made.peer.heard else "NOIS"
    generator.note_found()
    assert generator.was_on
    generator._apply()
    assert made.peer.answers[":OUTP?"] == "0"
    (left,) = generator.restore()
    assert "no answer" in left if silent else "-113" in left
