"""The scope on the simulated instruments, over real sockets: set, single, fetch; and what makes a record void."""

import numpy as np
import pytest

from acquisition.errors import (
    CommandRefused,
    ConnectionLost,
    InstrumentNotFound,
    InstrumentReported,
    MeasurementError,
    RecordVoid,
    ReplyMalformed,
)
from acquisition.instruments import Channel, Timebase, Trigger, load_bench, open_generator, open_scope
from acquisition.instruments.bench import Bench
from acquisition.instruments.pages import SeenBlocks
from acquisition.simulated.bench import SCOPES, SimulatedBench


class Plant:
    """Point ``x3`` shows three times the generator, inverted; ``in`` the generator itself; both on some DC."""

    def dc_v(self, point, load_ohm=float("inf")):
        return {"in": 0.0, "x3": 1.0}[point]

    def settle_s(self, point):
        return 0.0

    def ripple(self, point):
        return ()

    def response(self, points, freq_hz, loads_s):
        return np.array([{"in": 1.0, "x3": -3.0}[point] for point in points], dtype=complex)

    def swing_v(self, point):
        return -300.0, 300.0


@pytest.fixture(params=sorted(SCOPES))
def bench(request, tmp_path):
    with SimulatedBench(Plant(), scope=request.param) as simulated:
        simulated.wiring.clip(1, "in")
        simulated.wiring.clip(2, "x3")
        described = load_bench(str(simulated.write(tmp_path / "bench.yaml")))
        with open_scope(described) as scope, open_generator(described) as generator:
            yield simulated, scope, generator


def set_up(scope, generator, points=2000):
    scope.set_channel(Channel(channel=1, full_scale_v=2.0, probe_factor=10.0))
    scope.set_channel(Channel(channel=2, full_scale_v=8.0, centre_v=1.0, probe_factor=10.0))
    scope.set_timebase(Timebase(span_s=0.01, points=points))
    scope.set_trigger(Trigger(source="ch1"))
    generator.set_sine(1000.0, 1.0)


def test_two_channels_of_one_shot(bench):
    _, scope, generator = bench
    set_up(scope, generator)
    with generator.measuring():
        shot = scope.single(3.0)
        first, second = scope.fetch(1, "in"), scope.fetch(2, "x3")
    assert first.shot == second.shot == shot
    assert not first.clipped
    assert not second.clipped
    assert first.probe_factor == 10.0
    t_s = first.times_s
    assert t_s[0] <= 0.0 <= t_s[-1]
    # Fitted here by plain projection on whole periods, apart from the product's own fit.
    phasors = []
    for capture in (first, second):
        whole = round(0.009 / capture.dt_s)
        wave = np.exp(-2j * np.pi * 1000.0 * capture.times_s[:whole])
        phasors.append(2 * np.mean(capture.volts[:whole] * wave))
    ratio = phasors[1] / phasors[0]
    assert abs(ratio) == pytest.approx(3.0, rel=0.06)
    assert abs(abs(np.degrees(np.angle(ratio))) - 180.0) < 2.0
    assert np.mean(second.volts) == pytest.approx(1.0, abs=0.25)
    # Its own value is a cross-check: near, and high by the noise.
    assert scope.read_pp(2) == pytest.approx(np.ptp(second.volts), rel=0.1)


def test_memory_is_read_in_pages(bench):
    _, scope, generator = bench
    rules = scope._rules
    scope._rules = rules.model_copy(update={"waveform": rules.waveform.model_copy(update={"page_most": 700})})
    set_up(scope, generator)
    with generator.measuring():
        scope.single(3.0)
        paged = scope.fetch(2, "x3")
        scope._rules = rules
        whole = scope.fetch(2, "x3")
    assert paged.codes.size == whole.codes.size >= 1000
    np.testing.assert_array_equal(paged.codes, whole.codes)


def test_no_trigger_is_said_with_level_and_source_and_never_forced(bench):
    _, scope, generator = bench
    set_up(scope, generator)
    scope.set_trigger(Trigger(source="ch1", level_v=0.9))
    with pytest.raises(MeasurementError, match=r"no trigger on ch1, rising through 0\.9 V"):
        scope.single(0.3)
    with pytest.raises(MeasurementError, match="no record"):
        scope.fetch(1, "in")


