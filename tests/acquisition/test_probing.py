"""The guided survey: what it refuses, what it asks first, what it keeps, and that it never says too much."""

import sys
from pathlib import Path

import numpy as np
import pytest

from acquisition.errors import StoreError
from acquisition.instruments.samples import REFUSED_FLAGS, Sample
from acquisition.probing import ActionKind, Do, Key, Phase, ProbingLimits
from acquisition.records import SurveyPlan, SurveyStep

sys.path.insert(0, str(Path(__file__).parent))
from survey_rig import Rig, step


def test_points_are_taken_one_after_the_other_without_a_key():
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2), mains_v=231.0, instrument="meter 1").ready()
    rig.touch(141.0).touch(1.21)
    assert [(r.point, r.quality) for r in rig.kept] == [("V1.1", "good"), ("V1.3", "good")]
    assert rig.machine.phase is Phase.DONE
    assert rig.kept[0].std == pytest.approx((0.005 * 141 + 0.2) / 3**0.5, rel=0.2)
    assert "mains 231 V" in rig.kept[0].note
    assert "min after switch-on" in rig.kept[0].note
    assert rig.kept[0].instrument == "meter 1"
    assert rig.doings == [Do.PREPARE, Do.POWER_ON, Do.TOUCH, Do.LIFT, Do.TOUCH, Do.LIFT]


class Disk:
    """Takes readings while it has room."""

    def __init__(self):
        self.room, self.kept = False, []

    def __call__(self, reading):
        if not self.room:
            raise StoreError(f"amp: reading of {reading.point} not kept: the disk is full", hint="free some space")
        self.kept.append(reading)


def test_a_reading_that_the_disk_does_not_take_is_told_at_once_and_kept_when_there_is_room():
    disk = Disk()
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2), commit=disk).ready()
    rig.meter(141.0, 1.5)
    assert (
        "NOT kept: V1.1 141.0 V. amp: reading of V1.1 not kept: the disk is full (free some space)." in rig.said()
    )
    rig.free(1.0).touch(1.2).press()  # another point meanwhile, and a key too soon
    assert rig.machine.phase is Phase.NOT_KEPT
    assert not rig.said(ActionKind.TAKEN)
    disk.room = True
    rig.press()
    assert [(r.point, round(r.value)) for r in disk.kept] == [("V1.1", 141)]
    assert rig.machine.phase is Phase.ARMED
    rig.touch(1.2)
    assert [r.point for r in disk.kept] == ["V1.1", "V1.3"]
    assert rig.machine.phase is Phase.DONE
    assert rig.machine.not_kept is None


def test_a_doubted_reading_that_the_disk_does_not_take_is_doubted_when_it_is_kept():
    disk = Disk()
    rig = Rig(step("V1.1", 140.0, neighbours={"V1.6": 210.0}), commit=disk).ready().touch(210.0)
    disk.room = True
    rig.press()
    assert [r.quality for r in disk.kept] == ["held"]
    assert rig.machine.phase is Phase.WRONG_PIN


@pytest.mark.parametrize("key", [Key.SKIP, Key.QUIT])
def test_a_reading_that_is_not_kept_can_be_left_and_is_not_said_to_be_on_disk(key):
    rig = Rig(step("V1.1", 140.0), commit=Disk()).ready().touch(141.0).press(key)
    assert rig.machine.phase is Phase.DONE
    assert "the disk is full" in str(rig.machine.not_kept)
    assert not rig.machine.results
    if key is Key.QUIT:
        assert "The last reading is NOT kept." in rig.log[-1].text


def test_a_reading_that_is_not_kept_is_not_said_to_be_on_disk_after_a_stop_either():
    rig = Rig(step("V1.1", 140.0), commit=Disk()).ready().touch(141.0)
    rig.meter(330.0, 0.1).press(Key.QUIT)
    assert "The last reading is NOT kept." in rig.log[-1].text


