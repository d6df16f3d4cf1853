"""Tube constants in the published resistance-coupled stages, solved here by bisection and nothing else.

Printed: plate supply, plate and cathode resistor, the next grid's resistor, gain. The tables of two publishers
differ by 10 to 20 % for the same tube, so the median of each is held, and the rows loosely (starved stages read
high); nothing was fitted to them.
"""

import csv
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from scipy.optimize import root

from analysis.tubes import load_tube
from analysis.tubes.equations import pentode_currents, triode_currents

DATA = Path(__file__).parent / "data" / "rc_amplifier_tables.csv"
ROWS = [
    row
    for row in csv.DictReader(DATA.read_text(encoding="utf-8").splitlines())
    if not row["Rg2_Mohm"] and row["voltage_gain"] and row["Rk_ohm"] and row["Rp_Mohm"] and row["Ebb_V"]
]


def solve(model, supply_v, plate_ohm, cathode_ohm):
    low, high = 0.0, supply_v / (plate_ohm + cathode_ohm)
    for _ in range(200):
        current = 0.5 * (low + high)
        drawn = triode_currents(model, supply_v - current * (plate_ohm + cathode_ohm), -current * cathode_ohm).ia
        low, high = (current, high) if drawn > current else (low, current)
    return 0.5 * (low + high)


def stage(row):
    model = load_tube(row["tube"].split("/")[0]).sections[0].model
    plate_ohm, cathode_ohm = float(row["Rp_Mohm"]) * 1e6, float(row["Rk_ohm"])
    supply_v = float(row["Ebb_V"])
    current = solve(model, supply_v, plate_ohm, cathode_ohm)
    now = triode_currents(model, supply_v - current * (plate_ohm + cathode_ohm), -current * cathode_ohm)
    next_ohm = float(row["Rg_next_Mohm"] or "inf") * 1e6
    load = 1.0 / (1.0 / plate_ohm + 1.0 / next_ohm + float(now.d_ia_dva))
    return current, float(now.d_ia_dvg) * load


TUBES = sorted({row["tube"] for row in ROWS})


@pytest.mark.parametrize("tube", TUBES)
def test_gain_of_resistance_coupled_stages(tube):
    by_source = {}
    for row in ROWS:
        if row["tube"] == tube:
            _, gain = stage(row)
            error = gain / float(row["voltage_gain"]) - 1.0
            stage_name = f"{row['row_id']} {tube} {row['Ebb_V']} V"
            print(f"{stage_name}: gain {gain:.1f}, printed {row['voltage_gain']}, {error:+.0%}")
            by_source.setdefault(row["source"], []).append(error)
    for source, found in by_source.items():
        print(f"{tube}, {source}: median {median(found):+.0%}, largest {max(map(abs, found)):.0%}")
        assert abs(median(found)) <= 0.20
        assert max(map(abs, found)) <= 0.30
        assert np.isfinite(found).all()


def test_stage_currents_of_the_european_sheet():
    rows = [row for row in ROWS if row["tube"] in ("12AX7", "ECC83") and (row["Ia_mA"] or row["Ik_mA"])]
    assert rows
    found = [stage(row)[0] * 1e3 / float(row["Ia_mA"] or row["Ik_mA"]) - 1.0 for row in rows]
    print([f"{error:+.1%}" for error in found])
    assert max(map(abs, found)) <= 0.05


PENTODE_ROWS = [
    row
    for row in csv.DictReader(DATA.read_text(encoding="utf-8").splitlines())
    if row["Rg2_Mohm"] and row["Rk_ohm"] and row["Rp_Mohm"]
]


def pentode_stage(row):
    """Currents and mid-band gain, screen and cathode bypassed."""
    name = {"EF804S": "EF86"}.get(row["tube"], row["tube"])  # the same system on another basing
    model = load_tube(name).sections[0].model
    supply_v, cathode_ohm = float(row["Ebb_V"]), float(row["Rk_ohm"])
    plate_ohm, screen_ohm = float(row["Rp_Mohm"]) * 1e6, float(row["Rg2_Mohm"]) * 1e6
    next_ohm = float(row["Rg_next_Mohm"] or "inf") * 1e6

    def volts(currents):
        ia, ig2 = currents
        cathode_v = (ia + ig2) * cathode_ohm
        return supply_v - ia * plate_ohm - cathode_v, supply_v - ig2 * screen_ohm - cathode_v, -cathode_v

    def residual(scaled):
        currents = scaled * 1e-4
        now = pentode_currents(model, *volts(currents))
        return [(now.ia - currents[0]) * 1e4, (now.ig2 - currents[1]) * 1e4]

    half = np.array([0.5 * supply_v / plate_ohm, 0.6 * supply_v / screen_ohm])
    found = root(residual, half * 1e4, method="hybr")
    assert found.success, row["row_id"]
    currents = found.x * 1e-4
    now = pentode_currents(model, *volts(currents))
    return currents, float(now.d_ia_dvg1) / (1.0 / plate_ohm + 1.0 / next_ohm + float(now.d_ia_dva))


def test_currents_of_a_low_noise_pentode_stage():
    row = next(row for row in PENTODE_ROWS if row["tube"] == "EF804S")
    (ia, ig2), _ = pentode_stage(row)
    printed = (float(row["Ia_mA"]) + float(row["Ig2_mA"])) * 1e-3
    print(f"EF804S: cathode {(ia + ig2) * 1e3:.3f} mA, printed {printed * 1e3:.3f}; plate {ia * 1e3:.3f} mA")
    # The EF804S draws 7 % more than the EF86 at the same published point (3.2 against 3.0 mA).
    assert ia + ig2 == pytest.approx(printed / 1.07, rel=0.03)


@pytest.mark.parametrize("tube", sorted({row["tube"] for row in PENTODE_ROWS if row["voltage_gain"]}))
def test_gain_of_resistance_coupled_pentodes(tube):
    errors = []
    for row in PENTODE_ROWS:
        if row["tube"] == tube and row["voltage_gain"]:
            _, gain = pentode_stage(row)
            errors.append(gain / float(row["voltage_gain"]) - 1.0)
            print(row["row_id"], tube, f"gain {gain:.0f}, printed {row['voltage_gain']}, {errors[-1]:+.0%}")
    # The 6AU6 chart is marked as of low confidence in its note: all three rows read high together.
    assert abs(median(errors)) <= {"6AU6": 0.45}.get(tube, 0.20)
