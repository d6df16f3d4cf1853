"""Modelled chassis against worked circuits and printed stage tables.

Worked circuits: small stages solved once by scripts made for each, with the same tube constants (values at rest,
gains, corners, and what a meter of given resistance shows); they check the solver, not the tubes. Printed tables:
the resistance-coupled amplifier tables of three publishers, source in each row of `data/rc_amplifier_tables.csv`;
nothing is fitted to them.
"""

import csv
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, MeterLoad, ProbeLoad, load_chassis, parse_chassis
from analysis.chassis.expecting import corners
from analysis.tubes import load_tube
from tests.outside.topologies import TOPOLOGIES

UNPROBED = ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0)
DATA = Path(__file__).parent / "data" / "rc_amplifier_tables.csv"


def model_of(text, meter_ohm=np.inf):
    return ChassisModel(parse_chassis(text, "test"), MeterLoad(resistance_ohm=meter_ohm), UNPROBED)


def volts(model, *points):
    return model.predict({}, [Measurand(point=point, quantity="dc_v") for point in points])[0]


def test_high_mu_stage():
    model = model_of(TOPOLOGIES["common cathode, bypassed"])
    plate, cathode = volts(model, "V1.1", "V1.3")
    assert plate == pytest.approx(196.3, rel=3e-3)
    assert cathode == pytest.approx(1.556, rel=5e-3)
    assert abs(model.response({}, "V1.2", "V1.1", np.array([1000.0]))[0, 0]) == pytest.approx(56.3, rel=0.01)
    low, _ = corners(model, "IN", "OUT")
    assert low == pytest.approx(19.2, rel=0.03)


def test_follower_coupled_straight_to_a_plate():
    model = ChassisModel(load_chassis("slipway-tone"), MeterLoad(resistance_ohm=np.inf))
    assert volts(model, "V1.1", "V1.8") == pytest.approx([166.9, 167.5], rel=5e-3)


@pytest.mark.parametrize(
    ("meter_ohm", "grid_v"), [(np.inf, 47.5), (20e6, 25.4), (10e6, 17.5), (5e6, 10.9), (1e6, 2.8)]
)
def test_meter_on_the_grid_of_a_cathodyne(meter_ohm, grid_v):
    model = model_of(TOPOLOGIES["cathodyne"], meter_ohm)
    assert volts(model, "V1.7")[0] == pytest.approx(grid_v, rel=0.03)
    if meter_ohm == np.inf:
        assert volts(model, "V1.6", "V1.8") == pytest.approx([202.5, 48.8], rel=5e-3)
        gains = [abs(model.response({}, "V1.7", point, np.array([1000.0]))[0, 0]) for point in ("OUTA", "OUTB")]
        assert gains == pytest.approx([0.942, 0.965], rel=5e-3)


@pytest.mark.parametrize(("meter_ohm", "grid_v"), [(np.inf, 25.8), (20e6, 20.7), (10e6, 17.5), (5e6, 13.9)])
def test_meter_on_the_grid_of_a_long_tailed_pair(meter_ohm, grid_v):
    model = model_of(TOPOLOGIES["long-tailed pair"], meter_ohm)
    assert volts(model, "V1.2")[0] == pytest.approx(grid_v, rel=0.03)
    if meter_ohm == np.inf:
        assert volts(model, "V1.1", "V1.6", "V1.3") == pytest.approx([207.7, 198.5, 27.1], rel=5e-3)


def test_small_pentode():
    model = model_of(TOPOLOGIES["pentode"])
    assert volts(model, "V1.6", "V1.1", "V1.3") == pytest.approx([108.4, 104.8, 2.35], rel=0.01)
    assert abs(model.response({}, "V1.9", "V1.6", np.array([1000.0]))[0, 0]) == pytest.approx(215.0, rel=0.01)


def test_output_stages():
    single = model_of(TOPOLOGIES["single-ended output"])
    assert volts(single, "V1.7", "V1.3") == pytest.approx([259.9, 7.75], rel=0.01)
    pair = model_of(TOPOLOGIES["push-pull output"])
    plate, screen, cathode = volts(pair, "V1.3", "V1.4", "V1.8")
    assert (plate, screen) == pytest.approx((426.0, 423.0), rel=3e-3)
    assert cathode * 1e3 == pytest.approx(47.6 + 6.0, rel=0.02)


def test_supply_of_two_300_volt_windings():
    """Behind 120 ohm 47 u, 1 k, 47 u, 10 k, 22 u; 120, 20 and 4 mA; 50 Hz.

    The peak of 300 V rms comes back from the 342 V of the rail, less what the rectifier itself took.
    """
    text = """
chassis: supply
mains: {volts: 230, hertz: 50}
tubes: {V1: 6C4}
rails: {HT1: {volts: 342, source: 120, rectified: full-wave}}
parts:
  C1: {capacitor: 47u, nodes: [HT1, gnd], esr: 0}
  R1: 2850 HT1 gnd
  R2: 1k HT1 HT2
  C2: {capacitor: 47u, nodes: [HT2, gnd], esr: 0}
  R3: 16k HT2 gnd
  R4: 10k HT2 HT3
  C3: {capacitor: 22u, nodes: [HT3, gnd], esr: 0}
  R5: 70k HT3 gnd
"""
    model = model_of(text)
    assert model.nominal()["HT1.emf"][0] == pytest.approx(300.0 * np.sqrt(2.0), rel=0.04)
    ripple = model.predict({}, [Measurand(point=p, quantity="ripple_pp_v") for p in ("HT1", "HT2", "HT3")])[0]
    assert ripple[:2] == pytest.approx([18.6, 0.55], rel=0.12)
    # The last section divides the 100 Hz line by sqrt(1 + (2 pi f R C)^2) = 138.
    assert ripple[2] == pytest.approx(ripple[1] / 138.2, rel=0.05)


