"""The guided survey, word for word: what it asks around a clip, and what it says of a reading that does not fit."""

import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from acquisition.instruments import Sample
from acquisition.instruments.accuracy import AccuracyTable
from acquisition.probing import ActionKind, Do, Key, Phase, ProbingLimits
from acquisition.probing.gates import Gates
from acquisition.probing.overload import RANGE_CHANGE_S, TOLD_AFTER_S, Overload
from acquisition.steady import MeterFacts

sys.path.insert(0, str(Path(__file__).parent))
from survey_rig import Rig, step


def clipped_and_read(*steps, volts=310.0):
    """The first point clipped on with power off, and read."""
    rig = Rig(*steps).free(3.0).press()
    for _ in range(5):
        rig.meter(0.2, 0.5).press()
    rig.meter(volts, 3.0)
    assert [r.point for r in rig.kept] == [steps[0].point]
    return rig


def test_a_clip_comes_off_only_with_power_off_and_after_the_discharge():
    rig = clipped_and_read(step("HT1", 310.0, worst=400.0), step("V1.3", 1.2, worst=50.0))
    before = rig.doings.index(Do.WAIT) + 1
    for asked in (Do.POWER_OFF, Do.DISCHARGE, Do.VERIFY_CLIPPED, Do.UNCLIP, Do.POWER_ON):
        assert rig.doings[-1] is asked
        rig.meter(0.2, 0.5).press()
    rig.free(2.0).touch(1.21)
    asked = [do for do in rig.doings[before:] if do is not Do.TIP_FREE]
    assert asked == [
        Do.POWER_OFF, Do.DISCHARGE, Do.VERIFY_CLIPPED, Do.UNCLIP, Do.POWER_ON, Do.TOUCH, Do.LIFT,
    ]  # fmt: skip
    assert [r.point for r in rig.kept] == ["HT1", "V1.3"]


def test_no_hand_is_sent_to_a_clip_that_still_reads_volts():
    """A bleeder that is open, or a discharge that was forgotten: the meter on the clip shows it."""
    rig = clipped_and_read(step("HT1", 310.0, worst=400.0), step("V1.3", 1.2, worst=50.0))
    rig.press().press()
    rig.meter(240.0, 0.5).press()
    assert rig.doings[-1] is not Do.UNCLIP
    assert rig.log[-1].text.endswith("V at HT1. Discharge again, look again, space.")
    assert rig.machine.phase is Phase.VERIFYING
    rig.meter(0.3, 0.5).press()
    assert rig.doings[-1] is Do.UNCLIP
    assert "only at HT1, just now" in rig.said()


def test_a_survey_that_ends_on_a_clip_ends_switched_off():
    rig = clipped_and_read(step("HT1", 310.0, worst=400.0))
    assert rig.doings[-2:] == [Do.WAIT, Do.POWER_OFF]
    assert rig.machine.phase is Phase.ASKING
    assert "Survey done" not in rig.said()
    assert rig.log[-1].text == "Switch off. Space when it is off."
    rig.press()
    assert rig.machine.phase is Phase.DONE
    assert rig.log[-1].kind is ActionKind.DONE
    assert rig.log[-1].text.startswith("Survey done")


@pytest.mark.parametrize(("volts", "words"), [(52.0, "Still 52.0 V here"), (-52.0, "Still -52.0 V here")])
def test_what_is_left_is_told_whichever_way_it_is_charged(volts, words):
    rig = Rig(step("BIAS", -52.0, worst=400.0)).free().press().press()
    rig.meter(volts, 0.5).press()
    assert rig.machine.phase is Phase.VERIFYING
    assert words in rig.log[-1].text
    assert "Discharge again" in rig.log[-1].text


def test_the_question_about_the_pin_names_each_pin_in_its_place():
    pin = step("V1.1", 140.0, neighbours={"V1.2": 0.0, "V1.6": 205.0})
    rig = Rig(pin, step("V1.3", 1.2)).ready().touch(204.0)
    sentence = r"20[34]\.\d V would fit V1\.6: wrong pin\? Touch V1\.1 again; space keeps it\."
    assert re.fullmatch(sentence, rig.said(ActionKind.ASK).rpartition(" | ")[2])
    assert rig.kept[0].point == "V1.1"
    assert rig.kept[0].note.endswith("; fits V1.6: wrong pin?")


@pytest.mark.parametrize(
    ("meter_v", "lead_v", "words"),
    [
        (1000.0, 600.0, "the lead is rated for 600 V and used up to 480 V"),
        (600.0, 1000.0, "the meter is rated for 600 V and used up to 480 V"),
    ],
)
def test_a_point_left_out_names_what_has_the_lowest_rating(meter_v, lead_v, words):
    limits = ProbingLimits(meter_rated_v=meter_v, lead_rated_v=lead_v)
    rig = Rig(step("V2.7", 230.0, worst=500.0), step("V2.3", 7.0, worst=50.0), limits=limits).free().press()
    assert words in rig.said(ActionKind.CAUTION)


