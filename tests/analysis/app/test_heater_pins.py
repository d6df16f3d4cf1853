"""Heater pins: the simulated amplifier answers a probe on them, and the verbs go on without the model's help."""

import math

import pytest

from acquisition.configs import find_config
from acquisition.records import Event, Reading
from acquisition.store import create_job, open_job
from analysis.app.cli import main
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


def test_a_reading_of_a_heater_pin_stands_in_no_verbs_way(tmp_path, capsys):
    """A survey that does not skip heaters reads them; the model of the signal circuit says nothing about them."""
    path = tmp_path / "board.stagewalk"
    with create_job(path, "bench-6c4", find_config("chassis", "bench-6c4").read_text(encoding="utf-8")) as job:
        for name in ("as-found", "after"):
            job.start_pass(name, mains_v=120.0)
            for point, value in (("HT", 300.0), ("V1.5", 92.0), ("V1.3", 0.1)):
                job.add_reading(name, Reading(point=point, quantity="dc_v", value=value, std=0.1))
        job.add_event("after", Event(kind="part_replaced", subject="C2", text="C2"))
    for verb in (["suspects"], ["check"], ["report"], ["compare", "as-found", "after"]):
        assert main([verb[0], str(path), *verb[1:]]) in (0, 1), capsys.readouterr().err
        told = " ".join(capsys.readouterr().out.split())
        if verb[0] in ("suspects", "compare"):
            assert "V1.3" in told, "what was left out is said"
    assert main(["list", str(tmp_path), "--trend"]) == 0
    with open_job(path, read_only=True) as job:
        assert len(job.read_pass("after").readings) == 3