def test_above_the_limit_the_lead_is_clipped_on_with_power_off():
    rig = Rig(step("HT1", 310.0, worst=400.0), step("HT2", 305.0, worst=400.0)).free().press()
    for _ in range(5):
        rig.meter(0.2, 0.5).press()
    rig.meter(310.0, 3.0)
    assert rig.doings == [
        Do.PREPARE,
        Do.DISCHARGE,
        Do.VERIFY,
        Do.CLIP,
        Do.HANDS_AWAY,
        Do.POWER_ON,
        Do.WAIT,
        Do.POWER_OFF,
    ]
    assert [r.point for r in rig.kept] == ["HT1"]
    rig.press()
    assert rig.doings[-1] is Do.DISCHARGE, "power is off: the next point begins with the discharge"
    rig.meter(0.1, 0.5).press()
    assert rig.doings[-1] is Do.VERIFY_CLIPPED
    rig.meter(0.1, 0.5).press()
    assert rig.doings[-1] is Do.UNCLIP


def test_a_weak_negative_bias_is_not_called_high():
    rig = Rig(step("BIAS", -38.7)).ready().touch(-20.0)
    assert rig.kept[-1].point == "BIAS"
    (taken,) = [action for action in rig.log if action.kind is ActionKind.TAKEN]
    assert taken.text.endswith("V, not negative enough")
    assert taken.verdict == "high"


def test_a_point_that_still_reads_high_is_sent_back_to_the_discharge():
    rig = Rig(step("HT1", 310.0, worst=400.0)).free().press().press()
    assert rig.machine.phase is Phase.VERIFYING
    rig.press()
    assert "No reading" in rig.log[-1].text, "nothing read is not zero"
    rig.meter(52.0, 0.5).press()
    assert "Still 52.0 V" in rig.log[-1].text
    assert rig.machine.phase is Phase.VERIFYING
    rig.meter(0.4, 0.5).press()
    assert "only at this point" in rig.said()


@pytest.mark.parametrize(
    ("limits", "worst", "words"),
    [
        (ProbingLimits(meter_rated_v=1000.0, lead_rated_v=600.0), 500.0, "rated for 600 V and used up to 480 V"),
        (ProbingLimits(meter_rated_v=None, lead_rated_v=600.0), 100.0, "rating of the meter is not known"),
        (ProbingLimits(meter_rated_v=1000.0, lead_rated_v=None), 100.0, "rating of the lead is not known"),
        (ProbingLimits(meter_rated_v=1000.0, lead_rated_v=600.0, mains_known=False), 100.0, "mains"),
    ],
)
def test_points_beyond_the_ratings_are_never_named(limits, worst, words):
    rig = Rig(step("V2.7", 230.0, worst=worst), step("V2.3", 7.0, worst=50.0), limits=limits).free().press()
    assert words in rig.said(ActionKind.CAUTION)
    assert all(action.step.point == "V2.3" for action in rig.log if action.kind is ActionKind.SHOW)
    rig.press(Key.SKIP)
    over = rig.said(ActionKind.DONE)
    assert "Left out: V2.7; " in over
    assert words in over, "the end says why, so that it can be put right"


def test_a_live_value_above_the_rating_stops_everything():
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2), limits=ProbingLimits(meter_rated_v=250.0, lead_rated_v=600.0))
    rig.ready().meter(262.0, 0.1)
    assert rig.machine.phase is Phase.STOPPED
    assert "above the rating" in rig.said(ActionKind.CAUTION)
    assert rig.kept == []
    rig.press()
    assert rig.doings[-1] is Do.POWER_ON, "after a stop the mains are taken to be off"


@pytest.mark.parametrize("advised", ["V1.1", None])
def test_a_point_that_was_left_with_a_stop_is_not_named_again_by_advice(advised):
    """What would tell most is often the point that reads far too high."""
    limits = ProbingLimits(meter_rated_v=250.0, lead_rated_v=600.0)
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2), limits=limits, advise=lambda: advised).ready()
    rig.meter(262.0, 0.1)
    assert rig.log[-1].text.endswith("Space leaves this point.")
    rig.press()
    assert rig.machine.step.point == "V1.3"
    rig.press(Key.SKIP)
    assert rig.machine.phase is Phase.DONE