@pytest.mark.parametrize(("slope", "words"), [(-1.0, "drifting -"), (1.0, "drifting +")])
def test_the_note_tells_which_way_a_rail_drifts(slope, words):
    exact = MeterFacts(accuracy=AccuracyTable.parse("0.02 % + 2 digits"), noise_digits=0.3)
    rig = Rig(step("HT2", 270.0, worst=299.0), facts=exact).ready()
    for volts in 270.0 + slope * np.arange(0.0, 6.0, 0.1):
        rig.meter(volts, 0.1)
    (reading,) = rig.kept
    assert words in reading.note
    assert float(reading.note.partition("drifting ")[2].removesuffix(" V/s")) == pytest.approx(slope, rel=0.2)


def test_gates_know_how_power_and_clip_stand_by_what_was_confirmed():
    gates = Gates()
    assert (gates.first, gates.is_live_in_hand, gates.is_live_on_clip) == (None, False, False)
    gates.before(step("HT1", 310.0, worst=400.0), clip_on=True)
    asked = []
    while gates.first is not None:
        asked.append(gates.first.do)
        gates.confirm(7.0)
    assert asked == [Do.DISCHARGE, Do.VERIFY, Do.CLIP, Do.HANDS_AWAY, Do.POWER_ON]
    assert (gates.power, gates.clip, gates.on_since_s) == ("on", "HT1", 7.0)
    assert (gates.is_live_in_hand, gates.is_live_on_clip) == (False, True)
    gates.before(step("V1.3", 1.2), clip_on=False)
    gates.confirm(9.0)
    assert (gates.power, gates.on_since_s, gates.is_live_on_clip) == ("off", None, False)
    while gates.first is not None:
        gates.confirm(None)
    assert (gates.clip, gates.is_live_in_hand, gates.on_since_s) == ("", True, None)
    gates.switched_off()
    assert not gates.is_live_in_hand


def test_an_overload_held_back_is_told_once_and_only_where_it_stays():
    overload = Overload()

    def see(t_s, *flags):
        overload.see(Sample(t_s=t_s, value_v=math.nan if flags else 1.0, flags=frozenset(flags)))
        return overload.is_due(), overload.lasts

    assert see(0.0, "overload") == (False, False)
    overload.hold_back()
    assert see(0.5) == (False, False), "it was a change of range"
    assert see(0.6, "overload") == (False, False)
    overload.hold_back()
    assert see(0.5 + TOLD_AFTER_S, "overload") == (False, False)
    assert see(0.7 + TOLD_AFTER_S, "overload") == (True, False)
    assert see(0.7 + RANGE_CHANGE_S, "overload") == (False, True)
    assert see(1.0 + RANGE_CHANGE_S) == (False, False)


def on_a_clip(**facts):
    """A survey whose first point is clipped on, up to the chassis switched on and the hands away."""
    rig = Rig(step("V2.7", 350.0, worst=420.0, **facts), step("V1.1", 140.0)).free(3.0).press()
    for _ in range(5):
        rig.meter(0.2, 0.5).press()
    assert rig.doings[-1] is Do.WAIT
    return rig


REACHING_IN = ("Touch", "touch", "lift", "Tip away")


def test_a_doubt_about_what_a_clip_reads_has_nobody_reach_into_the_live_chassis():
    rig = on_a_clip(neighbours={"V2.3": 300.0}).meter(300.0, 3.0)
    assert rig.machine.phase is Phase.WRONG_PIN
    asked = rig.log[-1]
    assert asked.do is Do.HANDS_AWAY
    assert "Hands stay away" in asked.text
    assert not any(word in asked.text for word in REACHING_IN)
    rig.press(Key.REPEAT)
    for expected in (Do.POWER_OFF, Do.DISCHARGE, Do.VERIFY_CLIPPED, Do.UNCLIP, Do.VERIFY, Do.CLIP):
        assert rig.doings[-1] is expected
        rig.meter(0.2, 0.5).press()


def test_a_value_on_a_clip_that_does_not_stand_has_nobody_lift_it():
    rig = on_a_clip()
    for swing_v in 40.0 * np.random.default_rng(0).normal(size=120):
        rig.meter(350.0 + swing_v, 0.1)
    assert rig.machine.phase is Phase.UNSTEADY
    asked = rig.log[-1]
    assert (asked.kind, asked.do) == (ActionKind.ASK, Do.HANDS_AWAY)
    assert not any(word in asked.text for word in REACHING_IN)
    rig.press()
    assert [r.quality for r in rig.kept] == ["unsteady"]


def test_a_stop_on_a_clip_leaves_the_clip_where_it_is():
    rig = on_a_clip().meter(620.0, 0.1)
    assert rig.machine.phase is Phase.STOPPED
    asked = rig.log[-1]
    assert asked.do is Do.POWER_OFF
    assert asked.text.startswith("Leave the clip where it is, mains off")
    assert not any(word in asked.text for word in REACHING_IN)
    rig.press()
    assert rig.doings[-1] is Do.DISCHARGE
