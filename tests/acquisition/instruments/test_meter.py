"""The meter: asked and streaming; what is a reading, what is refused, what happens when the link fails."""

import math

import pytest

from acquisition.clock import FakeClock
from acquisition.errors import (
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    MeasurementError,
    OverRange,
    ReplyMalformed,
    TransportTimeout,
)
from acquisition.instruments import Sample, load_dialect
from acquisition.instruments.asked_meter import AskedMeter
from acquisition.instruments.bench import MeterEntry
from acquisition.instruments.session import Session
from acquisition.instruments.streamed_meter import StreamedMeter
from tests.acquisition.transport.scripted import ScriptedLink, Step

ENTRY = MeterEntry(resource="TCPIP::h::1::SOCKET", dialect="x", accuracy="0.5 % + 2 digits", rating_v="600")


# Asked.


@pytest.fixture
def asked(rig):
    answers = {
        ":FUNC?": '"VOLT"',
        ":READ?": "+1.05234560E+02",
        ":VOLT:DC:RANG?": "+1.00000000E+03",
        ":VOLT:DC:RANG:AUTO?": "1",
        ":VOLT:DC:RES?": "+1.00000000E-03",
    }
    answers[":FETC?"] = lambda: answers[":READ?"]
    bench = rig("scpi-meter", answers).open()
    answers = bench.peer.answers
    answers[":FETC?"] = lambda: answers[":READ?"]
    bench.meter = AskedMeter(bench.session, ENTRY, 50.0)
    return bench


def test_configured_once_then_only_read(asked):
    asked.meter.configure_dc(nplc=1)
    asked.peer.heard.clear()
    for _ in range(3):
        assert asked.meter.read().value_v == 105.23456
    assert set(asked.peer.heard) == {":READ?", ":FETC?", ":FUNC?", ":VOLT:DC:RANG?", ":VOLT:DC:RES?", "*ESR?"}
    assert asked.peer.heard.count(":VOLT:DC:RES?") == 2, "twice when it is new, then never"
    assert asked.peer.heard.count(":VOLT:DC:RANG?") == 6


def test_continuous_triggering_is_off_and_the_trigger_idle_before_configuring(asked):
    """Otherwise READ? is answered with -213 by strict instruments."""
    asked.meter.configure_dc()
    heard = asked.peer.heard
    assert heard.index(":ABOR") < heard.index(":INIT:CONT OFF") < heard.index(":CONF:VOLT:DC")


def test_the_input_resistance_is_fixed_so_that_the_model_can_include_it(asked):
    asked.meter.configure_dc()
    assert ":INP:IMP:AUTO OFF" in asked.peer.heard
    assert asked.meter.input_ohm == 10e6


def test_the_error_queue_is_emptied_after_configuring(asked):
    asked.meter.configure_dc()
    assert asked.peer.heard[-1] == ":SYST:ERR?"


def test_a_fixed_range_is_read_back_and_may_be_larger(asked):
    asked.peer.shown = lambda head, value: {":VOLT:DC:RANG": "1000", ":INP:IMP:AUTO": "0"}.get(head, value)
    asked.meter.configure_dc(range_v=400)
    assert asked.meter.read().range_v == 1000
    asked.peer.shown = lambda head, value: {":VOLT:DC:RANG": "100", ":INP:IMP:AUTO": "0"}.get(head, value)
    with pytest.raises(CommandRefused):
        asked.meter.configure_dc(range_v=400)


@pytest.mark.parametrize(
    ("range_v", "nplc", "seconds"),
    [(None, 1, 0.62), (100.0, 1, 0.54), (100.0, 100, 4.5), (None, 10, 1.7)],
)
def test_the_deadline_is_computed_from_what_was_asked(asked, range_v, nplc, seconds):
    """Integration, twice for the automatic zero, two conversions more for autorange, half a second."""
    asked.peer.shown = lambda head, value: {"ON": "1", "OFF": "0"}.get(value, value)
    asked.meter.configure_dc(range_v=range_v, nplc=nplc)
    assert asked.meter.deadline_s() == pytest.approx(seconds)


def test_a_slow_instrument_gets_its_time_everywhere(asked, faults):
    link = asked.dialect.link.slowed(4.0)
    asked.session.dialect = asked.dialect.model_copy(update={"link": link})
    asked.peer.faults.extend([faults.late(3.0)] * 30)
    assert asked.meter.read().value_v == 105.23456
    assert next(asked.meter.stream()).is_reading
    asked.session.link.dirty = True
    assert asked.meter.read().value_v == 105.23456


