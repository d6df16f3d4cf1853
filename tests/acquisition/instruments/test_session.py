"""The dialogue: the right instrument, answers that belong to their questions, settings read back."""

import pytest

from acquisition.errors import (
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    InstrumentReported,
    ReplyMalformed,
    TransportTimeout,
)
from acquisition.instruments import Channel, Timebase, Trigger
from acquisition.instruments.dialect_parts import Setting
from acquisition.instruments.scope_settings import put_channel, put_timebase, put_trigger

METER = {":FUNC?": '"VOLT"', "A?": "1.0", "B?": "2.0", "BLOCK?": b"#15ab\ncd\n", "BARE?": b"#15ab\ncd"}


@pytest.fixture
def open_rig(rig):
    return rig("scpi-meter", METER).open()


# Opening.


def test_opening_identifies_clears_the_queue_and_proves_the_role(rig):
    bench = rig("scpi-meter", METER)
    bench.peer.queue.append('-100,"left over"')
    bench.open()
    assert bench.session.identity.model == "PEER"
    assert bench.peer.heard == ["*IDN?", "*CLS", ":FUNC?"]
    assert bench.session.drain_errors() == []


@pytest.mark.parametrize("identity", ["OTHER,THING,1,2", "QUAYSIDE,PEER 2,7,1.0"])
def test_another_instrument_than_the_bench_file_names(rig, identity):
    bench = rig("scpi-meter", METER, pattern="PEER,7", identity=identity)
    with pytest.raises(InstrumentNotFound, match="wrong instrument at the address") as caught:
        bench.open()
    assert identity in str(caught.value)
    assert caught.value.tried["PEER"]


def test_a_scope_at_the_meters_address_is_found_by_what_it_cannot_answer(rig):
    with pytest.raises(InstrumentNotFound, match="wrong instrument at the address"):
        rig("scpi-meter", {}).open()


def test_a_generator_at_the_meters_address_is_found_by_what_it_answers(rig):
    with pytest.raises(InstrumentNotFound, match="SIN"):
        rig("scpi-meter", {":FUNC?": "SIN"}).open()


def test_an_instrument_that_greets_with_garbage_or_needs_a_moment(rig, faults):
    bench = rig("scpi-meter", METER)
    bench.peer.faults.extend([faults.instead(b"\x00\xffBOOT 1.2\r\n"), faults.silent])
    bench.open()
    assert bench.peer.heard.count("*IDN?") == 3


def test_an_instrument_that_says_nothing(rig, faults):
    bench = rig("scpi-meter", METER)
    bench.peer.faults.extend([faults.silent] * 3)
    with pytest.raises(InstrumentNotFound, match="does not say what it is"):
        bench.open()
    assert bench.clock.monotonic_s() < 6.0


@pytest.mark.parametrize(
    ("comes", "hint"),
    [
        (b"QUAYSIDE,PEER,7,1.0\r", "CR alone: set it to LF, or give its dialect ends: cr"),
        (b"QUAYSIDE,PEER,7,1.0", "without a line end: set it to send LF"),
        (b"*IDN?\r\n", "sends back what it is told: switch off its echo"),
        (b"*IDN?\nQUAYSIDE,PEER,7,1.0\n", "sends back what it is told: switch off its echo"),
        (b"QUAYSI", "check address, baud rate and cable; a slow instrument needs query_s"),
        (b"\xfe\x80", "baud rate"),
    ],
)
def test_the_hint_follows_from_what_comes_instead_of_an_identity(rig, faults, comes, hint):
    bench = rig("scpi-meter", METER)
    bench.peer.faults.extend([faults.instead(comes)] * 3)
    with pytest.raises(InstrumentNotFound) as caught:
        bench.open()
    assert hint in caught.value.hint
    assert str(caught.value).count("PEER: ") == 1, "the address is named once"


# Answers that belong to their questions.


def test_after_a_timeout_the_next_question_does_not_get_the_previous_answer(open_rig, faults):
    """The late 1.0 must not pass for the answer to B."""
    open_rig.peer.faults.append(faults.late(2.05))
    with pytest.raises(TransportTimeout):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("B?") == "2.0"


