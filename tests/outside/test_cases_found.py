"""A sample of the independent reference cases (see data/cases/README.md); the whole table: cases_table.py."""

from pathlib import Path

import pytest

from acquisition.store import read_readings_csv
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

CASES = Path(__file__).parent / "data" / "cases"


def diagnose(name, dc_only=True):
    readings = read_readings_csv(CASES / f"case_{name}.readings.csv")
    if dc_only:
        readings = [r for r in readings if r.quantity == "dc_v"]
    model = ChassisModel(load_chassis(str(CASES / f"case_{name}.chassis.yaml")))
    return Diagnoser(model, [r.measurand for r in readings], dc_only=dc_only).diagnose(readings)


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


def test_a_bypass_of_two_halves_is_found_where_they_differ():
    """Between the equal halves of the drawing no signal is left for it; between those of a specimen there is."""
    found = diagnose("0186", dc_only=False).suspects[0]
    assert (found.part, found.fault) == ("C23", "lossy")
    assert found.estimate.low < 5.0 < found.estimate.high, (
        "3 ohm in series, and 4 ohm too much of a tired capacitor"
    )


def test_an_old_chassis_with_nothing_wrong_is_not_blamed_for_its_age():
    """Every resistor has drifted up (`fresh_cases FOLDER 100 266 --aged`, case 38: ngspice, tubes by other laws);
    each with a tolerance of its own only, the one that drifted least was low with 0.88."""
    folder = CASES.parent / "aged"
    readings = read_readings_csv(folder / "case_2660038.readings.csv")
    model = ChassisModel(load_chassis(str(folder / "case_2660038.chassis.yaml")))
    found = Diagnoser(model, [r.measurand for r in readings]).diagnose(readings)
    assert found.healthy_probability > 0.5
    assert found.suspects[0].probability < 0.3
