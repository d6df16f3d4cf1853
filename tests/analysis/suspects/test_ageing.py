"""Idle parts are suspected less: carbon resistors drift with age and heat, insulation fails under volts (common
practice, no source)."""

import pytest

from analysis.chassis import ChassisModel, load_chassis
from analysis.faults import faults_of
from analysis.suspects.ageing import aged


@pytest.fixture(scope="module")
def weights():
    """Weight over that of its class, by part and fault: gangway-two has no DC at its input and its output."""
    model = ChassisModel(load_chassis("gangway-two"))
    before = faults_of(model.chassis, model.parameters)
    after = aged(model, before)
    assert [f.key for f in after] == [f.key for f in before]
    return {(a.part, a.fault): a.weight / b.weight for a, b in zip(after, before, strict=True)}


@pytest.mark.parametrize(("idle", "strained"), [("R1", "R3"), ("R8", "R6")])
def test_a_resistor_without_dc_drifts_or_opens_less_often(weights, idle, strained):
    for fault in ("high", "open"):
        assert weights[idle, fault] < weights[strained, fault] == 1.0
    assert weights[idle, "low"] == 1.0


def test_a_capacitor_without_dc_leaks_less_often_but_opens_as_often(weights):
    assert weights["C1", "leaky"] < weights["C2", "leaky"] == 1.0
    assert weights["C1", "shorted"] < weights["C4", "shorted"] == 1.0
    assert weights["C1", "open"] == weights["C1", "low"] == 1.0


def test_tubes_and_rails_are_as_before(weights):
    assert {weights[key] for key in weights if key[0][0] in "VH"} == {1.0}