@pytest.mark.parametrize(("text", "flags"), [("9.9E37", {"overload"}), ("-9.9E+37", {"overload", "negative"})])
def test_overload_is_unknown_and_high_never_zero(asked, text, flags):
    asked.peer.answers[":READ?"] = text
    with pytest.raises(OverRange) as caught:
        asked.meter.read()
    assert caught.value.limit_v == 1000
    sample = next(asked.meter.stream())
    assert math.isnan(sample.value_v)
    assert flags <= sample.flags
    assert not sample.is_reading


def test_in_overload_a_meter_on_a_range_of_its_own_is_not_said_to_change_it(asked):
    """A range key was pressed at the meter: it was waited for, and said so, for ever."""
    asked.meter.configure_dc()
    asked.peer.answers[":READ?"] = "9.9E37"
    assert next(asked.meter.stream()).flags == {"overload", "auto"}
    asked.peer.answers[":VOLT:DC:RANG:AUTO?"] = "0"
    assert next(asked.meter.stream()).flags == {"overload"}


def test_not_a_number_is_no_reading(asked):
    asked.peer.answers[":READ?"] = "9.91E37"
    with pytest.raises(MeasurementError, match="no value"):
        asked.meter.read()


@pytest.mark.parametrize("function", ['"RES"', '"VOLT:AC"', '"CURR:DC"', "VOLT:AC"])
def test_a_knob_turned_by_hand_is_noticed_with_each_reading(asked, function):
    asked.peer.answers[":FUNC?"] = function
    asked.peer.answers[":READ?"] = "1.0E6"
    with pytest.raises(MeasurementError, match="not set to DC volts"):
        asked.meter.read()


@pytest.mark.parametrize("query", [":VOLT:DC:NULL:STAT?", ":CALC:STAT?"])
def test_a_null_key_pressed_by_hand_is_noticed_with_each_reading(asked, query):
    """What is left of 400 V after the key was pressed on 400 V looks like a discharged point."""
    asked.peer.answers[query] = "0"
    asked.meter.configure_dc()
    assert asked.meter.read().value_v == 105.23456
    asked.peer.answers |= {query: "1", ":READ?": "+2.0E-02"}
    with pytest.raises(MeasurementError, match="null"):
        asked.meter.read()
    assert "relative" in next(asked.meter.stream()).flags
    asked.peer.answers |= {query: "0", ":READ?": "+4.0E+02"}
    assert asked.meter.read().value_v == 400.0


def test_a_question_the_meter_does_not_know_is_asked_once_and_costs_no_connection(asked):
    asked.meter.configure_dc()
    assert [text for text in asked.peer.heard if "NULL" in text] == [":VOLT:DC:NULL:STAT?"]
    asked.peer.heard.clear()
    assert asked.meter.read().value_v == 105.23456
    asked.meter.configure_dc(nplc=10)
    assert not [text for text in asked.peer.heard if "NULL" in text or "CALC" in text]
    assert not asked.peer.queue, "its complaint was taken from the queue"
    assert (asked.peer.opened, asked.session.gaps) == (1, [])


@pytest.mark.parametrize("fault", ["cut", "silent"])
def test_a_known_question_whose_first_answer_is_lost_is_not_given_up(asked, faults, fault):
    asked.peer.answers |= {":CALC:STAT?": "0"}

    def once():
        asked.peer.answers[":CALC:STAT?"] = "0"
        asked.peer.faults.append(faults.instead(b"x\n") if fault == "cut" else faults.silent)
        return "0"

    asked.peer.answers[":CALC:STAT?"] = once
    asked.meter.configure_dc()
    asked.peer.answers[":CALC:STAT?"] = "1"
    assert "relative" in next(asked.meter.stream()).flags


def test_a_power_cut_between_two_readings_is_noticed_and_everything_set_again(asked):
    """On a serial port nothing else tells: it reads on, with its own input resistance and its own range."""
    asked.meter.configure_dc(nplc=1)
    stream = asked.meter.stream()
    assert next(stream).is_reading
    asked.peer.answers |= {"*ESR?": "128", ":INP:IMP:AUTO?": "1"}
    assert next(stream).flags == {"gap"}
    asked.peer.answers["*ESR?"] = "0"
    asked.peer.heard.clear()
    assert next(stream).is_reading
    assert ":INP:IMP:AUTO OFF" in asked.peer.heard


