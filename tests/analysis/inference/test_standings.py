"""One panel over two standings of a chassis: each reading by its own circuit, hypotheses and unknowns by one."""

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.panel import Panel
from analysis.inference.standings import tail_of, told_apart
from analysis.inference.variables import columns_to_variables

WANTED = [
    Measurand(point="V2.2", quantity="dc_v"),
    Measurand(point="HT1", quantity="dc_v"),
    Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=1000.0),
]


@pytest.fixture(scope="module")
def panel():
    model = ChassisModel(load_chassis("quayside-five"))
    stood = ChassisModel(model.chassis.without(["V2"]), beside=model)
    tail = tail_of(model.chassis, ["V2"])
    return Panel(model, [*WANTED, *(told_apart(m, tail) for m in WANTED)], beside=[stood])


def test_each_reading_is_predicted_by_its_own_circuit(panel):
    whole, stood = (standing.model for standing in panel.standings)
    rows = [*range(1, len(panel.changes), 7)]
    changes = [panel.changes[row] for row in rows]
    values = panel.values(changes, np.zeros((len(rows), len(panel.unknowns) + 1)))
    without = {key: value for key, value in values.items() if not key.startswith("V2")}
    assert without.keys() <= stood.parameters.keys()
    expected = [
        columns_to_variables(WANTED, whole.predict(values, WANTED)),
        columns_to_variables(WANTED, stood.predict(without, WANTED)),
    ]
    np.testing.assert_allclose(panel.shifted[rows], np.concatenate(expected, axis=1), rtol=1e-5, atol=1e-5)
    # The supply is less loaded, and no grid current flows: the standings do differ.
    assert (panel.centre[4] - panel.centre[1]) > 0.02
    assert panel.elsewhere.tolist() == [False] * 3 + [True] * 3


def test_slopes_are_those_of_the_predictions(panel):
    changes = [panel.changes[0], next(c for c in panel.changes[1:] if panel.faults[c.faults[0]].key == "C4.leak")]
    size, columns = len(panel.unknowns) + 1, np.arange(len(panel.measurands))
    rng = np.random.default_rng(4)
    place = 0.3 * rng.standard_normal((2, size))
    place[0, -1] = 0.0
    _, slopes = panel.look(changes, place, columns, within=0.0)
    step = 1e-4
    for index in range(size):
        ahead, behind = place.copy(), place.copy()
        ahead[:, index] += step
        behind[:, index] -= step
        found = (panel.predict(changes, ahead) - panel.predict(changes, behind)) / (2 * step)
        rows = slice(None) if index < size - 1 else slice(1, 2)  # the healthy chassis has no severity
        np.testing.assert_allclose(slopes[rows, :, index], found[rows], rtol=2e-3, atol=2e-5)


def test_a_tube_that_is_out_moves_nothing(panel):
    of_v2 = [row for row, c in enumerate(panel.changes) if c.faults and panel.faults[c.faults[0]].part == "V2"]
    assert len(of_v2) > 10
    np.testing.assert_allclose(panel.shifted[of_v2][:, 3:], np.tile(panel.centre[3:], (len(of_v2), 1)), atol=1e-6)
    own = [index for index, unknown in enumerate(panel.unknowns) if unknown.key.startswith("V2")]
    assert (panel.healthy_slopes[3:][:, own] == 0.0).all()
    assert np.abs(panel.healthy_slopes[:3][:, own]).max() > 1e-3
