"""What is asked about a pass before its readings are taken for the chassis: mains, heaters, tubes, rails."""

from pathlib import Path

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, bands, load_chassis, parse_chassis
from analysis.chassis.conditions import mains_asked, printed_asked, tubes_asked
from analysis.chassis.feeding import below_what_they_feed, rails_of
from analysis.judge import asked_about

DEAD = 1e-5


@pytest.fixture(scope="module")
def small():
    return ChassisModel(load_chassis("quayside-five"))


@pytest.fixture(scope="module")
def amplifier():
    return ChassisModel(load_chassis("harbour-twenty"))


def read(model, values=None, **instead):
    """DC of every point a meter does not upset, of one state of the chassis, some of them instead as given."""
    points = [name for name, one in model.points.items() if one.node and one.node != "gnd" and not one.delicate]
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    shown = model.predict({key: np.array([value]) for key, value in (values or {}).items()}, wanted).ravel()
    return [
        Reading(point=point, quantity="dc_v", value=instead.get(point, float(value)))
        for point, value in zip(points, shown, strict=True)
    ]


@pytest.mark.parametrize("mains_v", [None, 207.0, 253.0])
def test_nothing_is_asked_of_healthy_chassis(small, amplifier, mains_v):
    for model in (small, amplifier):
        readings = read(model, {"mains": (mains_v or 230.0) / 230.0})
        assert asked_about(model.chassis, model, readings, mains_v) == []


@pytest.mark.parametrize(
    ("mains_v", "typed", "told"),
    [
        (120.0, 120.0, ["mains 120 V where the drawing has 230 V: heaters are colder"]),
        (230.0, 300.0, ["mains 300 V where the drawing has 230 V: heaters are hotter"]),
        (230.0, 23.0, ["mains 23 V", "HT1 reads 1000 % of what 23 V mains give: are the mains of the pass right?"]),
        (
            120.0,
            None,
            ["HT1 reads 52 % of what is drawn: was a variable transformer or a series lamp in the mains?"],
        ),
        (120.0, 230.0, []),  # one rail that is low at known mains: its own fault is likelier
    ],
)
def test_mains_that_are_not_those_of_the_drawing(small, mains_v, typed, told):
    found = mains_asked(small.chassis, read(small, {"mains": mains_v / 230.0}), typed)
    assert len(found) == len(told)
    assert all(one.startswith(start) for one, start in zip(found, told, strict=True))


def test_rails_that_fall_together_at_mains_written_down_speak_of_a_lamp(amplifier):
    told = mains_asked(amplifier.chassis, read(amplifier, {"mains": 0.6}), 230.0)
    assert len(told) == 1
    assert "HT1 and BIASHOT read" in told[0]
    assert "series lamp" in told[0]
    assert mains_asked(amplifier.chassis, read(amplifier, {"HT1.emf": 250.0}), 230.0) == []


@pytest.mark.parametrize(
    ("strengths", "told"),
    [
        ({"V1a": DEAD, "V1b": DEAD}, "none of V1a, V1b passes current"),
        ({"V1a": DEAD, "V1b": DEAD, "V2": DEAD}, "no tube passes current"),
        ({"V1a": 0.15, "V1b": 0.12, "V2": 0.1}, "every tube passes too little (V1a, V1b, V2): not warm yet"),
        ({"V2": DEAD}, ""),
        ({"V1a": 0.15, "V2": 0.1}, ""),
    ],
)
def test_tubes_that_are_out_or_cold(small, strengths, told):
    found = tubes_asked(small, read(small, {f"{key}.strength": value for key, value in strengths.items()}), 230.0)
    assert [one.startswith(told) for one in found] == ([True] if told else [])


def test_a_tube_whose_plate_was_not_read_is_not_said_to_pass_nothing(small):
    taken = [r for r in read(small, {"V1a.strength": DEAD, "V1b.strength": DEAD}) if r.point != "V2.7"]
    assert tubes_asked(small, taken, 230.0)[0].startswith("none of V1a, V1b passes current")