@pytest.mark.parametrize("asked", ["ask", "ask_block"])
def test_after_ctrl_c_in_mid_answer_the_next_question_does_not_get_it(open_rig, faults, asked):
    link = open_rig.session.link
    receive = link._receive

    def pressed(timeout_s, most):
        if timeout_s == 0.0:  # only looks whether something is there
            return receive(timeout_s, most)
        link._receive = receive
        raise KeyboardInterrupt

    link._receive = pressed
    open_rig.peer.faults.append(faults.late(0.05))
    with pytest.raises(KeyboardInterrupt):
        getattr(open_rig.session, asked)({"ask": "A?", "ask_block": "BLOCK?"}[asked])
    assert open_rig.session.ask("B?") == "2.0"


def test_an_answer_that_comes_much_later_is_noticed_before_the_next_question(open_rig, faults):
    open_rig.peer.faults.append(faults.late(60.0))
    with pytest.raises(TransportTimeout):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("B?") == "2.0"
    open_rig.clock.sleep_s(100.0)
    assert open_rig.session.ask("B?") == "2.0"
    assert any("still owed" in gap for gap in open_rig.session.gaps) or open_rig.peer.opened == 2


def test_an_answer_that_never_came_is_left_behind_by_a_new_connection(open_rig, faults):
    """It may still come at any time; only on a new connection it cannot."""
    open_rig.peer.faults.append(faults.silent)
    with pytest.raises(TransportTimeout):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("B?") == "2.0"
    assert open_rig.peer.opened == 2


def test_two_answers_to_one_question_are_refused_and_then_mended(open_rig, faults):
    open_rig.peer.faults.append(faults.twice)
    with pytest.raises(ReplyMalformed, match="one answer"):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("B?") == "2.0"


def test_an_answer_cut_short_never_runs_into_the_next(open_rig, faults):
    open_rig.peer.faults.append(faults.cut)
    with pytest.raises(TransportTimeout):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("B?") == "2.0"


def test_an_answer_without_its_line_end_is_late_not_guessed(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"1.0"))
    with pytest.raises(TransportTimeout) as caught:
        open_rig.session.ask("A?")
    assert caught.value.received == b"1.0"


def test_an_empty_answer_is_refused(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"\r\n"))
    with pytest.raises(ReplyMalformed):
        open_rig.session.ask("A?")


def test_a_decode_error_makes_the_link_dirty(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"1.x0\n"))
    with pytest.raises(ReplyMalformed):
        open_rig.session.ask_number("A?")
    assert open_rig.session.link.dirty
    assert open_rig.session.ask_number("B?") == 2.0


def test_getting_into_step_asks_who_it_is_and_compares(open_rig, faults):
    open_rig.session.link.dirty = True
    open_rig.peer.heard.clear()
    assert open_rig.session.ask("A?") == "1.0"
    assert open_rig.peer.heard == ["*IDN?", "*ESR?", "A?"]


def test_out_of_step_for_three_rounds_closes_and_reopens_and_sets_everything_again(open_rig, faults):
    applied = []
    open_rig.session.apply_wanted = lambda: applied.append("settings")
    open_rig.session.link.dirty = True
    open_rig.peer.faults.extend([faults.instead(b"1.0\n")] * 3)
    opened = open_rig.peer.opened
    assert open_rig.session.ask("A?") == "1.0"
    assert open_rig.peer.opened == opened + 1
    assert applied == ["settings"]
    assert any("opened again" in gap for gap in open_rig.session.gaps)


def test_an_instrument_that_cannot_be_brought_into_step_is_a_named_fault(open_rig, faults):
    open_rig.session.link.dirty = True
    open_rig.peer.faults.extend([faults.instead(b"1.0\n")] * 50)
    with pytest.raises(InstrumentNotFound):
        open_rig.session.ask("A?")


def test_silence_is_waited_for_three_times_the_last_good_answer(open_rig, faults):
    open_rig.peer.faults.append(faults.late(0.8))
    open_rig.session.ask("A?")
    open_rig.session.link.dirty = True
    start_s = open_rig.clock.monotonic_s()
    open_rig.session.ask("A?")
    assert open_rig.clock.monotonic_s() - start_s == pytest.approx(2.4)


