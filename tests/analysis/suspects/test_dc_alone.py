"""What is said of faults that DC cannot show, while only DC has been read."""

import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

GAIN = Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=1000.0)


@pytest.fixture(scope="module")
def diagnoser():
    return Diagnoser(ChassisModel(load_chassis("gangway-two")), [Measurand(point="HT1", quantity="dc_v"), GAIN])


def reading(model, measurand):
    value = float(model.predict({}, [measurand])[0, 0])
    return Reading(point=measurand.point, quantity=measurand.quantity, freq_hz=measurand.freq_hz, value=value,
                   std=0.01 * value)  # fmt: skip


def test_dc_alone_is_told_what_it_cannot_show(diagnoser):
    """Open capacitors leave all direct volts as they are; leaks and resistors that carry current do not."""
    notes = diagnoser.diagnose([reading(diagnoser.model, Measurand(point="HT1", quantity="dc_v"))]).notes
    (note,) = (text for text in notes if "only DC was read" in text)
    for part in diagnoser.model.chassis.parts.values():
        if part.kind == "capacitor":
            assert part.name in note
    assert "C1, C2 low or open" in note
    assert "leaky" not in note
    assert "R2" not in note
    assert "V1" not in note


def test_with_a_gain_nothing_is_said_of_it(diagnoser):
    readings = [reading(diagnoser.model, m) for m in (Measurand(point="HT1", quantity="dc_v"), GAIN)]
    assert not any("only DC" in text for text in diagnoser.diagnose(readings).notes)