def test_back_goes_to_the_point_that_was_named_before_also_where_advice_had_the_order():
    order = ["V1.6", "V1.1"]
    pins = [step(point, 140.0) for point in ("V1.1", "V1.3", "V1.6", "V1.7")]
    rig = Rig(*pins, advise=lambda: order.pop(0) if order else None).ready()
    rig.touch(141.0).touch(141.0).touch(141.0)
    assert [reading.point for reading in rig.kept] == ["V1.6", "V1.1", "V1.3"]
    named = []
    for _ in range(4):
        rig.press(Key.BACK)
        named.append(rig.machine.step.point)
    assert named == ["V1.3", "V1.1", "V1.6", "V1.3"], "at the beginning of the way, by the plan"


def test_a_held_tip_that_meets_more_than_the_clip_on_limit_stops_and_is_clipped_on():
    # Limit L9 holds for what is read, not only for what the plan thought: an open load, a source given too small.
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2)).ready()
    rig.meter(330.0, 0.1)
    assert rig.machine.phase is Phase.STOPPED
    assert "no tip is held by hand" in rig.said(ActionKind.CAUTION)
    rig.meter(330.0, 2.0).free(0.5).press()
    assert rig.kept == []
    assert rig.machine.step.point == "V1.1"
    assert rig.doings[-1] is Do.DISCHARGE, "the clip-on sequence, power off first"
    for _ in range(5):
        rig.meter(0.2, 0.5).press()
    rig.meter(330.0, 3.0)
    assert [r.point for r in rig.kept] == ["V1.1"], "read through the clip, within the ratings"


def test_a_low_limit_of_the_bench_file_counts():
    limits = ProbingLimits(meter_rated_v=1000.0, lead_rated_v=600.0, clip_on_above_v=60.0)
    rig = Rig(step("V1.1", 140.0, worst=200.0), limits=limits).free().press()
    assert rig.doings[-1] is Do.DISCHARGE


def test_mains_and_clip_are_never_the_programs_to_move():
    # Off, discharge, look, clip, away, on: each waits for the key of a person, however long it takes.
    rig = Rig(step("HT1", 310.0, worst=400.0)).free().press()
    for asked in (Do.DISCHARGE, Do.VERIFY, Do.CLIP, Do.HANDS_AWAY, Do.POWER_ON):
        rig.meter(0.2, 30.0)
        assert rig.doings[-1] is asked
        rig.press()
    assert rig.doings[-1] is Do.WAIT


@pytest.mark.parametrize("volts", [62.0, -62.0])
def test_with_unknown_ratings_a_live_value_above_60_v_stops(volts):
    rig = Rig(step("V1.3", 1.2, worst=50.0), limits=ProbingLimits(meter_rated_v=None, lead_rated_v=None)).ready()
    rig.meter(volts, 0.1)
    assert rig.machine.phase is Phase.STOPPED


def test_overload_is_unknown_and_high():
    rig = Rig(step("V1.1", 140.0)).ready()
    rig.log += rig.machine.sample(
        Sample(t_s=rig.t_s + 0.1, value_v=float("nan"), range_v=600.0, flags=frozenset({"overload"}))
    )
    assert rig.machine.phase is Phase.STOPPED
    assert "unknown and high" in rig.said()


def test_a_reading_that_fits_a_neighbour_asks_wrong_pin_and_a_second_touch_answers():
    pin = step("V1.1", 140.0, neighbours={"V1.2": 0.0, "V1.6": 205.0})
    rig = Rig(pin, step("V1.3", 1.2)).ready().touch(204.0)
    assert "V1.6" in rig.log[-2].text or "V1.6" in rig.said(ActionKind.ASK)
    assert [r.quality for r in rig.kept] == ["held"], "kept, not judged"
    rig.touch(141.0)
    assert [r.quality for r in rig.kept] == ["held", "good"]
    assert rig.kept[1].value == pytest.approx(141.0, abs=0.1)


