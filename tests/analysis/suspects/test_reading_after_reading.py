"""One diagnoser through a whole survey gives what a fresh one gives, in whatever order the readings came."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

POINTS = ("HT1", "HT2", "V1.1", "V1.3", "V1.6", "V1.8", "V2.2", "V2.3", "V2.7")
WANTED = [Measurand(point=point, quantity="dc_v") for point in POINTS]


def test_the_answer_does_not_depend_on_the_way_to_it():
    """Foreshore-four has a rectified rail: each hypothesis starts from where it rested last."""
    model = ChassisModel(load_chassis("foreshore-four"))
    points = [m for m in WANTED if m.point in model.points and model.points[m.point].node]
    volts = model.predict({"HT1.source": np.array([2.0 * model.parameters["HT1.source"].nominal])}, points)[0]
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=float(np.hypot(0.003 * v, 0.002)))
        for m, v in zip(points, volts, strict=True)
    ]
    at_once = Diagnoser(model, WANTED, dc_only=True).diagnose(readings)
    expected = {(s.part, s.section, s.fault): s.probability for s in at_once.suspects}
    for order in (readings, readings[::-1]):
        diagnoser = Diagnoser(model, WANTED, dc_only=True)
        for count in range(1, len(order), 3):
            diagnoser.diagnose(order[:count])
        found = diagnoser.diagnose(order)
        assert found.healthy_probability == pytest.approx(at_once.healthy_probability, abs=0.01)
        for suspect in found.suspects[:6]:
            key = (suspect.part, suspect.section, suspect.fault)
            assert suspect.probability == pytest.approx(expected.get(key, 0.0), abs=0.01)


def test_an_answer_to_no_reading_is_no_start():
    """A pass may begin with nothing that is judged, and a reading may be taken back."""
    model = ChassisModel(load_chassis("gangway-two"))
    reading = Reading(point="V1.1", quantity="dc_v", value=140.0, std=0.5)
    diagnoser, fresh = (Diagnoser(model, [reading.measurand], dc_only=True) for _ in range(2))
    assert diagnoser.diagnose([]).suspects
    found, expected = diagnoser.diagnose([reading]), fresh.diagnose([reading])
    assert [(s.part, s.fault) for s in found.suspects] == [(s.part, s.fault) for s in expected.suspects]
    assert [s.probability for s in found.suspects] == pytest.approx([s.probability for s in expected.suspects])