def test_a_trigger_is_forced_only_where_it_may_be_and_only_in_the_end(bench):
    """For hum, whose phase does not matter: without any crossing the record comes after the time-out."""
    simulated, scope, generator = bench
    set_up(scope, generator)
    scope.set_trigger(Trigger(source="ch1", level_v=0.9))
    began_s = scope.session.clock.monotonic_s()
    shot = scope.single(0.3, may_force=True)
    assert scope.session.clock.monotonic_s() - began_s >= 0.3
    assert scope.fetch(1, "in").shot == shot
    simulated.scope.stuck_state = "waiting"
    with pytest.raises(MeasurementError, match="no trigger") as caught:
        scope.single(0.1, may_force=True)
    assert "forced and nothing came" in caught.value.hint
    with pytest.raises(MeasurementError, match="no trigger") as caught:
        scope.single(0.1)
    assert "no trigger is forced" in caught.value.hint


def test_nothing_to_fetch_before_the_first_shot_and_after_a_change_of_settings(bench):
    _, scope, generator = bench
    with pytest.raises(MeasurementError, match="no record"):
        scope.fetch(1, "in")
    set_up(scope, generator)
    with generator.measuring():
        scope.single(3.0)
    scope.set_channel(Channel(channel=1, full_scale_v=4.0, probe_factor=10.0))
    with pytest.raises(MeasurementError, match="no record"):
        scope.fetch(1, "in")


def test_a_clipped_record_says_so(bench):
    _, scope, generator = bench
    set_up(scope, generator)
    scope.set_channel(Channel(channel=2, full_scale_v=0.8, centre_v=1.0, probe_factor=10.0))
    with generator.measuring():
        scope.single(3.0)
        assert scope.fetch(2, "x3").clipped


def test_a_channel_that_was_left_inverted_is_set_upright(bench):
    """Or a stage that inverts would be told to be one that does not."""
    simulated, scope, generator = bench
    simulated.scope.channels[1].inverted = True
    set_up(scope, generator)
    with generator.measuring():
        scope.single(3.0)
        first, second = scope.fetch(1, "in"), scope.fetch(2, "x3")
    together = np.corrcoef(first.volts, second.volts)[0, 1]
    assert together < -0.9


def test_a_probe_factor_turned_by_hand_is_noticed_before_the_shot(bench):
    _, scope, generator = bench
    set_up(scope, generator)
    scope.session.put(scope._rules.channel.probe, 1.0, 1)
    with pytest.raises(MeasurementError, match="x1 dc"):
        scope.single(0.3)


@pytest.mark.parametrize(
    ("turned", "says"),
    [({"factor": 1.0}, "x1 dc"), ({"ac": True}, "x10 ac"), ({"inverted": True}, "it is inverted")],
)
@pytest.mark.parametrize("triggers", [True, False])
def test_a_knob_turned_while_the_record_is_taken_makes_it_void(bench, turned, says, triggers):
    """Of a slow record too, and where no trigger comes any more that is why."""
    simulated, scope, generator = bench
    set_up(scope, generator)
    simulated.scope.never_triggers = not triggers

    def turn():
        for name, value in turned.items():
            setattr(simulated.scope.channels[2], name, value)

    with generator.measuring(), pytest.raises(RecordVoid, match=says):
        scope.single(0.5, expected_s=0.02, look=turn)
    with pytest.raises(RecordVoid, match="no record"):
        scope.fetch(1, "in")


@pytest.mark.parametrize(
    ("turned", "says", "wait_s"),
    [
        ({"time_scale_s": 0.5}, "time base is 0.5 s a division, and was set to 0.001 s", 0.3),
        ({"source": 2, "level_v": 90.0}, "triggers on ch2, rising, and was set to ch1, rising", 0.3),
        ({"shown": False}, "no record of channel 2", 3.0),  # it triggers at once, on a machine that has time for it
    ],
)
def test_a_knob_without_which_no_record_comes_is_named_and_set_again(bench, turned, says, wait_s):
    simulated, scope, generator = bench
    set_up(scope, generator)
    with generator.measuring():
        for name, value in turned.items():
            setattr(simulated.scope.channels[2] if name == "shown" else simulated.scope, name, value)
        with pytest.raises(RecordVoid, match=says):  # noqa: PT012  the one comes late, the other early
            scope.single(wait_s)
            scope.fetch(2, "x3")
        scope.single(3.0)
        assert np.ptp(scope.fetch(2, "x3").volts) == pytest.approx(3.0, rel=0.1)


