"""One diagnoser through a whole survey gives what a fresh one gives, in whatever order the readings came."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.panel import Panel
from analysis.suspects import Diagnoser
from tests.outside.glance_table import belief_moved

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


def readings_of(model, values, points):
    """What an ideal meter shows, with the uncertainty of a usual one."""
    known = [m for m in points if model.chassis.node_names.get(m.point) in model.circuit.nodes]
    return [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=float(np.hypot(0.003 * v, 0.002)))
        for m, v in zip(known, model.predict(values, known)[0], strict=True)
    ]


@pytest.mark.parametrize(
    ("chassis", "values"),
    [("foreshore-four", {"R2": 3.0}), ("foreshore-four", {}), ("harbour-twenty", {"R7": 0.4})],
)
def test_a_glance_comes_near_the_answer_without_a_look_at_the_model(chassis, values, monkeypatch):
    model = ChassisModel(load_chassis(chassis))
    values = {key: np.array([model.parameters[key].nominal * factor]) for key, factor in values.items()}
    readings = readings_of(model, values, WANTED)
    diagnoser, alone = (Diagnoser(model, WANTED, dc_only=True) for _ in range(2))
    looks = []
    looked = Panel._looked
    monkeypatch.setattr(Panel, "_looked", lambda *given: looks.append(given) or looked(*given))
    for count in range(1, len(readings) + 1):
        looks.clear()
        rough = diagnoser.glance(readings[:count])
        assert not looks
        full = diagnoser.diagnose(readings[:count])
        assert belief_moved(rough, full) < 0.35, count
        assert belief_moved(full, alone.diagnose(readings[:count])) < 0.01, "a glance leaves no trace"
    assert belief_moved(rough, full) < 0.1


@pytest.mark.parametrize("values", [{"R3": 90e3, "R6": 5e3}, {"R2": 4e3, "R6": 60e3}])
def test_two_faults_are_seen_at_a_glance_once_they_were_found_together(values, monkeypatch):
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [Measurand(point=p, quantity="dc_v") for p in ("HT1", "HT2", "V1.1", "V1.3", "V1.7", "V1.8", "N1")]
    readings = readings_of(model, {key: np.array([value]) for key, value in values.items()}, wanted)
    diagnoser = Diagnoser(model, wanted, dc_only=True)
    assert diagnoser.glance([]) is None, "of no reading there is nothing to see"
    first = diagnoser.diagnose(readings[:-1])
    assert any("one fault alone does not explain" in note for note in first.notes)
    with monkeypatch.context() as patch:
        patch.setattr(Panel, "_looked", lambda *given: pytest.fail("looked at the model"))
        patch.setattr(Panel, "predict", lambda *given: pytest.fail("solved the model"))
        rough = diagnoser.glance(readings)
    full = diagnoser.diagnose(readings)
    assert {s.part for s in rough.suspects[:2]} == {s.part for s in full.suspects[:2]} == set(values)
    assert [note for note in rough.notes if "two together" in note]
    assert belief_moved(rough, full) < 0.1
    alone = diagnoser.glance(readings[:2])
    assert not any("one fault alone" in note for note in alone.notes), "readings taken back begin anew"


def test_there_is_no_glance_at_what_nothing_that_was_tried_explains():
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [Measurand(point=p, quantity="dc_v") for p in ("HT1", "HT2", "V1.1", "V1.3", "V1.7", "V1.8", "N1")]
    readings = readings_of(model, {"R2": np.array([4e3]), "R6": np.array([60e3])}, wanted)
    diagnoser = Diagnoser(model, wanted, dc_only=True)
    diagnoser.diagnose(readings[:4])
    assert diagnoser.glance(readings) is None