@pytest.mark.parametrize("answer", ["space", "touch again"])
def test_the_same_value_again_or_a_key_keeps_it_for_this_pin(answer):
    rig = Rig(step("V1.1", 140.0, neighbours={"V1.6": 205.0})).ready().touch(204.0, 1.0)
    rig.press() if answer == "space" else rig.touch(204.0)
    assert [r.quality for r in rig.kept] == ["held", "good"]
    assert rig.machine.results["V1.1"].value == pytest.approx(204.0, abs=0.1)


def test_a_zero_is_taken_by_key_or_hold_and_named_so():
    grid = SurveyStep(point="V1.2", function="grid", expected_v=0.0, low_v=-0.1, high_v=0.1, may_be_zero=True)
    rig = Rig(grid).ready().free(1.0)
    assert rig.kept == []
    rig.meter(0.0, 1.0).press().meter(0.0, 1.5)
    assert [r.quality for r in rig.kept] == ["confirmed_zero"]
    held = Rig(grid).free(6.0).press().press()
    assert Do.TOUCH_AND_HOLD in held.doings
    held.free(2.0)
    assert held.kept == [], "a free lead is never taken"
    held.meter(0.0, 5.0)
    assert [r.quality for r in held.kept] == ["confirmed_zero"]


def test_a_tip_that_is_not_seen_is_asked_for_once_and_kept_as_what_it_reads():
    rig = Rig(step("V1.3", 0.4), step("V1.1", 140.0)).ready()
    for volts in np.linspace(0.0, 0.39, 60):  # what creeps up is no touch
        rig.meter(volts, 0.1)
    rig.meter(0.39, 12.0)
    assert rig.doings.count(Do.TOUCH_AND_KEY) == 1
    assert "No contact seen for 10 seconds. Tip on V1.3: press space." in rig.said(ActionKind.SAY)
    rig.press().meter(0.39, 2.0)
    assert [(r.point, r.quality) for r in rig.kept] == [("V1.3", "good")]
    rig.free(2.0).touch(141.0)
    assert [r.point for r in rig.kept] == ["V1.3", "V1.1"]
    assert rig.doings.count(Do.TOUCH_AND_KEY) == 1


def test_heaters_and_delicate_grids_are_offered_only_when_asked_for():
    steps = (
        SurveyStep(point="V1.4", function="heater", heater=True, worst_v=60.0, may_be_zero=True),
        step("V2.7", 40.0, delicate=True),
        step("V1.1", 140.0),
    )
    names = lambda **o: [s.point for s in Rig(*steps, **o).machine.steps]  # noqa: E731
    assert names() == ["V1.4", "V1.1"]
    assert names(tubes_glow=True) == ["V1.1"]
    assert names(tubes_glow=True, delicate=True) == ["V2.7", "V1.1"]


def test_back_skip_repeat_quit():
    rig = Rig(step("V1.1", 140.0), step("V1.6", 150.0), step("V1.3", 1.2)).ready().touch(141.0)
    rig.press(Key.SKIP)
    assert rig.machine.step.point == "V1.3"
    rig.press(Key.BACK).press(Key.BACK)
    assert rig.machine.step.point == "V1.1"
    rig.touch(139.0)
    assert [r.value for r in rig.kept] == pytest.approx([141.0, 139.0], abs=0.1)
    rig.press(Key.BACK)
    assert rig.machine.step.point == "V1.1"
    rig.press(Key.QUIT)
    assert rig.machine.phase is Phase.DONE


@pytest.mark.parametrize("key", [Key.SPACE, Key.SKIP, Key.BACK, Key.REPEAT])
@pytest.mark.parametrize("held_s", [0.4, 1.5])
def test_a_tip_that_rests_on_the_last_point_is_never_read_for_the_next(key, held_s):
    rig = Rig(step("V1.6", 150.0), step("V1.1", 140.0), step("V1.3", 140.0)).ready().touch(151.0)
    before = len(rig.kept)
    rig.meter(141.0, held_s).press(key)
    at_key = len(rig.kept)
    rig.meter(141.0, 4.0)
    assert len(rig.kept) == at_key <= before + 1
    point = rig.machine.step.point
    rig.free(0.5).touch(139.0)
    assert rig.kept[-1].point == point
    assert rig.kept[-1].value == pytest.approx(139.0, abs=0.2)


