"""The generator: off unless a measurement runs, whatever happens; amplitude means what the chassis sees."""

import os
import signal
import subprocess
import sys

import pytest

from acquisition.errors import CommandRefused, ConnectionLost, InstrumentNotFound, RecordVoid, SafetyStop
from acquisition.instruments.bench import GeneratorEntry
from acquisition.instruments.generator import Generator
from tests.acquisition.instruments.children import child_with_generator

ENTRY = GeneratorEntry(resource="TCPIP::h::1::SOCKET", dialect="x", most_pp_v="5")


@pytest.fixture
def bench(rig):
    made = rig("scpi-generator", {":FUNC?": "SIN"}).open()
    made.generator = Generator(made.session, ENTRY)
    made.generator._apply()
    return made


def commands(bench):
    return [text for text in bench.peer.heard if "?" not in text]


def test_off_is_the_first_thing_after_opening(bench):
    assert commands(bench)[:2] == ["*CLS", ":OUTP OFF"]
    assert bench.peer.answers[":OUTP?"] == "0"


def test_load_unit_function_offset_frequency_amplitude_in_this_order_output_off(bench):
    """Load and unit decide what an amplitude means; the offset limits it."""
    bench.peer.heard.clear()
    sine = bench.generator.set_sine(1000.0, 0.5)
    assert commands(bench) == [
        ":OUTP OFF", ":OUTP:LOAD INF", ":VOLT:UNIT VPP", ":FUNC SIN", ":VOLT:OFFS 0", ":FREQ 1000", ":VOLT 0.5",
    ]  # fmt: skip
    assert (sine.freq_hz, sine.pp_v, sine.offset_v) == (1000.0, 0.5, 0.0)


@pytest.mark.parametrize(("means", "sent"), [("pp", 2.0), ("peak", 1.0), ("rms", 0.70711)])
def test_amplitude_is_sent_as_the_dialect_means_it(rig, means, sent):
    """2 V peak to peak of a sine are 1 V peak and 1 / sqrt(2) V rms."""
    made = rig("scpi-generator", {":FUNC?": "SIN"}).open()
    rules = made.session.dialect.generator
    rules = rules.model_copy(update={"amplitude": rules.amplitude.model_copy(update={"means": means})})
    made.session.dialect = made.session.dialect.model_copy(update={"generator": rules})
    generator = Generator(made.session, ENTRY)
    generator._apply()
    sine = generator.set_sine(1000.0, 2.0)
    (told,) = [text for text in commands(made) if text.startswith(":VOLT ")]
    assert float(told.split()[1]) == pytest.approx(sent, abs=1e-5)
    assert sine.pp_v == pytest.approx(2.0, rel=1e-6)


def test_everything_set_is_read_back(bench):
    bench.peer.heard.clear()
    bench.generator.set_sine(1000.0, 0.5)
    for query in (":OUTP?", ":OUTP:LOAD?", ":VOLT:UNIT?", ":FUNC?", ":VOLT:OFFS?", ":FREQ?", ":VOLT?"):
        assert query in bench.peer.heard


@pytest.mark.parametrize(
    ("head", "shown"),
    [(":OUTP:LOAD", "50"), (":VOLT:UNIT", "VRMS"), (":FUNC", "SQU"), (":VOLT", "0.2"), (":OUTP", "1")],
)
def test_a_generator_that_makes_something_else_of_it_is_refused(bench, head, shown):
    usual = bench.peer.shown
    bench.peer.shown = lambda h, value: shown if h == head else usual(h, value)
    with pytest.raises(CommandRefused, match="was told '") as caught:
        bench.generator.set_sine(1000.0, 0.5)
    assert "{" not in str(caught.value), "the command as it was sent, not its template"


def test_a_sine_that_was_refused_is_not_set_again_after_a_loss_nor_the_one_before_it_given(bench):
    generator, peer = bench.generator, bench.peer
    generator.set_sine(1000.0, 0.5)
    usual = peer.shown
    peer.shown = lambda head, value: "0.5" if head == ":VOLT" else usual(head, value)
    with pytest.raises(CommandRefused):
        generator.set_sine(2000.0, 4.0)
    generator.session.drop()
    assert not generator.session.get(generator._rules.output), "the link is mended, the output off"
    with pytest.raises(CommandRefused, match="no sine is set"):
        generator.output(True)  # its frequency is that of the one, its amplitude that of the other