@pytest.mark.parametrize(
    ("query", "turned", "given"), [(":INP:IMP:AUTO?", "1", "0"), (":VOLT:DC:NPLC?", "0.02", "1")]
)
def test_input_and_integration_time_changed_by_hand_are_noticed_within_a_second_and_set_again(
    asked, query, turned, given
):
    """Such a grid is not loaded as the model has it; of so short a conversion hum makes a steady, wrong value."""
    asked.meter.configure_dc(nplc=1)
    stream = asked.meter.stream()
    assert next(stream).is_reading
    asked.peer.answers |= {query: turned, ":VOLT:DC:RES?": "1E-2"}
    asked.clock.sleep_s(1.0)
    sample = next(stream)
    assert sample.flags == {"turned"}
    assert "set again" in sample.reason
    assert asked.peer.answers[query] == given
    asked.peer.heard.clear()
    assert next(stream).resolution_v == 0.01, "it hangs on the integration time"
    assert query not in asked.peer.heard, "a second has not passed"


def test_a_range_changed_by_hand_shows_in_the_sample(asked):
    assert asked.meter.read().range_v == 1000
    asked.peer.answers[":VOLT:DC:RANG?"] = "100"
    asked.peer.answers[":VOLT:DC:RES?"] = "1E-4"
    sample = asked.meter.read()
    assert (sample.range_v, sample.resolution_v) == (100, 1e-4)


@pytest.mark.parametrize("query", [":VOLT:DC:RANG?", ":VOLT:DC:RES?"])
@pytest.mark.parametrize("text", ["9.9E37", "9.91E37", "AUTO"])
def test_a_range_or_resolution_that_is_no_number_is_an_odd_answer_like_any_other(asked, query, text):
    """It is mended and retried, and nobody is told to use a higher range."""
    asked.peer.answers[query] = text
    stream = asked.meter.stream()
    assert next(stream).flags == next(stream).flags == {"gap"}
    with pytest.raises(ReplyMalformed) as caught:
        next(stream)
    assert f"expected a number in answer to {query}, got '{text}'" in str(caught.value)
    assert "higher range" not in caught.value.hint


def test_a_byte_damaged_on_the_way_does_not_pass(asked, faults):
    asked.peer.faults.append(faults.instead(b"+1.95234560E+02\n"))
    with pytest.raises(ReplyMalformed):
        asked.meter.read()
    assert asked.meter.read().value_v == 105.23456


def test_the_reading_before_sent_twice_is_not_the_next_one(asked):
    """Of a dialect that cannot ask for the same reading again; the second copy comes after the next question."""
    rules = asked.dialect.meter.model_copy(update={"again": None})
    asked.session.dialect = asked.dialect.model_copy(update={"meter": rules})
    meter = AskedMeter(asked.session, ENTRY, 50.0)
    assert meter.read().value_v == 105.23456
    old = asked.peer.answers[":READ?"]

    def once_more_before():
        asked.peer.link.arrive(asked.peer.line(old))
        asked.peer.answers[":READ?"] = "-2.5E+01"
        return "-2.5E+01"

    asked.peer.answers[":READ?"] = once_more_before
    with pytest.raises(ReplyMalformed, match="the one before, sent twice"):
        meter.read()
    assert meter.read().value_v == -25.0


def test_the_same_answer_before_both_questions_for_the_reading_is_no_reading(asked, monkeypatch):
    """A 0 of the event register, sent again before each of them, was a reading of 0 V where 105 V stand."""
    hear, given = asked.peer.hear, [b""]

    def lagging(text):
        given.append(hear(text))
        return given[-2] if text in {":READ?", ":FETC?"} else given[-1]

    monkeypatch.setattr(asked.peer, "hear", lagging)
    asked.session.link.dirty = True
    with pytest.raises(ReplyMalformed, match="the same reading again"):
        asked.meter.read()


def test_a_reading_beyond_its_range_does_not_pass(asked):
    asked.peer.answers[":VOLT:DC:RANG?"] = "1"
    asked.peer.answers[":VOLT:DC:RES?"] = "1E-6"
    with pytest.raises(ReplyMalformed, match="within the range"):
        asked.meter.read()


@pytest.mark.parametrize("text", ["OL", "+1.05E+02,+1.06E+02", "105.2 V", "", "#15hello"])
def test_what_is_no_number_is_an_error(asked, text):
    asked.peer.answers[":READ?"] = text
    with pytest.raises((ReplyMalformed, TransportTimeout)):
        asked.meter.read()


def test_the_stream_shows_a_mended_loss_as_a_gap(asked, faults):
    stream = asked.meter.stream()
    assert next(stream).is_reading
    asked.peer.faults.append(faults.silent)
    gap = next(stream)
    assert gap.flags == {"gap"}
    assert not gap.is_reading
    assert next(stream).is_reading


