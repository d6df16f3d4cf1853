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

from analysis.tubes import load_tube
from analysis.tubes.equations import triode_currents

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
