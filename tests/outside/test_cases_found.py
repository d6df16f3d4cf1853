"""A sample of the independent reference cases (see data/cases/README.md); the whole table: cases_table.py."""

from pathlib import Path

import pytest

from acquisition.store import read_readings_csv
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

CASES = Path(__file__).parent / "data" / "cases"


def diagnose(name):
    readings = read_readings_csv(CASES / f"case_{name}.readings.csv")
    readings = [r for r in readings if r.quantity == "dc_v"]
    model = ChassisModel(load_chassis(str(CASES / f"case_{name}.chassis.yaml")))
    return Diagnoser(model, [r.measurand for r in readings], dc_only=True).diagnose(readings)


@pytest.mark.parametrize(
    ("name", "part", "faults"),
    [
        ("0041", "C2", {"leaky", "shorted"}),
        ("0138", "R2", {"open", "high"}),
        ("0344", "C2", {"leaky", "shorted"}),
        ("0664", "T1", {"winding open"}),
        ("0670", "V1", {"dead", "weak"}),
    ],
)
def test_the_right_part_comes_first_from_dc_alone(name, part, faults):
    first = diagnose(name).suspects[0]
    assert first.part == part
    assert first.fault in faults


@pytest.mark.parametrize("name", ["0028", "0111", "0257"])
def test_no_part_of_a_healthy_chassis_beats_nothing_wrong(name):
    found = diagnose(name)
    assert found.healthy_probability > found.suspects[0].probability