def test_unplugged_and_plugged_in_again(asked):
    asked.meter.configure_dc()
    stream = asked.meter.stream()
    asked.peer.reachable = False
    assert next(stream).flags == {"gap"}
    with pytest.raises(InstrumentNotFound):
        next(stream)
    asked.peer.reachable = True
    asked.peer.heard.clear()
    assert next(asked.meter.stream()).is_reading
    assert ":CONF:VOLT:DC" in asked.peer.heard, "the settings must be restored before the first reading"
    assert asked.meter.session.gaps


def test_a_meter_that_keeps_failing_is_a_fault_not_an_endless_gap(asked, faults):
    stream = asked.meter.stream()
    asked.peer.answers[":READ?"] = "garbage"
    assert next(stream).flags == next(stream).flags == {"gap"}
    with pytest.raises(ReplyMalformed):
        next(stream)


# Streaming.


class StreamRig:
    def __init__(self, *lines, period_s=0.25):
        self.clock = FakeClock()
        self.link = ScriptedLink([Step(None, line, after_s=period_s) for line in lines], clock=self.clock)
        self.links = [self.link]
        session = Session(lambda: self.links.pop(0), load_dialect("stream-meter"), clock=self.clock)
        session.open()
        self.meter = StreamedMeter(session, ENTRY)


TAIL = b"2  V DC AUTO\r\n"
GOOD = b"+105.2  V DC AUTO\r\n"


def test_the_first_partial_line_is_dropped():
    rig = StreamRig(b"5.2  V DC AUTO\r\n", GOOD)
    assert rig.meter.read().value_v == 105.2


def test_samples_carry_time_range_resolution_and_flags():
    rig = StreamRig(TAIL, GOOD, b"+0.873  V DC\r\n")
    first = rig.meter.read()
    second = rig.meter.read()
    assert (first.t_s, first.range_v, first.resolution_v, first.flags) == (0.5, 600, 0.1, {"auto"})
    assert (second.t_s, second.range_v, second.resolution_v) == (0.75, 6, 0.001)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"+105.2  V DC HOLD\r\n", "HOLD"),
        (b"+105.2  V DC AUTO REL\r\n", "REL"),
        (b"+105.2  V DC MIN\r\n", "MIN"),
        (b"+105.2  V DC MAX\r\n", "MAX"),
        (b"+105.2  V DC BATT\r\n", "battery"),
        (b"+105.2  V AC\r\n", "DC volts"),
    ],
)
def test_a_reading_under_a_flag_is_refused_with_the_reason(line, reason):
    with pytest.raises(MeasurementError, match=reason):
        StreamRig(TAIL, line).meter.read()


@pytest.mark.parametrize("line", [b"+ O.L  V DC AUTO\r\n", b"-OVLD  V DC\r\n", b"+OL mV DC\r\n"])
def test_overload_tokens(line):
    with pytest.raises(OverRange):
        StreamRig(TAIL, line).meter.read()


@pytest.mark.parametrize(
    "line",
    [
        b"105.2  V DC AUTO\r\n",
        b"+10.2  V DC AUTO\r\n",
        b"+1052  V DC AUTO\r\n",
        b"+10\xb5.2  V DC\r\n",
        b"+105.2V DC\r\n",
        b"+105.2 V DC\r\n",
        b"+105.2  V DC\n",
        b"+105.2  V DC\n HOLD\r\n",
        b"+105.2  V\r\n",
        b"+105.2 kV DC\r\n",
        b"+105.2  V DC AUTO +105.3  V DC AUTO\r\n",
        b"\r\n",
    ],
)
def test_a_damaged_frame_is_counted_and_dropped(line):
    rig = StreamRig(TAIL, line, GOOD)
    assert rig.meter.read().value_v == 105.2
    assert rig.meter.damaged == 1


def test_three_damaged_frames_in_a_row_are_a_fault():
    rig = StreamRig(TAIL, b"x\r\n", b"y\r\n", b"z\r\n")
    with pytest.raises(ReplyMalformed) as caught:
        rig.meter.read()
    assert "baud" in caught.value.hint


def test_an_unknown_flag_is_a_fault_not_ignored():
    with pytest.raises(ReplyMalformed, match="PEAK"):
        StreamRig(TAIL, b"+105.2  V DC PEAK\r\n").meter.read()


def test_silence_for_four_periods_means_lost_or_asleep():
    rig = StreamRig(TAIL, GOOD)
    rig.meter.read()
    with pytest.raises(TransportTimeout) as caught:
        rig.meter.read()
    assert "asleep" in caught.value.hint
    assert rig.clock.monotonic_s() == pytest.approx(1.625)  # half a period more after the first