# Losing the link.


def test_a_lost_link_is_said_once_and_opened_again_by_the_next_question(open_rig):
    applied = []
    open_rig.session.apply_wanted = lambda: applied.append("settings")
    open_rig.peer.reachable = False
    with pytest.raises(ConnectionLost):
        open_rig.session.ask("A?")
    with pytest.raises(InstrumentNotFound):
        open_rig.session.ask("A?")
    open_rig.peer.reachable = True
    assert open_rig.session.ask("A?") == "1.0"
    assert applied == ["settings"]
    assert len(open_rig.session.gaps) == 1


def test_another_instrument_after_a_reopening_is_refused(open_rig):
    open_rig.peer.reachable = False
    with pytest.raises(ConnectionLost):
        open_rig.session.ask("A?")
    open_rig.peer.reachable = True
    open_rig.peer.answers["*IDN?"] = "QUAYSIDE,PEER,8,1.0"
    with pytest.raises(InstrumentNotFound, match="wrong instrument"):
        open_rig.session.ask("A?")


def test_settings_that_cannot_be_restored_close_the_link_again(open_rig):
    def fail():
        raise CommandRefused("no")

    open_rig.session.apply_wanted = fail
    open_rig.session.drop()
    with pytest.raises(CommandRefused):
        open_rig.session.ask("A?")
    assert open_rig.session.link is None


# Why there was no answer.


def test_an_unknown_question_is_silent_and_the_error_queue_says_why(open_rig):
    with pytest.raises(InstrumentReported) as caught:
        open_rig.session.ask("MEASU:VOLT?")
    assert caught.value.code == -113
    assert "MEASU:VOLT?" in caught.value.text
    assert isinstance(caught.value.__cause__, TransportTimeout)
    assert open_rig.session.ask("A?") == "1.0"


def test_an_instrument_that_was_switched_off_and_on_gets_its_settings_again(open_rig, faults):
    applied = []
    open_rig.session.apply_wanted = lambda: applied.append("settings")
    open_rig.peer.answers["*ESR?"] = "128"
    open_rig.peer.faults.append(faults.silent)
    with pytest.raises(ConnectionLost, match="switched off and on"):
        open_rig.session.ask("A?")
    assert open_rig.session.ask("A?") == "1.0"
    assert applied == ["settings"]


def test_an_error_storm_ends_after_thirty(open_rig):
    open_rig.peer.queue.extend(['-350,"Queue overflow"'] * 500)
    assert len(open_rig.session.drain_errors()) == 30
    assert open_rig.peer.heard[-1] == "*CLS"
    assert open_rig.session.drain_errors() == []


@pytest.mark.parametrize("empty", ['0,"No error"', '+0,"No error"', "0,No error", "0"])
def test_an_empty_queue_in_all_its_forms(open_rig, empty):
    open_rig.peer.no_error = empty
    assert open_rig.session.drain_errors() == []


def test_an_instrument_without_a_queue_is_not_asked(rig):
    bench = rig("scpi-meter", METER)
    bench.session.dialect = bench.dialect.model_copy(update={"errors": None})
    bench.open()
    bench.session.check_errors("x")
    assert ":SYST:ERR?" not in bench.peer.heard


def test_reported_errors_carry_code_and_hint(open_rig):
    open_rig.peer.queue.extend(['-222,"Data out of range"', '-113,"Undefined header"'])
    with pytest.raises(InstrumentReported) as caught:
        open_rig.session.check_errors("while it was set")
    assert caught.value.code == -222
    assert "1 more" in str(caught.value)
    assert caught.value.hint


# Settings.


def number(**options):
    return Setting(set=":V {value}", ask=":V?", form="number", **options)


def test_what_is_set_is_read_back(open_rig):
    assert open_rig.session.put(number(), 1.5) == 1.5
    assert open_rig.peer.heard[-2:] == [":V 1.5", ":V?"]