def test_output_tubes_that_are_out_and_a_cathode_shorted_to_the_chassis(amplifier):
    """A short at both cathodes of a pair leaves them at 0 V too, and the plates lower."""
    pulled = read(amplifier, {"V3.strength": DEAD, "V4.strength": DEAD})
    assert tubes_asked(amplifier, pulled, 230.0)[0].startswith("none of V3, V4 passes current")
    assert tubes_asked(amplifier, read(amplifier, {"R26": 0.01, "R27": 0.01}), 230.0) == []
    starved = read(amplifier, {"R20": 1e9})
    assert tubes_asked(amplifier, starved, 230.0) == [], "screens without volts are the cause"
    pair = ChassisModel(load_chassis("lantern-twelve"))
    assert tubes_asked(pair, read(pair, {"C6.leak": 10.0}), 120.0) == []


@pytest.mark.parametrize(
    ("point", "fed"), [("V3.3", {"HT1"}), ("V3.5", {"BIASHOT"}), ("BIAS", {"BIASHOT"}), ("FB", set())]
)
def test_what_feeds_a_point(amplifier, point, fed):
    assert rails_of(amplifier.chassis, point) == fed


def test_a_rail_below_what_it_feeds_is_asked_about_and_sets_no_band(small):
    """Its 0 V made every point behind it `high` where 0 V were expected."""
    readings = read(small, HT1=0.0)
    assert {rail: len(above) for rail, above in below_what_they_feed(small.chassis, readings).items()} == {"HT1": 5}
    asked = asked_about(small.chassis, small, readings, None)
    assert len(asked) == 1
    assert asked[0].startswith("V1.1 reads 142 V (and 4 more), more than HT1 that feeds it, 0 V: read in another")
    (plate,) = bands(small, [Measurand(point="V1.1", quantity="dc_v")], readings)
    assert 120.0 < plate.low < plate.high < 170.0
    assert below_what_they_feed(small.chassis, read(small)) == {}
    assert below_what_they_feed(small.chassis, [r for r in readings if r.point != "HT1"]) == {}


def test_a_meter_that_stands_still_is_asked_about(small):
    readings = [Reading(point=r.point, quantity="dc_v", value=1.45) for r in read(small)]
    assert asked_about(small.chassis, small, readings, None)[0].startswith(
        "all 16 points read 1.45 V, high tension"
    )
    near = [r for r in read(small) if r.point in ("HT1", "HT2", "V2.9", "V2.7")]
    assert asked_about(small.chassis, small, near, None) == [], "rails and plates may be alike"


def test_printed_volts_that_the_parts_of_the_file_do_not_give_are_asked_about():
    """A drawing that prints 110 V, a file whose parts make 141: a sound plate at 110 V was low, without a word."""
    text = Path(load_chassis("quayside-five").path).read_text("utf-8")
    wrong = text.replace("V1.1: 145 +-20%, V1.6: 145 +-20%", "V1.1: 110 +-10%, V1.6: 180 +-10%")
    assert wrong != text
    model = ChassisModel(parse_chassis(wrong))
    (told,) = asked_about(model.chassis, model, read(model, **{"V1.1": 110.0}), 230.0)
    assert (
        "V1.1 (110 V printed, 142 V modelled, and reads as printed), V1.6 (180 V printed, 141 V modelled);" in told
    )
    assert asked_about(model.chassis, model, [r for r in read(model) if r.point == "V1.3"], 230.0) == []


@pytest.mark.parametrize("name", ["foreshore-four", "gangway-two", "lantern-twelve"])
def test_no_shipped_drawing_contradicts_its_own_parts(name):
    """An EL84 of 250 V on 210 ohm stands at 8.4 V, on 135 ohm at 7.3 V (Philips sheet, from memory): at 180 ohm
    one drawing had 6.8 V, and every pass on it was asked which is right."""
    model = ChassisModel(load_chassis(name))
    assert model.chassis.printed
    assert printed_asked(model, read(model)) == []


@pytest.mark.parametrize(("ripple_v", "asked"), [(0.07, True), (6.0, False), (3.0, False)])
def test_a_supply_that_is_drawn_simpler_than_it_is(small, ripple_v, asked):
    """Behind a choke and a second capacitor the rail of the file has a hundredth of its ripple: called low."""
    ripple = Reading(point="HT1", quantity="ripple_pp_v", value=ripple_v)
    found = asked_about(small.chassis, small, [*read(small), ripple], 230.0)
    assert [one.startswith("ripple at HT1 is 70 mV where the file has 6") for one in found] == [True] * asked
    low = [*read(small, {"mains": 0.5}), ripple]
    assert not any("choke" in one for one in asked_about(small.chassis, small, low, 230.0))