def test_an_interrupted_survey_goes_on_after_the_points_it_has():
    rig = Rig(step("V1.1", 140.0), step("V1.3", 1.2), done=frozenset({"V1.1"})).ready()
    assert rig.machine.step.point == "V1.3"
    assert Rig(step("V1.1", 140.0), step("V1.3", 1.2), start_from="V1.3").ready().machine.step.point == "V1.3"


def test_an_unsteady_value_is_kept_only_by_key_and_is_not_judged():
    rig = Rig(step("V1.1", 140.0)).ready()
    for _ in range(130):
        rig.meter(140.0 + rig.rng.normal(0, 15.0), 0.1)
    assert rig.machine.phase is Phase.UNSTEADY
    assert rig.kept == []
    rig.press()
    assert [r.quality for r in rig.kept] == ["unsteady"]


def test_the_cautions_come_first_and_cannot_be_skipped():
    rig = Rig(step("V1.1", 140.0))
    assert [a.kind for a in rig.log[:3]] == [ActionKind.CAUTION] * 3
    rig.press(Key.SKIP).press(Key.BACK)
    assert rig.machine.index == -1


def test_nothing_it_says_calls_anything_safe():
    # The list of what a program must never say or imply is common bench practice, no source.
    rig = Rig(step("HT1", 310.0, worst=400.0), step("V2.7", 300.0, worst=900.0), step("V1.3", 1.2, worst=60.0))
    rig.free().press()
    for _ in range(5):
        rig.meter(0.2, 0.5).press()
    rig.meter(310.0, 3.0).press(Key.QUIT)
    words = rig.said().lower()
    for claim in ("safe", "dead", "isolated", "discharged", "hurry", "quick", "certain", "harmless"):
        assert claim not in words


def test_nobody_is_told_to_touch_before_the_free_lead_was_heard():
    rig = Rig(step("V1.1", 140.0)).press().press()
    assert rig.doings[-1] is Do.TIP_FREE
    rig.meter(141.0, 2.0)
    assert rig.kept == []
    rig.free(2.0)
    assert rig.doings[-1] is Do.TOUCH
    rig.touch(141.0)
    assert [r.quality for r in rig.kept] == ["good"]


def test_an_impatient_key_while_the_free_lead_is_heard_does_not_stop_the_hearing():
    rig = Rig(step("V1.1", 140.0)).press().press().free(0.5).press()
    assert rig.machine.phase is Phase.LISTENING
    rig.free(2.0)
    assert rig.doings[-1] is Do.TOUCH
    rig.touch(141.0)
    assert [r.quality for r in rig.kept] == ["good"]


@pytest.mark.parametrize("flag", ["held", "relative", "wrong_function"])
def test_why_the_meter_reads_nothing_is_said_where_it_is_set_while_the_free_lead_is_heard(flag):
    rig = Rig(step("V1.6", 142.0)).free(1.0).press().press().meter(0.0, 2.0, {flag})
    assert rig.machine.phase is Phase.LISTENING
    assert rig.said().count(f"No reading: {REFUSED_FLAGS[flag]}.") == 1


@pytest.mark.parametrize("flag", sorted(REFUSED_FLAGS))
def test_a_number_that_is_no_reading_does_not_pass_for_a_discharged_point(flag):
    rig = Rig(step("HT1", 310.0, worst=400.0)).free().press().press()
    assert rig.machine.phase is Phase.VERIFYING
    rig.meter(0.0, 1.0, flags={flag}).press()
    assert rig.machine.phase is Phase.VERIFYING
    assert f"No reading from the meter ({REFUSED_FLAGS[flag]}), and that is not zero" in rig.said(
        ActionKind.CAUTION
    )
    rig.meter(0.0, 0.5).press()
    assert rig.machine.phase is not Phase.VERIFYING