def test_a_silently_clamped_value_is_refused(open_rig):
    open_rig.peer.shown = lambda head, value: "1.0"
    with pytest.raises(CommandRefused, match="told"):
        open_rig.session.put(number(), 1.5)


def test_a_larger_range_is_taken_where_the_dialect_allows_it(open_rig):
    open_rig.peer.shown = lambda head, value: "10"
    assert open_rig.session.put(number(at_least=True), 1.5) == 10
    open_rig.peer.shown = lambda head, value: "1.0"
    with pytest.raises(CommandRefused):
        open_rig.session.put(number(at_least=True), 1.5)


def test_rounding_is_no_clamping(open_rig):
    open_rig.peer.shown = lambda head, value: "+1.00000E+03"
    assert open_rig.session.put(number(), 1000.3) == 1000.0


def test_a_number_for_overload_in_answer_to_a_setting_is_an_odd_answer(open_rig):
    open_rig.peer.shown = lambda head, value: "9.9E37"
    with pytest.raises(ReplyMalformed):
        open_rig.session.put(number(), 1.5)


@pytest.mark.parametrize("shown", ["9.9E37", "+9.90000000E+37", "INF", "INFinity"])
def test_an_infinite_load_in_its_forms(open_rig, shown):
    setting = Setting(set=":LOAD INF", ask=":LOAD?", form="infinite")
    open_rig.peer.shown = lambda head, value: shown
    assert open_rig.session.put(setting) == "infinite"


@pytest.mark.parametrize("shown", ["50", "+5.000E+01"])
def test_a_load_of_50_ohm_is_not_infinite(open_rig, shown):
    setting = Setting(set=":LOAD INF", ask=":LOAD?", form="infinite")
    open_rig.peer.shown = lambda head, value: shown
    with pytest.raises(CommandRefused):
        open_rig.session.put(setting)


def test_words_are_translated_both_ways_and_unknown_ones_refused(open_rig):
    setting = Setting(set=":S {value}", ask=":S?", form="word", words={"rising": ["RIS", "RISE"]})
    open_rig.peer.shown = lambda head, value: "RISE"
    assert open_rig.session.put(setting, "rising") == "rising"
    assert ":S RIS" in open_rig.peer.heard
    with pytest.raises(CommandRefused):
        open_rig.session.put(setting, "either")
    open_rig.peer.shown = lambda head, value: "EITHER"
    with pytest.raises(ReplyMalformed):
        open_rig.session.put(setting, "rising")


def test_a_slow_parser_gets_its_pause_after_a_command(rig):
    bench = rig("ten-field-codes-scope", {":TIM:SCAL?": "1E-3"}).open()
    start_s = bench.clock.monotonic_s()
    bench.session.send(":X 1")
    assert bench.clock.monotonic_s() - start_s == pytest.approx(0.02)


# Blocks.


@pytest.mark.parametrize(("query", "block_end"), [("BLOCK?", "newline"), ("BLOCK?", "none"), ("BARE?", "none")])
def test_a_block_is_read_by_its_length_with_or_without_a_line_end(open_rig, query, block_end):
    link = open_rig.dialect.link.model_copy(update={"block_end": block_end})
    open_rig.session.dialect = open_rig.dialect.model_copy(update={"link": link})
    assert open_rig.session.ask_block(query) == b"ab\ncd"
    assert open_rig.session.ask("A?") == "1.0"


def test_a_lost_byte_of_a_block_cannot_hide_behind_its_line_end(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"#15a\ncd\n"))
    with pytest.raises(TransportTimeout):
        open_rig.session.ask_block("BLOCK?")
    assert open_rig.session.ask("A?") == "1.0"


def test_a_block_cut_short_is_late_and_then_mended(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"#15ab"))
    with pytest.raises(TransportTimeout):
        open_rig.session.ask_block("BLOCK?")
    assert open_rig.session.ask("B?") == "2.0"


def test_a_block_with_a_wrong_length_is_refused_and_then_mended(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"#13ab\ncd\n"))
    with pytest.raises(ReplyMalformed):
        open_rig.session.ask_block("BLOCK?")
    assert open_rig.session.ask("B?") == "2.0"


