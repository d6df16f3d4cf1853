"""A contact of a socket that is open at one electrode (common practice, no source: sockets spread and tarnish)."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

RAILS = ("HT1", "HT3")
OUTPUT = (*RAILS, "V2.2", "V2.3", "V2.7", "V2.9", "V1.1", "V1.6")


def readings(model, points, gains, values):
    wanted = [Measurand(point=p, quantity="dc_v") for p in points]
    wanted += [Measurand(point=g, quantity="gain", freq_hz=1000.0) for g in gains]
    shown = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    noise = np.random.default_rng(11).standard_normal(len(wanted))
    share = {"dc_v": 0.004, "gain": 0.015}
    return [
        Reading(
            point=m.point, quantity=m.quantity, freq_hz=m.freq_hz,
            value=float(v * (1 + share[m.quantity] * n) + 0.002 * n),
        )
        for m, v, n in zip(wanted, shown, noise, strict=True)
    ]  # fmt: skip


@pytest.mark.parametrize(("key", "value", "points", "gains", "told"), [
    # The signal comes to the pin of the grid and goes no further, and the DC moves as with the grid near 0 V.
    ("V1a.grid_adrift", 0.6, (*RAILS, "V1.1", "V1.3", "V1.6", "V1.8"), ("V1.7>V1.6",), ("V1", "V1a", "grid open")),
    # The pin of the grid has its volts, and the tube draws as if it had none.
    ("V2.grid_adrift", 0.3, OUTPUT, ("V2.2>SPK",), ("V2", "V2", "grid open")),
    # The plate has its volts and no signal; the screen takes more than it should.
    ("V2.plate_adrift", 0.5, OUTPUT, ("V2.2>SPK",), ("V2", "V2", "plate open")),
])  # fmt: skip
def test_an_open_contact_is_found(key, value, points, gains, told):
    model = ChassisModel(load_chassis("quayside-five"))
    found = Diagnoser(model).diagnose(readings(model, points, gains, {key: value}))
    first = found.suspects[0]
    assert (first.part, first.section, first.fault) == told
    assert first.probability > 0.6
    assert first.estimate is None  # where a grid drifts to tells nobody anything


def test_bias_that_comes_to_the_pin_and_not_into_the_tube():
    """The tube runs away with all bias readings right, where a lost bias would show at the pin."""
    model = ChassisModel(load_chassis("harbour-twenty"))
    points = ("HT1", "HT2", "BIAS", "V3.1", "V4.1", "V3.5", "V4.5", "V3.4", "V4.4")
    found = Diagnoser(model, dc_only=True).diagnose(readings(model, points, (), {"V4.grid_adrift": 0.2}))
    assert (found.suspects[0].part, found.suspects[0].fault) == ("V4", "grid open")
    lost = Diagnoser(model, dc_only=True).diagnose(readings(model, points, (), {"R17": 1e10}))
    assert found.suspects[0].probability > 0.7
    assert (lost.suspects[0].part, lost.suspects[0].fault) != ("V4", "grid open")


def test_a_grid_left_alone_drifts_within_what_is_tried():
    """Where electrons in and ions out balance, by the law of the grid current, from a hard tube to a gassy one."""
    from analysis.faults import load_fault_file
    from analysis.tubes.grid_current import grid_current, grid_current_of

    low, high = next(entry.range for entry in load_fault_file().faults if entry.fault == "grid open")
    volts = -np.linspace(0.0, 3.0, 3001)
    into_a, _ = grid_current(grid_current_of(2.0 / 1673.5), 1.0, volts, volts.shape)
    for ions_a in (1e-10, 1e-9, 1e-8, 1e-7):
        assert low < -volts[np.argmin(np.abs(into_a - ions_a))] < high