@pytest.mark.parametrize("away_s", [20.0, 300.0])
@pytest.mark.parametrize("flagged", [True, False])
def test_a_key_pressed_before_the_link_failed_says_nothing_of_the_tip_after_it(away_s, flagged):
    rig = Rig(step("V1.2", 0.0, may_be_zero=True))
    for _ in range(60):
        rig.meter(rig.rng.normal(0, 0.0003), 0.1)  # as quiet as a contact: only a key tells
    rig.press().press().meter(0.0, 1.0).press()
    asked = len(rig.log)
    if flagged:
        for _ in range(round(away_s / 0.5)):
            rig.t_s += 0.5
            rig.log += rig.machine.sample(Sample(t_s=rig.t_s, value_v=float("nan"), flags=frozenset({"gap"})))
    else:
        rig.t_s += away_s
    rig.meter(0.0, 10.0)
    assert not rig.kept
    assert "space with the tip on" in " ".join(action.text for action in rig.log[asked:])
    rig.press().meter(0.0, 2.0)
    assert [(reading.point, reading.quality) for reading in rig.kept] == [("V1.2", "confirmed_zero")]


@pytest.mark.parametrize("told", [{}, {"range_v": 6.0}])
def test_overload_that_stays_stops_also_where_the_meter_tells_no_range_or_a_low_one(told):
    """A meter on a range that was set by hand waits for no change of it, with the tip on who knows how much."""
    rig = Rig(step("V1.6", 140.0, worst=280.0)).ready()
    for seconds, phase in ((2.0, Phase.TOUCHED), (2.0, Phase.STOPPED)):
        for _ in range(round(seconds / 0.25)):
            rig.t_s += 0.25
            lost = Sample(t_s=rig.t_s, value_v=float("nan"), flags=frozenset({"overload", "auto"}), **told)
            rig.log += rig.machine.sample(lost)
        assert rig.machine.phase is phase
    assert "unknown and high" in rig.said(ActionKind.CAUTION)
    assert not rig.kept


def test_a_key_asked_for_with_the_tip_on_never_keeps_what_another_pin_gave():
    # A slip from the grid to the cathode beside it; then the person does what is said.
    grid = SurveyStep(
        point="V1.7", function="grid", expected_v=0.0, low_v=-0.3, high_v=0.3, may_be_zero=True,
        neighbours={"V1.8": 10.4},
    )  # fmt: skip
    rig = Rig(grid).ready().touch(10.4)
    assert [r.quality for r in rig.kept] == ["held"]
    assert "10.40 V is kept only if it reads the same again." in rig.log[-1].text
    rig.meter(0.0, 1.0).press().meter(0.0, 1.5)
    assert [r.quality for r in rig.kept] == ["held", "confirmed_zero"]
    assert rig.machine.results["V1.7"].value == pytest.approx(0.0, abs=0.001)


def test_a_key_for_a_tip_that_is_not_seen_never_keeps_what_another_pin_gave():
    rig = Rig(step("V1.3", 0.4, neighbours={"V1.1": 140.0})).ready().touch(140.0)
    assert [r.quality for r in rig.kept] == ["held"]
    for volts in np.linspace(0.0, 0.39, 60):  # what creeps up is no touch
        rig.meter(volts, 0.1)
    rig.meter(0.39, 12.0)
    assert rig.log[-1].do is Do.TOUCH_AND_KEY
    rig.press().meter(0.39, 2.0)
    assert rig.machine.results["V1.3"].value == pytest.approx(0.39, abs=0.005)


def test_a_hold_that_is_not_seen_is_asked_for_too():
    # The tip went over from 0.6 V to 0.1 V without a look at the air: a value that only falls is no touch.
    rig = Rig(step("V1.8", 0.6), step("V3.8", 0.1, may_be_zero=True))
    rig.free(6.0).press().press().meter(0.6, 1.5).meter(0.1, 9.0)
    assert rig.doings[-1] is Do.TOUCH_AND_HOLD
    rig.meter(0.1, 2.0)
    assert rig.doings[-1] is Do.TOUCH_AND_KEY
    rig.press().meter(0.1, 2.0)
    assert [r.point for r in rig.kept] == ["V1.8", "V3.8"]