def test_text_where_a_block_was_asked_for(open_rig, faults):
    open_rig.peer.faults.append(faults.instead(b"1.0,2.0\n"))
    with pytest.raises(ReplyMalformed):
        open_rig.session.ask_block("BLOCK?")
    assert open_rig.session.ask("B?") == "2.0"


def test_a_last_sample_like_a_carriage_return_is_one_where_answers_have_none(open_rig, faults):
    """A byte too many among the samples pushes the last one, 0x0D, to where CR LF would be."""
    open_rig.peer.faults.append(faults.instead(b"#15ab\ncd\r\n"))
    with pytest.raises(ReplyMalformed):
        open_rig.session.ask_block("BLOCK?")
    open_rig.peer.faults.extend([faults.none, faults.none, faults.instead(b"1.0\r\n")])
    assert open_rig.session.ask("A?") == "1.0"
    open_rig.peer.faults.append(faults.instead(b"#15ab\ncd\r\n"))
    assert open_rig.session.ask_block("BLOCK?") == b"ab\ncd"


class Slow:
    """Every answer comes three seconds after its question."""

    def popleft(self):
        return lambda answer: (answer, 3.0)


def test_a_slow_instrument_is_called_slow_and_works_with_the_time_it_needs(rig):
    slow = rig("scpi-meter", {":FUNC?": '"VOLT:DC"', "A?": "1.0"})
    slow.peer.faults = Slow()
    with pytest.raises(InstrumentNotFound, match="not in time") as caught:
        slow.open()
    assert "query_s" in caught.value.hint
    link = slow.dialect.link.slowed(4.0)
    slow.session.dialect = slow.dialect.model_copy(update={"link": link})
    slow.open()
    assert slow.session.ask("A?") == "1.0"
    assert not slow.session.gaps


def test_a_hung_instrument_is_told_in_time_and_works_again(open_rig, faults):
    """Silent from one question to the next: the first error comes after the dialect's own time."""
    open_rig.peer.faults.extend([faults.silent] * 2)
    began_s = open_rig.clock.monotonic_s()
    with pytest.raises(TransportTimeout) as caught:
        open_rig.session.ask("A?", 0.5)
    assert open_rig.clock.monotonic_s() - began_s < 2.0
    assert "query_s" in caught.value.hint
    assert open_rig.session.ask("A?") == "1.0"


def test_since_when_questions_have_had_no_answer(open_rig, faults):
    session, clock = open_rig.session, open_rig.clock
    assert session.waiting_since_s is None
    seen = []

    def silent(answer):
        seen.append((session.waiting_since_s, clock.monotonic_s()))
        return b"", 0.0

    open_rig.peer.faults.extend([silent] * 2)
    with pytest.raises(TransportTimeout):
        session.ask("A?", 0.5)
    assert seen[0][0] == seen[1][0] == seen[0][1], "from the first of them, not the one that asks who is there"
    assert session.ask("A?") == "1.0"
    assert session.waiting_since_s is None


@pytest.mark.parametrize("text", ["9.91E37", "9.9E37", "AUTO"])
@pytest.mark.parametrize(
    ("put", "wanted", "query"),
    [
        (put_channel, Channel(channel=1, full_scale_v=8.0), ":CHAN1:OFFS?"),
        (put_timebase, Timebase(span_s=0.01), ":WAV:POIN?"),
        (put_trigger, Trigger(source="ch1"), ":TRIG:EDGE:LEV?"),
    ],
)
def test_a_setting_that_is_no_number_is_an_odd_answer_even_where_any_number_is_taken(rig, put, wanted, query, text):
    # Not-a-number of SCPI-1999 volume 1, 7.2.1.5 became the middle of a screen and the level of a trigger, and as
    # the length of a record an exception without a line of its own.
    scope = rig("ten-field-scope", {":TIM:SCAL?": "1E-3"}).open()
    shown = scope.peer.shown
    scope.peer.shown = lambda head, value: text if f"{head}?" == query else shown(head, value)
    with pytest.raises(ReplyMalformed, match=f"expected a number in answer to {query[:-1]}"):
        put(scope.session, scope.dialect.scope, wanted)
    assert scope.session.link.dirty