def test_one_6c4():
    """Facts of the trade, common practice, no source: 300 V, 100 k, 1.5 k gives about 90 V, 3 to 5 V and 0 V."""
    model = ChassisModel(load_chassis("bench-6c4"))
    plate, cathode, grid = volts(model, "V1.5", "V1.7", "V1.6")
    assert plate == pytest.approx(90.0, rel=0.1)
    assert 3.0 < cathode < 5.0
    assert abs(grid) < 0.05
    # 1.8 V in gave 17.4 V out, inverted, cathode not bypassed; the scope loads with 1 Mohm.
    scoped = ChassisModel(model.chassis, probe=ProbeLoad(resistance_ohm=1e6, capacitance_farad=100e-12))
    gain = scoped.response({}, "V1.6", "OUT", np.array([1000.0]))[0, 0]
    assert abs(gain) == pytest.approx(17.4 / 1.8, rel=0.2)
    assert gain.real < 0.0


def test_plate_reading_of_25_volts():
    """Common practice, no source: 25 V at the plate says open plate resistor or leaky coupling capacitor."""
    model = ChassisModel(load_chassis("bench-6c4"))
    (healthy,) = volts(model, "V1.5")
    read = [Measurand(point="V1.5", quantity="dc_v")]
    drifted = model.predict({"R2": np.array([1e6, 1e9, np.inf])}, read)[:, 0]
    assert np.all(np.diff(drifted) < 0.0)
    assert drifted[0] < 25.0
    # A leak from the plate into the grid of its own stage opens the tube; into the next grid it only loads.
    leaking = model.predict({"V1.leak_PG": np.array([1e-6, 5e-6])}, read)[:, 0]
    assert np.all(leaking < 0.7 * healthy)


def test_split_load_6c4():
    """Common practice, no source: 30 k and 30 k at 350 V: equal drops (330 and 20 V were read), opposite swings."""
    text = """
chassis: split load
tubes: {V1: 6C4}
rails: {HT: {volts: 350, source: 100}}
parts:
  C1: 100n IN V1.6
  R1: 470k V1.6 gnd
  R2: 30k HT V1.5
  R3: 30k V1.7 gnd
  C2: 100n V1.5 OUTA
  R4: 470k OUTA gnd
  C3: 100n V1.7 OUTB
  R5: 470k OUTB gnd
signal: {input: IN, output: OUTA, source_ohms: 50}
"""
    model = model_of(text)
    plate, cathode = volts(model, "V1.5", "V1.7")
    assert 350.0 - plate == pytest.approx(cathode, rel=0.02)
    assert cathode == pytest.approx(20.0, rel=0.15)
    swings = [model.response({}, "V1.6", point, np.array([1000.0]))[0, 0].real for point in ("OUTA", "OUTB")]
    assert swings[0] == pytest.approx(-swings[1], rel=0.01)


ROWS = [row for row in csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()) if row["voltage_gain"]]


def printed_stage(row):
    """A row of the tables as a chassis: coupling and bypass capacitors large, as in the middle of the band."""
    kind = row["tube"].split("/")[0]
    tube = load_tube(kind)
    section = next(s for s in tube.sections if s.kind in ("triode", "pentode"))
    pin = {name: f"V1.{pins[0]}" for name, pins in section.electrodes.items()}
    parts = {
        "C1": f"10u IN {pin['grid']}", "R1": f"1M {pin['grid']} gnd",
        "R2": f"{float(row['Rp_Mohm'])}M HT {pin['plate']}", "R3": f"{row['Rk_ohm']} {pin['cathode']} gnd",
        "C2": f"1000u {pin['cathode']} gnd", "C3": f"10u {pin['plate']} OUT",
        "R4": f"{float(row['Rg_next_Mohm'])}M OUT gnd",
    }  # fmt: skip
    if section.kind == "pentode":
        parts |= {"R5": f"{float(row['Rg2_Mohm'])}M HT {pin['screen']}", "C4": f"10u {pin['screen']} gnd"}
    lines = "\n".join(f"  {name}: {text}" for name, text in parts.items())
    text = (
        f"chassis: {row['row_id']}\ntubes: {{V1: {tube.name}}}\n"
        f"rails: {{HT: {{volts: {row['Ebb_V']}, source: 1}}}}\n"
        f"parts:\n{lines}\nsignal: {{input: IN, output: OUT, source_ohms: 50}}\n"
    )
    model = model_of(text)
    # Capacitors this large would leak: their losses are not part of the printed stage.
    values = {key: np.zeros(1) for key in model.parameters if key.endswith((".leak", ".esr", ".gas"))}
    return abs(model.response(values, pin["grid"], "OUT", np.array([400.0]))[0, 0])


def test_resistance_coupled_tables(capsys):
    errors, lines = {}, []
    for row in ROWS:
        error = printed_stage(row) / float(row["voltage_gain"]) - 1.0
        errors.setdefault((row["source"].split(" (")[0].split(",")[0], row["tube"]), []).append(error)
        lines.append(
            f"{row['row_id']} {row['tube']:>10} {row['Ebb_V']:>4} V {row['Rp_Mohm']:>5} M: {100 * error:+.0f} %"
        )
    medians = {key: median(abs(e) for e in found) for key, found in errors.items()}
    with capsys.disabled():
        print("\n" + "\n".join(lines))
        for (source, tube), value in medians.items():
            print(f"{source}, {tube}: median absolute gain error {100 * value:.0f} %")
    # Publishers differ from each other by 10 to 20 %; starved stages read high (every row is printed above).
    assert max(medians.values()) < 0.3
    assert median(abs(e) for found in errors.values() for e in found) < 0.13
