"""A tube that a fault all but cuts off, or leaves few plate volts, is hardly known: every law is off there."""

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.changes import Change
from analysis.inference.panel import Panel
from analysis.inference.unknowns import FOOT_SIGMA, KNEE_SIGMA, SLOPE_SIGMA, TRIODE_STRENGTH_SIGMA

WANTED = [Measurand(point="V1.5", quantity="dc_v"), Measurand(point="V1.6>V1.5", quantity="gain", freq_hz=1000.0)]


@pytest.fixture(scope="module")
def panel():
    return Panel(ChassisModel(load_chassis("bench-6c4")), WANTED)


def change_of(panel, part, word, place=-1):
    index = next(i for i, f in enumerate(panel.faults) if (f.part, f.fault) == (part, word))
    return Change(faults=(index,), values=(panel.faults[index].values[place],))


def spread(panel, change):
    """Relative standard deviation of the slopes of the one tube."""
    return SLOPE_SIGMA * panel.wide([change])[0, panel.unknown_at["V1.slope"]]


def plate_to_cathode_v(model, values):
    tube, volts = model.circuit.tubes[0], model.supplied(values).rest.volts
    return float(np.ravel(volts[tube.electrodes[0]] - volts[tube.cathode])[0])


def test_a_healthy_tube_has_the_usual_spread_and_nothing_else_is_ever_wider(panel):
    assert spread(panel, Change()) == pytest.approx(SLOPE_SIGMA)
    others = [place for key, place in panel.unknown_at.items() if key not in ("V1.slope", "V1.strength")]
    assert (panel.wide(panel.changes)[:, others] == 1.0).all()


def test_it_grows_with_the_current_that_is_lost(panel):
    """A cathode resistor of k times its value leaves about 1/k of the current where bias is small beside it."""
    wide = [spread(panel, change_of(panel, "R3", word, place)) for word in ("high", "open") for place in range(4)]
    assert (np.diff(wide) > 0).all()
    change = change_of(panel, "R3", "open", 0)
    here, home = (panel.model.supplied({"R3": np.array([ohm])}).rest for ohm in (change.values[0], 1.5e3))
    lost = np.log(home.currents[0][0] / here.currents[0][0])[0]
    assert spread(panel, change) == pytest.approx(SLOPE_SIGMA + FOOT_SIGMA * lost, rel=0.01)


def test_it_grows_as_the_plate_volts_fall_and_that_of_the_current_too(panel):
    """A plate resistor of several times its value leaves the tube few volts."""
    for change in (change_of(panel, "R2", "high"), change_of(panel, "R2", "high", 0)):
        here, home = (plate_to_cathode_v(panel.model, {"R2": ohm}) for ohm in (change.values[0], 100e3))
        strength = TRIODE_STRENGTH_SIGMA * panel.wide([change])[0, panel.unknown_at["V1.strength"]]
        assert strength == pytest.approx(TRIODE_STRENGTH_SIGMA + KNEE_SIGMA * (home / here - 1.0), rel=0.01)


def test_of_two_faults_the_one_counts_that_leaves_less_current(panel):
    one, other = change_of(panel, "R3", "open"), change_of(panel, "R1", "high")
    both = Change(faults=(*one.faults, *other.faults), values=(*one.values, *other.values))
    assert spread(panel, both) == spread(panel, one) > spread(panel, other)


def test_predictions_and_slopes_move_by_it_as_differences_show(panel):
    change, column = change_of(panel, "R3", "open", 0), panel.unknown_at["V1.slope"]
    place = np.zeros((3, len(panel.unknowns) + 1))
    place[1:, column] = [1e-3, -1e-3]
    at = np.array([0, 1])
    shown, slopes = panel.look([change] * 3, place, at, within=0.0)
    np.testing.assert_allclose(slopes[0, :, column], (shown[1] - shown[2]) / 2e-3, rtol=1e-3, atol=1e-9)
    assert slopes[0, 1, column] > 2.0 * panel.healthy_slopes[1, column]