def test_more_than_the_bench_file_allows_is_never_sent(bench):
    bench.peer.heard.clear()
    with pytest.raises(SafetyStop, match="most_pp_v"):
        bench.generator.set_sine(1000.0, 5.1)
    with pytest.raises(SafetyStop):
        bench.generator.set_sine(1000.0, 4.0, offset_v=1.0)
    assert bench.peer.heard == []


@pytest.mark.parametrize(("freq_hz", "pp_v"), [(0.0, 1.0), (-1.0, 1.0), (1000.0, 0.0), (float("nan"), 1.0)])
def test_no_sine(bench, freq_hz, pp_v):
    with pytest.raises(CommandRefused):
        bench.generator.set_sine(freq_hz, pp_v)


def test_measuring_switches_on_waits_and_switches_off(bench):
    bench.generator.set_sine(100.0, 0.5)
    start_s = bench.clock.monotonic_s()
    with bench.generator.measuring() as sine:
        assert bench.peer.answers[":OUTP?"] == "1"
        assert bench.clock.monotonic_s() - start_s == pytest.approx(3 / 100.0 + 0.05)
        assert sine.pp_v == 0.5
    assert bench.peer.answers[":OUTP?"] == "0"


@pytest.mark.parametrize("kind", [ValueError, KeyboardInterrupt, SystemExit, GeneratorExit])
def test_off_whatever_leaves_the_measurement(bench, kind):
    bench.generator.set_sine(1000.0, 0.5)
    with pytest.raises(kind), bench.generator.measuring():
        raise kind
    assert bench.peer.answers[":OUTP?"] == "0"


def test_off_when_switching_on_fails_half_way(bench, faults):
    bench.generator.set_sine(1000.0, 0.5)
    bench.peer.faults.extend([faults.none] * 3 + [faults.silent])
    with pytest.raises(Exception, match="no answer"), bench.generator.measuring():
        pytest.fail("the measurement must not begin")
    assert bench.peer.answers[":OUTP?"] == "0"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_off_on_a_request_to_end_and_the_old_handler_is_back(bench, number):
    before = signal.getsignal(number)
    bench.generator.set_sine(1000.0, 0.5)
    with pytest.raises(SystemExit) as caught, bench.generator.measuring():
        os.kill(os.getpid(), number)
    assert caught.value.code == 128 + number
    assert bench.peer.answers[":OUTP?"] == "0"
    assert signal.getsignal(number) is before


def test_off_before_control_z_stops_the_program(bench):
    seen = []
    before = signal.signal(signal.SIGTSTP, lambda *_: seen.append(bench.peer.answers[":OUTP?"]))
    bench.generator.set_sine(1000.0, 0.5)
    try:
        with bench.generator.measuring():
            os.kill(os.getpid(), signal.SIGTSTP)
            assert not seen
    finally:
        signal.signal(signal.SIGTSTP, before)
    assert seen == ["0"]


def test_a_lost_link_is_said_with_what_it_means_for_the_output(bench):
    bench.generator.set_sine(1000.0, 0.5)
    with pytest.raises(ConnectionLost) as caught, bench.generator.measuring():
        bench.peer.reachable = False
    assert "still be ON" in caught.value.hint
    bench.peer.reachable = True
    bench.generator.close()
    assert bench.peer.answers[":OUTP?"] == "0"


def test_after_a_loss_the_output_is_switched_off_before_anything_else(bench):
    bench.generator.set_sine(1000.0, 0.5)
    with pytest.raises(ConnectionLost), bench.generator.measuring():
        bench.peer.reachable = False
    bench.peer.reachable = True
    bench.peer.heard.clear()
    bench.generator.set_sine(1000.0, 0.5)
    assert commands(bench)[:2] == ["*CLS", ":OUTP OFF"]
    assert ":OUTP ON" not in bench.peer.heard


def test_after_a_power_cut_it_is_not_switched_on_with_other_settings(bench):
    bench.generator.set_sine(1000.0, 0.5)
    bench.peer.answers["*ESR?"] = "128"
    with pytest.raises(ConnectionLost, match="switched off and on"), bench.generator.measuring():
        pytest.fail("the measurement must not begin")
    assert ":OUTP ON" not in bench.peer.heard


def test_no_output_without_a_sine(bench):
    with pytest.raises(CommandRefused):
        bench.generator.output(True)
    with pytest.raises(CommandRefused), bench.generator.measuring():
        pass


def test_closing_switches_off(bench):
    bench.generator.set_sine(1000.0, 0.5)
    bench.generator.output(True)
    bench.generator.close()
    assert bench.peer.answers[":OUTP?"] == "0"


