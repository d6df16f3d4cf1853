"""The simulated amplifier answers a probe on its heater pins, so that a survey which does not skip them goes on."""

import math

import pytest

from analysis.app.demo.plant import HEATER_PINS, TablePlant, load_table
from analysis.chassis import load_chassis


@pytest.mark.parametrize("state", ["leaky", "mended"])
def test_heaters_sit_at_zero_with_half_of_the_winding_on_them(state):
    plant = TablePlant(load_table(), state)
    for point in HEATER_PINS:
        assert plant.dc_v(point, 10e6) == 0.0
        (line,) = plant.ripple(point)
        # Each leg of a 6.3 V winding with grounded centre tap: 3.15 V rms at the mains frequency.
        assert line.peak_v / math.sqrt(2.0) == pytest.approx(3.15)
        assert line.freq_hz == 50.0
        assert max(plant.swing_v(point)) == pytest.approx(4.455, rel=1e-3)


def test_every_heater_pin_of_the_demonstrated_chassis_is_there():
    chassis = load_chassis("quayside-five")
    pins = {
        f"{socket}.{number}"
        for socket, tube in chassis.sockets.items()
        for number, pin in tube.pins.items()
        if pin.function.startswith("heater")
    }
    assert pins == set(HEATER_PINS)
