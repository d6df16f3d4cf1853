"""What all carbon resistors of a chassis have in common is one error that readings share."""

import numpy as np

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, parse_chassis
from analysis.inference.error_scales import shared_errors
from analysis.inference.panel import Panel
from analysis.inference.unknowns import AGE_SIGMA

TEXT = """
chassis: One stage, carbon but for its cathode
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 100}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd   1%
  R3: 100k  HT2   V1.1
  R4: 47k   HT1   HT2
  R5: 220k  HT2   gnd
"""
WANTED = [Measurand(point=point, quantity="dc_v") for point in ("HT2", "V1.1", "V1.3")]


def test_carbon_ages_and_metal_and_what_was_measured_do_not():
    model = ChassisModel(parse_chassis(TEXT, "test"))
    panel = Panel(model, WANTED, {"R4": (52e3, 100.0)}, with_faults=False)
    ages = {panel.unknowns[place].key for place in np.flatnonzero(panel.aging)}
    assert ages == {"R1", "R3", "R5"}


def test_a_whole_age_moves_readings_as_the_model_does_with_all_of_them_higher():
    model = ChassisModel(parse_chassis(TEXT, "test"))
    panel = Panel(model, WANTED, with_faults=False)
    columns = np.arange(len(WANTED))
    slopes = panel.healthy_slopes[None]
    with_age = shared_errors(panel, columns, slopes, panel.centre[None])[0]
    panel.aging[:] = 0.0
    without = shared_errors(panel, columns, slopes, panel.centre[None])[0]
    assert with_age.shape[1] == without.shape[1] + 1
    older = {
        name: model.parameters[name].nominal * np.exp(AGE_SIGMA) * np.ones(1) for name in ("R1", "R3", "R4", "R5")
    }
    was, now = (model.predict(values, WANTED)[0] for values in ({}, older))
    # The compared variable of so many volts is the logarithm: the change is a relative one.
    np.testing.assert_allclose(with_age[:, -1], now / was - 1.0, rtol=0.08, atol=2e-4)