@pytest.mark.parametrize(("flags", "lasts_s", "told"), [
    ({"overload", "auto"}, 0.5, None),
    ({"overload", "auto"}, 2.0, "waiting for the meter to change range"),
    ({"overload"}, 0.5, "the meter needs a higher range or autorange"),
])  # fmt: skip
def test_an_overload_is_told_of_unless_it_is_the_change_of_range_of_every_touch(flags, lasts_s, told):
    rig = Rig(step("V1.1", 140.0)).ready()
    for _ in range(round(lasts_s / 0.25)):
        rig.t_s += 0.25
        over = Sample(t_s=rig.t_s, value_v=float("nan"), range_v=0.6, flags=frozenset(flags))
        rig.log += rig.machine.sample(over)
    rig.touch(141.0)
    assert [r.point for r in rig.kept] == ["V1.1"]
    said = [action.text for action in rig.log if "No reading" in action.text]
    assert said == ([] if told is None else [f"No reading: overload: unknown and high, {told}."])


@pytest.mark.parametrize("key", [Key.SKIP, Key.BACK, Key.REPEAT])
def test_the_preparation_is_not_skipped_in_a_survey_that_starts_further_on_either(key):
    rig = Rig(step("V1.1", 140.0), step("V1.6", 150.0), step("V1.3", 1.2), start_from="V1.3").free().press(key)
    assert rig.doings == [Do.PREPARE]
    rig.press()
    assert rig.machine.step.point == "V1.3"


def test_a_value_that_stands_on_a_coarse_range_is_asked_for_by_key_and_is_no_unsteady_one():
    # A hand-held left on 600 V, whose digit is as coarse as a free lead may wander at 1 V.
    rig = Rig(step("V1.8", 1.15)).ready()

    def coarse(volts, seconds):
        for _ in range(round(seconds / 0.25)):
            rig.t_s += 0.25
            shown = 0.1 * round((volts + rig.rng.normal(0, 0.03)) / 0.1)
            rig.log += rig.machine.sample(Sample(t_s=rig.t_s, value_v=shown, resolution_v=0.1, range_v=600.0))

    for _ in range(40):
        coarse(rig.rng.normal(0, 0.04), 0.25)
    coarse(1.15, 12.0)
    assert rig.machine.phase is not Phase.UNSTEADY
    assert rig.doings[-1] is Do.TOUCH_AND_KEY
    assert rig.kept == []
    rig.press()
    coarse(1.15, 2.0)
    assert [(r.point, r.quality) for r in rig.kept] == [("V1.8", "good")]
    assert rig.kept[0].value == pytest.approx(1.15, abs=3 * rig.kept[0].std)


def test_the_right_pin_touched_again_is_not_met_with_silence_where_the_meter_missed_the_air_between():
    rig = Rig(step("V1.6", 140.0, neighbours={"V1.8": 28.8})).ready().meter(28.8, 1.5)
    assert rig.machine.phase is Phase.WRONG_PIN
    rig.meter(141.0, 1.0)
    assert rig.log[-1].text == "Touch V1.6, one hand."
    rig.meter(141.0, 10.0)
    assert rig.doings[-1] is Do.TOUCH_AND_KEY
    rig.press().meter(141.0, 2.0)
    assert [(r.quality, round(r.value)) for r in rig.kept] == [("held", 29), ("good", 141)]


def test_a_tip_that_slips_upward_after_a_reading_is_not_read_for_the_next_point():
    rig = Rig(step("V1.8", 28.8), step("V1.6", 140.0)).ready().meter(28.8, 1.5).meter(141.0, 5.0)
    assert [r.point for r in rig.kept] == ["V1.8"]
    rig.free(0.5).touch(141.0)
    assert [r.point for r in rig.kept] == ["V1.8", "V1.6"]