@pytest.mark.parametrize("turned", [{"rising": False}, {"source": 1}])
def test_shots_on_the_sync_that_are_held_against_each_other_have_one_trigger(bench, turned):
    """On the other slope the phase is off by half a turn, and nothing in the record shows it."""
    simulated, scope, generator = bench
    set_up(scope, generator)
    scope.set_trigger(Trigger(source="external"))
    with generator.measuring():
        scope.single(3.0)
        for name, value in turned.items():
            setattr(simulated.scope, name, value)
        with pytest.raises(RecordVoid, match="was set to external, rising"):
            scope.single(3.0)
        scope.single(3.0)
        assert scope.fetch(1, "in").codes.size


def test_a_scope_that_cannot_be_asked_how_it_stands_is_used_all_the_same(bench):
    _, scope, generator = bench
    rules = scope._rules
    deaf = {
        part: getattr(rules, part).model_copy(
            update={name: getattr(getattr(rules, part), name).model_copy(update={"ask": None}) for name in names}
        )
        for part, names in {
            "channel": ("probe", "coupling"), "trigger": ("source", "slope"), "timebase": ("scale",)
        }.items()
    }  # fmt: skip
    scope._rules = rules.model_copy(update=deaf)
    set_up(scope, generator)
    scope.set_trigger(Trigger(source="external"))
    with generator.measuring():
        scope.single(3.0)
    with pytest.raises(MeasurementError, match="no trigger"):
        scope.single(0.2)


def test_the_link_lost_between_shot_and_fetch_makes_the_record_void(bench):
    _, scope, generator = bench
    set_up(scope, generator)
    with generator.measuring():
        scope.single(3.0)
        scope.session.drop()
        with pytest.raises(MeasurementError):
            scope.fetch(1, "in")
        # The settings are back, so the next shot is good.
        scope.single(3.0)
        assert scope.fetch(1, "in").probe_factor == 10.0
    assert any("opened again" in gap for gap in scope.session.gaps)


@pytest.mark.parametrize("at_the_end", [False, True])
def test_the_link_lost_and_found_while_a_record_is_taken_makes_it_void(bench, monkeypatch, at_the_end):
    """Set up once more, the scope may stand still with the record of another shot."""
    _, scope, generator = bench
    set_up(scope, generator)
    state, losses = scope.state, [1]

    def looked():
        if not at_the_end and losses:
            losses.clear()
            scope.session.drop()
        found = state()
        if found == "stopped" and losses:
            losses.clear()
            scope.session.drop()
        return found

    monkeypatch.setattr(scope, "state", looked)
    with generator.measuring():
        with pytest.raises(RecordVoid, match="while the record was taken"):
            scope.single(3.0)
        scope.single(3.0)
        assert scope.fetch(1, "in").probe_factor == 10.0


@pytest.mark.parametrize("channel", [0, 9])
def test_no_such_channel(bench, channel):
    with pytest.raises(CommandRefused, match="channels 1 to"):
        bench[1].set_channel(Channel(channel=channel, full_scale_v=1.0))


# What a scripted scope does behind our back.

PREAMBLE = "0,0,4,1,+2.0E-06,-1.0E-03,0,+4.0E-02,-1.2E+00,128"


@pytest.fixture
def scripted(rig):
    from acquisition.instruments.bench import ScopeEntry
    from acquisition.instruments.scope import Scope

    answers = {
        ":TIM:SCAL?": "1E-3",
        ":TRIG:STAT?": "STOP",
        ":WAV:PRE?": PREAMBLE,
        ":WAV:DATA?": b"#14\x80\x0a\x81\xfe\n",
    }
    made = rig("ten-field-scope", answers).open()
    made.scope = Scope(made.session, ScopeEntry(resource="TCPIP::h::1::SOCKET", dialect="x"))
    made.scope._is_fresh = True
    return made


def one_after_the_other(*answers):
    left = list(answers)
    return lambda: left.pop(0) if len(left) > 1 else left[0]


def test_a_preamble_that_changed_makes_the_record_void(scripted):
    scripted.peer.answers[":WAV:PRE?"] = one_after_the_other(PREAMBLE, PREAMBLE.replace("-1.2", "-1.4"))
    with pytest.raises(MeasurementError, match="changed"):
        scripted.scope.fetch(1, "V1.1")


def test_a_scope_that_runs_again_makes_the_record_void(scripted):
    scripted.peer.answers[":TRIG:STAT?"] = one_after_the_other("STOP", "RUN")
    with pytest.raises(MeasurementError, match="runs again"):
        scripted.scope.fetch(1, "V1.1")


