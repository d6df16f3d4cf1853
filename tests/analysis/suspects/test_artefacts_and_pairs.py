"""A reading that does not mean what it says, and two faults at once."""

import numpy as np
import pytest

from acquisition.records import Event, Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

POINTS = ("HT1", "HT2", "V1.1", "V1.2", "V1.3", "V1.7", "V1.8", "OUT")
WANTED = [Measurand(point=point, quantity="dc_v") for point in POINTS]


@pytest.fixture(scope="module")
def diagnoser():
    return Diagnoser(ChassisModel(load_chassis("gangway-two")), WANTED, dc_only=True)


def readings_of(model, values, wrong=()):
    """DC of a chassis; `wrong` replaces readings by point."""
    table = model.predict({key: np.array([value]) for key, value in values.items()}, WANTED)[0]
    volts = dict(zip(POINTS, map(float, table), strict=True)) | dict(wrong)
    return [
        Reading(point=p, quantity="dc_v", value=v, std=float(np.hypot(0.003 * v, 0.002))) for p, v in volts.items()
    ]


def healthy_volts(model, point):
    return float(model.predict({}, [Measurand(point=point, quantity="dc_v")])[0, 0])


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_one_reading_off_by_ten_asks_for_the_probe_factor(diagnoser, factor):
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.3": healthy_volts(model, "V1.3") * factor}))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.3", "artefact: probe factor")
    assert "read V1.3 again" in first.separates


def test_a_reading_that_fits_the_mirrored_pin_asks_for_the_pin(diagnoser):
    """Pin 8 read where pin 3 was meant: the two cathodes of a noval twin (mirrored from below)."""
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.3": healthy_volts(model, "V1.8")}))
    pins = [s for s in found.suspects if s.fault == "artefact: wrong pin"]
    assert pins
    assert pins[0].part == "V1.3"
    assert "V1.8" in pins[0].because
    assert found.suspects.index(pins[0]) < 3


@pytest.mark.parametrize(
    ("values", "parts"),
    [
        ({"R2": 4e3, "R6": 60e3}, {"R2", "R6"}),
        ({"C2.leak": 1e-7, "R2": 5e3}, {"C2", "R2"}),
        ({"R2": 5e3, "R5": 1e10}, {"R2", "R5"}),
        ({"R3": 90e3, "R6": 5e3}, {"R3", "R6"}),
    ],
)
def test_two_faults_at_once_are_named_together(diagnoser, values, parts):
    found = diagnoser.diagnose(readings_of(diagnoser.model, values))
    assert any("two together do better" in note for note in found.notes)
    assert {s.part for s in found.suspects[:2]} == parts


def test_a_second_fault_with_look_alikes_is_shared_among_them(diagnoser):
    """A weak tube does nearly what a high cathode resistor does beside a high plate resistor."""
    found = diagnoser.diagnose(readings_of(diagnoser.model, {"R3": 200e3, "R5": 5e3}))
    chance = {(s.part, s.fault): s.probability for s in found.suspects}
    assert chance["R3", "high"] > 0.9
    assert chance["R5", "high"] > 0.1
    assert max(p for (part, _), p in chance.items() if part != "R3") < 0.95


def test_one_fault_is_not_called_two(diagnoser):
    found = diagnoser.diagnose(readings_of(diagnoser.model, {"R3": 90e3}))
    assert found.suspects[0].part == "R3"
    assert not any("one fault alone" in note for note in found.notes)


def test_a_part_measured_as_drawn_is_cleared(diagnoser):
    readings = readings_of(diagnoser.model, {"R2": 2.2e3})
    before = {s.part: s.probability for s in diagnoser.diagnose(readings).suspects}
    good = Event(kind="part_measured", subject="R3", value=47e3, std=200.0)
    after = Diagnoser(diagnoser.model, WANTED, [good], dc_only=True).diagnose(readings)
    assert after.suspects[0].part == "R2"
    assert after.suspects[0].probability >= before["R2"] - 0.01
    assert {s.part: s.probability for s in after.suspects}.get("R3", 0.0) <= before.get("R3", 0.0) + 0.001