def test_a_plan_for_other_tubes_holds_from_the_point_in_hand_on():
    rig = Rig(step("V1.1", 140.0), step("V1.6", 140.0), step("V1.8", 1.2)).ready()
    other = SurveyPlan(chassis="", steps=(step("V1.6", 250.0, worst=400.0), step("V1.1", 250.0)))
    rig.log += rig.machine.expect(other)
    assert rig.log[-2].kind is ActionKind.SHOW
    assert "expect 250" in rig.log[-2].text
    assert rig.machine.phase is Phase.ARMED
    rig.meter(251.0, 1.5)
    assert rig.machine.phase is Phase.LIFT
    assert rig.machine.expect(other) == [], "it was read"
    rig.free(0.5)
    assert [(r.point, r.quality) for r in rig.kept] == [("V1.1", "good")]
    assert [s.point for s in rig.machine.steps] == ["V1.1", "V1.6", "V1.8"]
    assert rig.doings[-1] is Do.POWER_OFF, "V1.6 can reach more than a hand holds now"


def test_with_a_plan_for_other_tubes_a_point_that_waits_for_power_is_clipped_on_where_it_has_to_be():
    rig = Rig(step("V1.1", 140.0), step("V1.6", 140.0)).free(3.0)
    other = SurveyPlan(chassis="", steps=(step("V1.1", 250.0, worst=400.0),))
    assert rig.machine.expect(other) == [], "the cautions stand first"
    rig.press()
    assert rig.doings == [Do.PREPARE, Do.DISCHARGE]
    rig = Rig(step("V1.1", 140.0), step("V1.6", 140.0)).free(3.0).press()
    assert rig.doings == [Do.PREPARE, Do.POWER_ON]
    rig.log += rig.machine.expect(other)
    assert rig.doings[2:] == [Do.DISCHARGE]
    rig.press(Key.SKIP)
    rig.log += rig.machine.expect(other)
    assert rig.machine.step.point == "V1.6"


@pytest.mark.parametrize("begins", ["before it starts", "before the lift"])
def test_a_key_of_the_meter_pressed_while_nothing_is_awaited_is_told_too(begins):
    """Told once by the detector, and swallowed there: the survey stood still without a word of why."""
    rig = Rig(step("V1.1", 141.0), step("V1.6", 96.0))
    if begins == "before it starts":
        rig.meter(0.0, 3.0, flags=("held",)).press().press()
    else:
        rig.ready().meter(141.0, 1.5)
        assert rig.machine.phase is Phase.LIFT
        rig.meter(141.0, 1.0, flags=("held",)).press().meter(96.0, 3.0, flags=("held",))
    said = [action.text for action in rig.log if action.kind is ActionKind.SAY]
    told = [index for index, text in enumerate(said) if text == "No reading: HOLD is set on the meter."]
    assert len(told) == 2, "when it is pressed, and when the point that it keeps from being read is asked for"
    assert said[told[1] - 1].startswith(("Tip in the air", "Touch V1.6"))


def test_an_unsteady_value_is_kept_as_it_is_when_the_key_is_pressed():
    """A rail that is still rising: offered at 150 V or so, and somebody waits half a minute before the key."""
    rig = Rig(step("HT2", 250.0, worst=280.0)).ready()
    for volts in np.arange(100.0, 250.0, 0.4):
        rig.meter(volts, 0.1)
    assert rig.machine.phase is Phase.UNSTEADY
    rig.press()
    kept = rig.kept[-1]
    assert kept.quality == "unsteady"
    assert abs(kept.value - 249.6) <= 2.0 * kept.std
    assert kept.std < 15.0


def test_an_unsteady_value_is_not_kept_while_the_meter_shows_none():
    rig = Rig(step("HT2", 250.0, worst=280.0)).ready()
    for volts in np.arange(100.0, 200.0, 0.5):
        rig.meter(volts, 0.1)
    assert rig.machine.phase is Phase.UNSTEADY
    rig.meter(200.0, 0.5, flags=("held",)).press()
    assert rig.kept == []
    assert "wait a little" in rig.said()
    for volts in np.arange(200.0, 220.0, 0.5):
        rig.meter(volts, 0.1)
    rig.press()
    assert [(r.quality, abs(r.value - 219.5) <= 2.0 * r.std) for r in rig.kept] == [("unsteady", True)]
