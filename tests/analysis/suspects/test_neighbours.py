"""Faults beside the leading one: what the slopes of a healthy chassis dismiss."""

from pathlib import Path

import numpy as np

from acquisition.records import Reading
from acquisition.store import read_readings_csv
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

CASES = Path(__file__).parents[2] / "outside" / "data" / "cases"


def test_a_grid_whose_return_is_open_may_be_held_down_by_its_capacitor():
    """R6 ties the second grid of a long-tailed pair to the tail, C2 ties it to the chassis for signals.

    With R6 open it stands where insulation puts it; held down by C2 it reads as if C2 were shorted.
    """
    model = ChassisModel(load_chassis(str(CASES / "case_0301.chassis.yaml")))
    wanted = [reading.measurand for reading in read_readings_csv(CASES / "case_0301.readings.csv")]
    held = {"R6": 1e11, "C2.leak": 3e-10, "V1a.leak_PG": 1e-15, "V1b.leak_PG": 1e-15}
    shown = model.predict({key: np.array([value]) for key, value in held.items()}, wanted)[0]
    readings = [
        Reading(
            point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(value),
            std=0.5 if m.quantity == "phase_deg" else 0.005 * abs(float(value)) + 2e-3,
        )
        for m, value in zip(wanted, shown, strict=True)
    ]  # fmt: skip
    found = Diagnoser(model, wanted).diagnose(readings)
    assert (found.suspects[0].part, found.suspects[0].fault) == ("C2", "shorted")
    chance = sum(s.probability for s in found.suspects if (s.part, s.fault) == ("R6", "open"))
    assert 0.005 < chance < 0.5