def test_an_unknown_state_word_is_an_error(scripted):
    scripted.peer.answers[":TRIG:STAT?"] = "HOLD"
    with pytest.raises(ReplyMalformed, match="one of"):
        scripted.scope.state()


def test_a_line_end_among_the_samples_is_a_sample(scripted):
    assert scripted.scope.fetch(1, "V1.1").codes[1] == 0x0A


@pytest.mark.parametrize("data", [b"#13\x80\x0a\x81\n", b"#15\x80\x0a\x81\xfe\x00\n"])
def test_other_than_the_announced_number_of_samples(scripted, data):
    scripted.peer.answers[":WAV:DATA?"] = data
    with pytest.raises(ReplyMalformed):
        scripted.scope.fetch(1, "V1.1")


def test_a_trace_that_repeats_an_earlier_one_is_read_twice_and_believed(scripted):
    """A flat line, or the same record asked for again: nothing is wrong, only slower."""
    first, again = scripted.scope.fetch(1, "V1.1"), scripted.scope.fetch(1, "V1.1")
    np.testing.assert_array_equal(first.codes, again.codes)
    assert scripted.peer.heard.count(":WAV:DATA?") == 3
    scripted.peer.answers[":WAV:DATA?"] = b"#14\x80\x80\x81\x80\n"
    for channel in (1, 2):
        assert list(scripted.scope.fetch(channel, "V1.1").codes) == [0x80, 0x80, 0x81, 0x80]
    assert scripted.peer.opened == 1


def test_the_trace_of_another_channel_or_shot_is_void(scripted):
    """The command that chooses the channel, or the one that arms, was lost: noise never comes the same twice."""
    scripted.scope.fetch(1, "V1.1")
    with pytest.raises(RecordVoid, match="another shot or channel"):
        scripted.scope.fetch(2, "V1.2")
    scripted.scope.state()
    scripted.scope.single(1.0)
    with pytest.raises(RecordVoid, match="another shot or channel"):
        scripted.scope.fetch(1, "V1.1")


def test_an_earlier_block_in_the_place_of_the_right_one_is_refused_and_the_link_opened_again(scripted):
    earlier, right = b"#14\x80\x0a\x81\xfe\n", b"#14\x01\x02\x03\x04\n"
    scripted.peer.answers[":WAV:DATA?"] = one_after_the_other(earlier, earlier, right)
    scripted.scope.fetch(1, "V1.1")
    with pytest.raises(ReplyMalformed, match="the same record when it is read twice"):
        scripted.scope.fetch(2, "V1.2")
    with pytest.raises(MeasurementError):
        scripted.scope.fetch(2, "V1.2")  # opened again: the shot of the old link counts no more
    assert scripted.peer.opened == 2
    scripted.scope._is_fresh = True
    assert list(scripted.scope.fetch(2, "V1.2").codes) == [1, 2, 3, 4]


def test_a_line_sent_twice_does_not_fill_the_place_of_lost_samples(scripted):
    """Four samples lost, and the ``STOP`` of a moment ago comes once more: length and line end are right."""
    scripted.peer.answers[":WAV:PRE?"] = PREAMBLE.replace("0,0,4", "0,0,6", 1)
    scripted.peer.answers[":WAV:DATA?"] = one_after_the_other(b"#16abSTOP\n", b"#16abcdef\n")
    with pytest.raises(ReplyMalformed, match="the same record when it is read twice"):
        scripted.scope.fetch(1, "V1.1")
    scripted.scope.state()
    scripted.scope._is_fresh = True
    assert bytes(scripted.scope.fetch(1, "V1.1").codes) == b"abcdef"


def test_a_damaged_block_leaves_its_link_behind(scripted):
    """Its rest, or the whole of it once more, may still be on the way."""
    scripted.peer.answers[":WAV:DATA?"] = b"#14\x80\x0a\x81\xfe\x00\n"
    with pytest.raises(ReplyMalformed):
        scripted.scope.fetch(1, "V1.1")
    assert scripted.scope.session.link is None