SCRIPT = """
import sys, threading, socket
from acquisition.instruments import open_generator
from acquisition.instruments.bench import Bench
bench = Bench.model_validate({"bench": "x", "generator": {"resource": sys.argv[1], "dialect": "scpi-generator"}})
generator = open_generator(bench)
generator.set_sine(1000.0, 0.5)
generator.output(True)
print("on", flush=True)
HOW
"""


@pytest.mark.parametrize(
    ("how", "code"), [("sys.exit(0)", 0), ("raise RuntimeError('crash')", 1), ("sys.stdin.read()", 0)]
)
def test_off_at_the_end_of_the_process(how, code):
    """Also after a crash: whatever was left on is switched off by the exit handler."""
    from acquisition.simulated.generator import Generator as Simulated
    from acquisition.simulated.plant import Wiring
    from acquisition.simulated.server import SocketServer

    wiring = Wiring(None)
    with SocketServer(Simulated(wiring)) as server:
        child = subprocess.Popen(
            [sys.executable, "-c", SCRIPT.replace("HOW", how), server.resource],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert child.stdout.readline() == "on\n"
        child.communicate("")
        assert child.returncode == code
        assert not wiring.drive.on


OF_A_THREAD = """
import sys, threading, time
from acquisition.instruments import open_generator
from acquisition.instruments.bench import Bench
bench = Bench.model_validate({"bench": "x", "generator": {"resource": sys.argv[1], "dialect": "scpi-generator"}})
def work():
    generator = open_generator(bench)
    generator.set_sine(1000.0, 0.5)
    with generator.measuring():
        print("on", flush=True)
        time.sleep(3600)
threading.Thread(target=work, daemon=True).start()
sys.stdin.read()
"""


def test_off_at_the_end_of_the_process_though_the_thread_it_belongs_to_is_in_the_middle_of_a_record():
    with child_with_generator(OF_A_THREAD) as (wiring, _, child):
        _, told = child.communicate("")
        assert (child.returncode, told) == (0, "")
        assert not wiring.drive.on


def test_a_generator_that_greets_after_a_power_cut_is_not_taken_for_one_that_gave_its_sine(bench):
    """For its greeting the link is opened again and all set anew, output off; the bit of the cut is gone then."""
    generator, peer = bench.generator, bench.peer
    generator.set_sine(1000.0, 0.5)
    generator.output(True)
    peer.link.arrive(b"READY\n")
    events = ["128"]
    peer.answers["*ESR?"] = lambda: events.pop() if events else "0"
    with pytest.raises(ConnectionLost, match="while it gave its signal"):
        generator.require_sine()
    assert not generator.is_on


@pytest.mark.parametrize(
    ("query", "answer", "told"),
    [
        (":OUTP?", "0", "its output is off"),
        (":FUNC?", "SQU", "its wave is SQU"),
        (":FREQ?", "1100", "its frequency is 1100"),
        (":VOLT?", "0.25", "its amplitude is 0.25"),
        (":VOLT:OFFS?", "0.5", "its offset is 0.5"),
        (":OUTP:LOAD?", "50", "its load is 50"),
    ],
)
def test_a_knob_turned_by_hand_or_a_protection_that_tripped_makes_a_record_void(bench, query, answer, told):
    generator = bench.generator
    generator.set_sine(1000.0, 0.5)
    with generator.measuring():
        generator.require_sine()
        bench.peer.answers[query] = answer
        with pytest.raises(RecordVoid, match=told) as caught:
            generator.require_sine()
    assert caught.value.hint
    assert bench.peer.answers[":OUTP?"] == "0"


def test_a_greeting_just_before_it_is_switched_on_leaves_no_output_on_that_counts_as_off(bench):
    generator, peer = bench.generator, bench.peer
    generator.set_sine(1000.0, 0.5)
    load, events = peer.answers[":OUTP:LOAD?"], ["128"]

    def greeted():
        peer.link.coming.append((bench.clock.monotonic_s(), peer.line(load)))
        peer.link.arrive(b"READY\n")
        peer.answers.update({":OUTP:LOAD?": load, "*ESR?": lambda: events.pop() if events else "0"})
        return b""

    peer.answers[":OUTP:LOAD?"] = greeted
    generator.output(True)
    assert peer.answers[":OUTP?"] == "1"
    assert generator.is_on


def test_an_output_that_could_not_be_switched_off_at_the_end_is_told_on_the_screen():
    """Results may go into a file: there nobody would have read of it."""
    from acquisition.simulated.generator import Generator as Simulated
    from acquisition.simulated.plant import Wiring
    from acquisition.simulated.server import SocketServer

    with SocketServer(Simulated(Wiring(None))) as server:
        child = subprocess.Popen(
            [sys.executable, "-c", SCRIPT.replace("HOW", "sys.stdin.read()"), server.resource],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stdout.readline() == "on\n"
        server.refuse()
        server.drop()
        results, told = child.communicate("")
    assert results == ""
    assert "its output may still be ON: switch it off by hand" in told


def test_a_bench_without_generator():
    from acquisition.instruments import open_generator
    from acquisition.instruments.bench import Bench

    with pytest.raises(InstrumentNotFound, match="no generator"):
        open_generator(Bench.model_validate({"bench": "x"}))


def test_is_on_from_the_order_to_switch_on_until_off_is_confirmed(bench):
    generator = bench.generator
    assert not generator.is_on
    generator.set_sine(1000.0, 0.5)
    with generator.measuring():
        assert generator.is_on
    assert not generator.is_on


def test_is_on_stays_true_when_nobody_confirms_off_and_when_on_was_not_confirmed(bench, faults):
    """What is not known counts as on."""
    generator = bench.generator
    generator.set_sine(1000.0, 0.5)
    generator.output(True)
    bench.peer.reachable = False
    with pytest.raises(ConnectionLost):
        generator.output(False)
    assert generator.is_on
    bench.peer.reachable = True
    generator.output(False)
    assert not generator.is_on
    bench.peer.shown = lambda head, value: "0"  # told to switch on, it says off
    with pytest.raises(CommandRefused):
        generator.output(True)
    assert generator.is_on


def test_a_generator_that_was_set_to_what_the_dialect_has_no_word_for_is_not_changed_without_a_word(rig):
    made = rig(
        "scpi-generator", {":FUNC?": "USER", ":OUTP?": "0", ":OUTP:LOAD?": "50", ":VOLT:UNIT?": "VPP"}
    ).open()
    generator = Generator(made.session, ENTRY)
    generator.note_found()
    generator._apply()
    made.peer.queue.append('-222,"Data out of range"')
    left, reported = generator.restore()
    assert left.endswith("got 'USER'")
    assert reported == "-222 Data out of range"


def test_a_switch_that_the_generator_has_not_is_asked_for_once_and_the_others_are_looked_at(rig):
    made = rig("scpi-generator", {":FUNC?": "SIN", ":OUTP?": "0", ":SWE:STAT?": "1"}).open()
    generator = Generator(made.session, ENTRY)
    generator._apply()
    generator.make_plain()
    assert made.peer.answers[":SWE:STAT?"] == "0"
    assert not made.peer.queue, "its complaints were taken from the queue"
    generator.set_sine(1000.0, 0.5)
    with generator.measuring():
        generator.require_sine()
    assert made.peer.heard.count(":AM:STAT?") == 1
    assert (made.peer.opened, made.session.gaps) == (1, [])


def test_a_link_that_goes_again_while_it_is_switched_off_leaves_it_on_for_all_that_is_known(bench):
    """Opened again after a loss it is told to switch off first: until it confirms that, nothing is known."""
    generator, peer = bench.generator, bench.peer
    generator.set_sine(1000.0, 0.5)
    generator.output(True)
    hear = peer.hear

    def goes(text):
        peer.reachable = text != ":OUTP OFF"
        return hear(text) if peer.reachable else b""

    peer.hear = goes
    bench.session.drop()
    with pytest.raises(ConnectionLost, match="switch off"):
        generator.output(False)
    assert peer.answers[":OUTP?"] == "1"
    assert generator.is_on
    peer.hear, peer.reachable = hear, True
    generator.close()  # what may be on is tried once more
    assert peer.answers[":OUTP?"] == "0"


def test_after_ctrl_c_no_earlier_answer_passes_for_the_confirmation_that_it_is_off(bench, faults):
    """The register says 0 too, and says it late: an output that stays on had been taken for off."""
    generator, link = bench.generator, bench.session.link
    generator.set_sine(1000.0, 0.5)
    generator.output(True)
    receive = link._receive

    def pressed(timeout_s, most):
        if timeout_s == 0.0:
            return receive(timeout_s, most)
        link._receive = receive
        raise KeyboardInterrupt

    link._receive = pressed
    bench.peer.faults.append(faults.late(0.05))
    with pytest.raises(KeyboardInterrupt):
        generator.require_sine()
    bench.peer.shown = lambda head, value: "1" if head == ":OUTP" else value
    with pytest.raises(ConnectionLost, match="switch off"):
        generator.output(False)
    assert generator.is_on