@pytest.mark.parametrize(
    ("lines", "told", "hint"),
    [
        ([], "the meter is silent for 1 s", "its output not switched on"),
        ([b"+105.2  V DC AUTO\r"], "no line of the meter within 1 s", "baud rate"),
        ([b"\xff\xfe\x80"] * 4, "no line of the meter within 1 s", "baud rate"),
    ],
)
def test_from_the_first_line_on_what_can_be_the_matter_is_said_of_a_meter_that_only_sends(lines, told, hint):
    """No mode of remote control, and no time for an answer: nothing is asked of it."""
    rig = StreamRig(*lines)
    with pytest.raises(TransportTimeout, match=told) as caught:
        rig.meter.read()
    assert hint in caught.value.hint
    assert rig.meter.session.link is None


def test_what_waited_in_the_buffers_is_not_taken_for_now():
    """A technician who looked away for a minute must not get the voltage of then."""
    rig = StreamRig(TAIL, GOOD)
    assert rig.meter.read().value_v == 105.2
    rig.link.extend(
        [Step(None, b"+105.3  V DC\r\n")] * 50
        + [Step(None, b"4  V DC\r\n", 0.1), Step(None, b"+000.1  V DC\r\n", 0.25)]
    )
    rig.clock.sleep_s(60.0)
    assert rig.meter.read().value_v == 0.1


WAITED = [b"+105.3  V DC\r\n", b"+105.4  V DC\r\n", b"-000.5  V DC\r\n+00"]


@pytest.mark.parametrize("steps", [[(b"".join(WAITED), 0.0)], [(line, 0.01) for line in WAITED]])
def test_of_lines_that_waited_only_the_newest_counts(steps):
    """The program, or the cable's adapter, was busy for three quarters of a second, and the tip has moved."""
    rig = StreamRig(TAIL, GOOD)
    assert rig.meter.read().value_v == 105.2
    rig.clock.sleep_s(0.75)
    rig.link.extend(Step(None, *step) for step in [*steps, (b"0.7  V DC\r\n", 0.2)])
    assert rig.meter.read().value_v == -0.5
    assert rig.meter.read().value_v == 0.7


def test_frames_sent_twice_are_one_reading(monkeypatch):
    rig = StreamRig(TAIL, b"+105.2  V DC\r\n", b"+105.2  V DC\r\n", b"+105.3  V DC\r\n", b"+105.3  V DC\r\n")
    rig.meter._rules = rig.meter._rules.model_copy(update={"repeats": 2})
    assert [rig.meter.read().value_v for _ in range(2)] == [105.2, 105.3]


def test_a_frame_whose_twin_differs_is_dropped():
    rig = StreamRig(TAIL, b"+105.2  V DC\r\n", b"+195.2  V DC\r\n", b"+105.3  V DC\r\n", b"+105.3  V DC\r\n")
    rig.meter._rules = rig.meter._rules.model_copy(update={"repeats": 2})
    assert rig.meter.read().value_v == 105.3
    assert rig.meter.damaged == 2


def test_unplugged_the_stream_shows_a_gap_then_says_that_nothing_is_there():
    rig = StreamRig(TAIL, GOOD, GOOD)
    clock = rig.clock
    rig.links.append(ScriptedLink([Step(None, TAIL, 0.25), Step(None, GOOD, 0.25)], clock=clock))
    stream = rig.meter.stream()
    assert next(stream).is_reading
    rig.link.extend([Step(None, fails=ConnectionLost("gone", resource="SCRIPT"))])
    assert next(stream).flags == {"gap"}
    assert next(stream).is_reading


def test_the_range_of_a_streaming_meter_cannot_be_set():
    with pytest.raises(CommandRefused, match="knob"):
        StreamRig(TAIL, GOOD).meter.configure_dc(range_v=100)


def test_a_streaming_meter_on_another_function_is_refused_at_configuring():
    with pytest.raises(CommandRefused, match="DC volts"):
        StreamRig(TAIL, b"+105.2  V AC\r\n").meter.configure_dc()


# Samples and uncertainty.


def test_uncertainty_of_the_printed_accuracy():
    """0.5 % + 2 digits at 300.0 V: half-width 1.7 V, over root 3 is 0.98 V (JCGM 100:2008, 4.3.7)."""
    rig = StreamRig(TAIL, b"+300.0  V DC\r\n")
    assert rig.meter.std_v(rig.meter.read()) == pytest.approx(0.98, abs=0.005)


def test_a_sample_without_value_needs_its_reason():
    with pytest.raises(ValueError, match="flag"):
        Sample(t_s=0.0, value_v=math.nan)
    assert Sample(t_s=0.0, value_v=math.nan, flags=frozenset({"overload"})).reason == "beyond the range"