@pytest.mark.parametrize(("points", "data"), [(5, b"#14abcd\n"), (4, b"#13abc\n")])
def test_a_window_is_exactly_as_it_was_opened(rig, points, data):
    """The scope counts the window it was told: a length damaged on the way shows there."""
    from acquisition.instruments.bench import ScopeEntry
    from acquisition.instruments.scope import Scope

    preamble = (
        ":WFMO:BYT_NR 1;BN_FMT RI;BYT_OR MSB;NR_PT 4;PT_FMT Y;XINCR 1E-6;XZERO 0;PT_OFF 0;YMULT 0.1;YOFF 0;YZERO 0"
    )
    answers = {"HOR:SCA?": "1E-3", "TRIG:STATE?": ":TRIG:STATE SAVE", "WFMO?": preamble, "CURV?": b":CURV " + data}
    made = rig("keyword-scope", answers)
    made.peer.no_error = ':EVM 0,"No events"'
    made.open().peer.answers["HOR:RECO?"] = f":HOR:RECO {points}"
    scope = Scope(made.session, ScopeEntry(resource="TCPIP::h::1::SOCKET", dialect="x"))
    scope._is_fresh = True
    with pytest.raises(ReplyMalformed):
        scope.fetch(1, "V1.1")
    made.peer.answers |= {"HOR:RECO?": ":HOR:RECO 4", "CURV?": b":CURV #14abcd\n"}
    scope.state()
    scope._is_fresh = True
    assert scope.fetch(1, "V1.1").codes.size == 4


def test_a_block_is_remembered_for_the_last_256():
    seen = SeenBlocks()
    assert not any(seen.add(bytes([number]), (number, 1)) for number in range(256))
    assert seen.add(b"\0", (300, 1)) == (0, 1)  # and is the newest now
    assert seen.add(b"new", (301, 1)) is None  # pushes out the oldest
    assert seen.add(b"\x01", (302, 1)) is None
    assert seen.add(b"\0", (303, 1)) == (0, 1)


def test_two_byte_samples_in_the_wrong_order_are_refused(scripted):
    """They look like noise, so the peak to peak of the block is compared with the scope's own."""
    codes = np.array([0x8000, 0x8100, 0x8200, 0x8101], dtype=">u2")
    scripted.peer.answers[":WAV:PRE?"] = PREAMBLE.replace("0,0,4", "1,0,4", 1)
    scripted.peer.answers[":MEAS:VPP?"] = f"{0x200 * 0.04:.4E}"
    scripted.peer.answers[":WAV:DATA?"] = b"#18" + codes.tobytes() + b"\n"
    assert scripted.scope.fetch(1, "V1.1").codes[1] == 0x8100
    scripted.peer.answers[":WAV:DATA?"] = b"#18" + codes.astype("<u2").tobytes() + b"\n"
    with pytest.raises(ReplyMalformed, match="byte order"):
        scripted.scope.fetch(1, "V1.1")


def test_two_byte_samples_of_12_bits_right_justified_are_clipped_where_the_converter_ends(scripted):
    codes = np.array([0xFFF, 0xFFF, 0xFFF, 0x123], dtype=">u2")
    scripted.peer.answers[":WAV:PRE?"] = PREAMBLE.replace("0,0,4", "1,0,4", 1)
    scripted.peer.answers[":MEAS:VPP?"] = f"{(0xFFF - 0x123) * 0.04:.4E}"
    scripted.peer.answers[":WAV:DATA?"] = b"#18" + codes.tobytes() + b"\n"
    scripted.scope._set[1] = Channel(channel=1, full_scale_v=0.04 * 0x1000 * 8 / 10)
    record = scripted.scope.fetch(1, "V1.1")
    assert record.clipped
    assert record.full_scale_v == pytest.approx(0.04 * 0xFFF)


def test_a_page_size_never_exceeds_a_quarter_megabyte():
    """Requests of about 1 MB have hung instruments on USB."""
    from acquisition.configs import config_names
    from acquisition.instruments import load_dialect

    for name in config_names("dialects"):
        dialect = load_dialect(name)
        if dialect.scope is not None:
            assert dialect.scope.waveform.page_most <= 250_000


def test_a_bench_without_scope():
    with pytest.raises(InstrumentNotFound, match="no scope"):
        open_scope(Bench.model_validate({"bench": "x"}))


def test_what_the_scope_refused_is_not_set_again_after_a_loss(bench):
    """With it no link could be mended any more; what stood before is set again."""
    simulated, scope, _ = bench
    before = scope.set_channel(Channel(channel=1, full_scale_v=8.0))
    with pytest.raises((CommandRefused, InstrumentReported)):
        scope.set_channel(Channel(channel=1, full_scale_v=1e6))
    simulated.scope.reset()
    simulated.links["scope"].drop()
    scope._set.clear()
    with pytest.raises(ConnectionLost):
        _ask_on(scope)
    assert scope.state() == "stopped"
    assert scope._set == {1: before}, "as read back from a scope that had forgotten it"


def _ask_on(scope):
    for _ in range(20):
        scope.state()
