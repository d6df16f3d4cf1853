"""Look-alikes that a reading with a tube out of its socket tells apart: gas goes with the tube, a leak stays.

The rule is common practice of the trade: positive volts on a grid with the tube out come from the coupling
capacitor; volts that go with the tube were its own grid current (no source).
"""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.standings import tail_of, told_apart
from analysis.suspects import Diagnoser

GRID, TUBE = "V2.2", "V2"


@pytest.fixture(scope="module")
def models():
    model = ChassisModel(load_chassis("quayside-five"))
    return model, ChassisModel(model.chassis.without([TUBE]), beside=model)


def read(model, fault, points, seed=3):
    """What a meter of 0.3 % shows."""
    rng = np.random.default_rng(seed)
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    values = model.predict({k: np.array([v]) for k, v in fault.items() if k in model.parameters}, wanted)[0]
    shown = values * (1.0 + 0.003 * rng.standard_normal(len(values)))
    return [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=abs(v) * 0.003 + 1e-3)
        for m, v in zip(wanted, shown, strict=True)
    ]


def chances(found):
    return {(s.part, s.fault): s.probability for s in found.suspects}


@pytest.mark.parametrize(
    ("fault", "truth", "other"),
    [
        ({"V2.gas": 8e-6}, ("V2", "gassy"), ("C4", "leaky")),
        ({"C4.leak": 5e-8}, ("C4", "leaky"), ("V2", "gassy")),
    ],
)
def test_one_reading_with_the_tube_out_tells_gas_from_a_leak(models, fault, truth, other):
    model, stood = models
    points = [p.name for p in model.points.values() if p.node and p.socket and not p.heater]
    first = read(model, fault, points)
    diagnoser = Diagnoser(model, [r.measurand for r in first], dc_only=True)
    before = diagnoser.with_tube_out(diagnoser.diagnose(first))
    assert min(chances(before)[truth], chances(before)[other]) > 0.1
    # The answer asks for that reading by itself.
    (asked,) = before.tube_out
    assert asked.pulled == (TUBE,)
    assert model.node(asked.point) == model.node(GRID)
    assert asked.bits > 0.4
    assert asked.text == f"DC volts at {asked.point} with V2 out"
    more = [told_apart(r, tail_of(model.chassis, [TUBE])) for r in read(stood, fault, [asked.point])]
    both = [*first, *more]
    after = Diagnoser(model, [r.measurand for r in both], beside=[stood], dc_only=True).diagnose(both)
    assert (after.suspects[0].part, after.suspects[0].fault) == truth
    assert chances(after)[truth] > chances(before)[truth] + 0.1
    assert chances(after).get(other, 0.0) < 0.01


def test_what_was_done_is_not_asked_for_again(models):
    model, stood = models
    first, more = read(model, {"V2.gas": 8e-6}, [GRID, "V2.3", "HT1"]), read(stood, {}, [GRID])
    both = [*first, *(told_apart(r, tail_of(model.chassis, [TUBE])) for r in more)]
    found = Diagnoser(model, [r.measurand for r in both], beside=[stood], dc_only=True).diagnose(both)
    gassy = next(s for s in found.suspects if s.fault == "gassy")
    assert "substitute tube" in gassy.separates
    assert "pulled" not in gassy.separates


def test_readings_with_a_tube_out_alone_are_weighed_as_on_that_chassis(models):
    model, stood = models
    points = ["V1.1", "V1.3", "V1.6", "V1.8", "HT1"]
    readings = read(stood, {"R3": 220e3}, points)
    alone = Diagnoser(stood, [r.measurand for r in readings], dc_only=True).diagnose(readings)
    apart = [told_apart(r, " (V2 out)") for r in readings]
    beside = Diagnoser(model, [r.measurand for r in apart], beside=[stood], dc_only=True).diagnose(apart)
    assert (alone.suspects[0].part, alone.suspects[0].fault) == ("R3", "high")
    assert (beside.suspects[0].part, beside.suspects[0].fault) == ("R3", "high")
    assert chances(beside)["R3", "high"] == pytest.approx(chances(alone)["R3", "high"], abs=0.05)
    assert "V1.1 (V2 out)" in beside.suspects[0].because
