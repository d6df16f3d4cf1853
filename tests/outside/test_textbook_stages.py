"""Modelled stages against the formulas of the handbooks, each at the limits where the formula holds.

Formulas: F. Langford-Smith (ed.), Radiotron Designer's Handbook, 4th edition, 1953: amplifiers chapter 12, feedback
and followers chapter 7, transformers chapter 5, rectification and filtering chapters 30 and 31 (chapters seen in a
contents list, formulas from memory). mu, rp, gm of the formulas are the slopes of the tube at the modelled rest.
"""

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, ProbeLoad, parse_chassis
from tests.outside.topologies import TOPOLOGIES

UNPROBED = ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0)
MID_HZ = 1000.0


class Bench:
    """A chassis of ideal parts: no leaks, no losses, chosen capacitors as good as infinite."""

    def __init__(self, text, large=(), **values):
        self.model = ChassisModel(parse_chassis(text, "test"), probe=UNPROBED)
        lossy = ("leak", "esr", "gas", "leakage_henries", "primary_farads")
        self.values = {key: np.zeros(1) for key in self.model.parameters if key.split(".")[-1].endswith(lossy)}
        self.values |= {key: np.full(1, 1.0) for key in large}
        self.values |= {key: np.full(1, value) for key, value in values.items()}

    def slopes(self, key=""):
        """Slopes of a section: rows are currents into plate, grid, screen, columns their volts to the cathode."""
        keys = [tube.key for tube in self.model.circuit.tubes]
        return self.model.supplied(self.values).rest.slopes[keys.index(key) if key else 0]

    def triode(self, key=""):
        table = self.slopes(key)
        gp, gm = float(table[0][0][0]), float(table[0][1][0])
        return gm / gp, 1.0 / gp

    def gain(self, source, target, freq_hz=MID_HZ, **changes):
        values = self.values | {key: np.full(1, value) for key, value in changes.items()}
        return self.model.response(values, source, target, np.array([freq_hz]))[0, 0]

    def output_ohm(self, point, load_key, load_ohm):
        """Output resistance from the fall of the output under a load."""
        light = abs(self.gain("IN", point, **{load_key: 1e15}))
        heavy = abs(self.gain("IN", point, **{load_key: load_ohm}))
        return load_ohm * (light / heavy - 1.0)


def parallel(*ohms):
    return 1.0 / sum(1.0 / ohm for ohm in ohms)


def test_bypassed_gain():
    """A = mu RL / (rp + RL)."""
    bench = Bench(TOPOLOGIES["common cathode, bypassed"], large=("C2", "C3"))
    mu, rp = bench.triode()
    load = parallel(100e3, 470e3)
    assert bench.gain("V1.2", "V1.1").real == pytest.approx(-mu * load / (rp + load), rel=1e-3)


def test_unbypassed_gain():
    """A = mu RL / (rp + RL + (mu + 1) Rk)."""
    bench = Bench(TOPOLOGIES["common cathode, unbypassed"], large=("C3",))
    mu, rp = bench.triode()
    load = parallel(47e3, 470e3)
    assert bench.gain("V1.4", "V1.5").real == pytest.approx(
        -mu * load / (rp + load + (mu + 1.0) * 1800.0), rel=1e-3
    )


@pytest.mark.parametrize("cathode_ohm", [0.0, 1500.0], ids=["bypassed", "unbypassed"])
def test_output_resistance(cathode_ohm):
    """Rp in parallel with rp + (mu + 1) Rk; Rk counts where it is not bypassed."""
    text = TOPOLOGIES["common cathode, bypassed"]
    bare = text.replace("  C2: 25u V1.3 gnd\n", "")
    bench = Bench(bare, large=("C3",)) if cathode_ohm else Bench(text, large=("C2", "C3"))
    mu, rp = bench.triode()
    expected = parallel(100e3, rp + (mu + 1.0) * cathode_ohm)
    assert bench.output_ohm("OUT", "R4", 50e3) == pytest.approx(expected, rel=5e-3)


def test_cathode_follower():
    """A = mu R / (rp + (mu + 1) R), R the whole cathode load; output resistance R || rp/(mu + 1)."""
    bench = Bench(TOPOLOGIES["cathode follower"], large=("C2",))
    mu, rp = bench.triode()
    whole = parallel(23e3, 100e3)
    assert bench.gain("V1.2", "V1.3").real == pytest.approx(mu * whole / (rp + (mu + 1.0) * whole), rel=3e-3)
    assert bench.output_ohm("OUT", "R4", 2e3) == pytest.approx(parallel(23e3, rp / (mu + 1.0)), rel=5e-3)


def test_cathodyne():
    """One current flows through both loads: i = mu v / (rp + Zp + (mu + 1) Zk)."""
    bench = Bench(TOPOLOGIES["cathodyne"], large=("C2", "C3"), R1=1e9)
    mu, rp = bench.triode()
    plate_ohm, cathode_ohm = parallel(56e3, 220e3), parallel(57.5e3, 220e3)
    current = mu / (rp + plate_ohm + (mu + 1.0) * cathode_ohm)
    assert bench.gain("V1.7", "OUTA").real == pytest.approx(-current * plate_ohm, rel=3e-3)
    assert bench.gain("V1.7", "OUTB").real == pytest.approx(current * cathode_ohm, rel=3e-3)


def test_long_tailed_pair():
    """i1/i2 = 1 + (rp + RL2) / ((mu + 1) Rt), and both together nearly mu RL / (rp + RL)."""
    bench = Bench(TOPOLOGIES["long-tailed pair"], large=("C2", "C3", "C4"), R1=1e9)
    mu, rp = bench.triode("V1a")  # the second section, whose current the ratio compares
    load1, load2 = parallel(82e3, 220e3), parallel(100e3, 220e3)
    first, second = abs(bench.gain("V1.2", "OUTA")), abs(bench.gain("V1.2", "OUTB"))
    # The bias resistor is common to both cathodes and so belongs to the tail.
    ratio = 1.0 + (rp + load2) / ((mu + 1.0) * 10.47e3)
    assert (first / load1) / (second / load2) == pytest.approx(ratio, rel=0.01)
    mean = 0.5 * (load1 + load2)
    assert first + second == pytest.approx(mu * mean / (rp + mean), rel=0.05)


def test_pentode_gain():
    """A = gm (rp || RL) with screen and cathode held."""
    bench = Bench(TOPOLOGIES["pentode"], large=("C2", "C3", "C4"))
    table = bench.slopes()
    gp, gm = float(table[0][0][0]), float(table[0][1][0])
    assert abs(bench.gain("V1.9", "V1.6")) == pytest.approx(gm / (gp + 1.0 / parallel(220e3, 1e6)), rel=2e-3)


def test_unbypassed_screen():
    """It divides the gain by 1 + Rs/rs, rs the slope resistance of the screen; the plate load is small."""
    text = TOPOLOGIES["pentode"].replace("R2: 220k", "R2: 1k")
    held, free = Bench(text, large=("C2", "C3", "C4")), Bench(text, large=("C3", "C4"), C2=1e-18)
    screen_ohm = 1.0 / float(held.slopes()[2][2][0])
    step = abs(held.gain("V1.9", "V1.6")) / abs(free.gain("V1.9", "V1.6", 30.0))
    assert step == pytest.approx(1.0 + 1e6 / screen_ohm, rel=0.02)


def test_miller_capacitance():
    """Input capacitance Cgk + Cgp (1 + |A|), from the corner that a large source resistance makes with it."""
    text = TOPOLOGIES["common cathode, bypassed"].replace("C1: 22n IN V1.2", "C1: 22u IN G1")
    bench = Bench(text.replace("  R2:", "  R9: 250k G1 V1.2\n  R2:"), large=("C1", "C2"))
    section = next(s for s in bench.model.chassis.sockets["V1"].sections if 2 in s.pins)
    amplification = abs(bench.gain("V1.2", "V1.1"))
    c = section.capacitances
    farad = c.input_farad + c.grid_plate_farad * (1.0 + amplification)
    corner_hz = 1.0 / (2.0 * np.pi * parallel(250e3, 1e6) * farad)
    fall = abs(bench.gain("G1", "V1.2", corner_hz)) / abs(bench.gain("G1", "V1.2", 100.0))
    assert fall == pytest.approx(np.sqrt(0.5), rel=0.01)


def test_cathode_bypass_zero_and_pole():
    """Zero at 1/(2 pi Rk Ck), pole higher by 1 + (mu + 1) Rk / (rp + RL): the step of the gain."""
    bench = Bench(TOPOLOGIES["common cathode, bypassed"], large=("C3",))
    mu, rp = bench.triode()
    step = 1.0 + (mu + 1.0) * 1500.0 / (rp + parallel(100e3, 470e3))
    zero_hz = 1.0 / (2.0 * np.pi * 1500.0 * 25e-6)
    whole = bench.gain("V1.2", "V1.1", 1e4)
    for ratio in (0.5, 1.0, 2.0, 5.0):
        formula = (1.0 + 1j * ratio) / (step + 1j * ratio)
        found = bench.gain("V1.2", "V1.1", ratio * zero_hz) / whole
        assert abs(found) == pytest.approx(abs(formula), rel=5e-3)
        assert np.degrees(np.angle(found / formula)) == pytest.approx(0.0, abs=1.5)


def test_coupling_corner():
    """f = 1 / (2 pi C (Zo + Rg))."""
    bench = Bench(TOPOLOGIES["common cathode, bypassed"], large=("C1", "C2"))
    _, rp = bench.triode()
    corner_hz = 1.0 / (2.0 * np.pi * 22e-9 * (parallel(100e3, rp) + 470e3))
    fall = abs(bench.gain("V1.2", "OUT", corner_hz)) / abs(bench.gain("V1.2", "OUT", 2000.0))
    assert fall == pytest.approx(np.sqrt(0.5), rel=5e-3)


def test_transformer_reflection():
    """The plate sees n^2 (Zs + secondary winding) + primary winding; the load gets its share over n."""
    bench = Bench(TOPOLOGIES["single-ended output"], large=("C2",), R3=0.01, **{"HT.source": 0.01})
    bench.values["T1.primary_henries"] = np.full(1, 1e6)
    table = bench.slopes()
    gp, gm = float(table[0][0][0]), float(table[0][1][0])
    turns = np.sqrt(5200.0 / 8.0)
    reflected = turns**2 * 8.5 + 250.0
    assert abs(bench.gain("V1.2", "V1.7")) == pytest.approx(gm / (gp + 1.0 / reflected), rel=3e-3)
    assert abs(bench.gain("V1.7", "SPK")) == pytest.approx(8.0 * turns / reflected, rel=2e-3)


def test_primary_inductance_sets_the_low_corner():
    """f = (rp || RL) / (2 pi L)."""
    bench = Bench(TOPOLOGIES["single-ended output"], large=("C1", "C2"), R3=0.01, **{"HT.source": 0.01})
    rp = 1.0 / float(bench.slopes()[0][0][0])
    reflected = 5200.0 / 8.0 * 8.5 + 250.0
    corner_hz = parallel(rp, reflected) / (2.0 * np.pi * 12.0)
    fall = abs(bench.gain("V1.2", "SPK", corner_hz)) / abs(bench.gain("V1.2", "SPK", 2000.0))
    assert fall == pytest.approx(np.sqrt(0.5), rel=0.03)


def test_push_pull_halves_follow_each_other():
    """The far plate moves as the near one with opposite sign, less the drop in the winding of the near one.

    One half alone sees a quarter of the plate-to-plate impedance.
    """
    bench = Bench(TOPOLOGIES["push-pull output"], **{"HT.source": 0.01})
    quarter = parallel(3800.0 / 8.0 * 8.3 / 4.0, 1.0 / float(bench.slopes("V2")[0][0][0]))
    assert bench.gain("V1.3", "V2.3").real == pytest.approx(-quarter / (quarter + 60.0), rel=0.01)


def test_feedback():
    """A/(1 + A beta); fed to a cathode, beta is Rk/(Rk + Rf) * (mu + 1)/mu, and A has Rk || Rf there."""
    text = """
chassis: feedback pair
tubes: {V1: 12AX7}
rails: {HT: {volts: 300, source: 0.1}}
parts:
  C1: 10u IN V1.2
  R1: 1M V1.2 gnd
  R2: 100k HT V1.1
  R3: 1k5 V1.3 gnd
  C2: 100n V1.1 V1.7
  R4: 1M V1.7 gnd
  R5: 100k HT V1.6
  R6: 1k5 V1.8 gnd
  C3: 1000u V1.8 gnd
  C4: 10u V1.6 OUT
  R7: 220k OUT gnd
  R8: 100k OUT FB
  C5: 10u FB V1.3
  R9: 1G FB gnd
signal: {input: IN, output: OUT, source_ohms: 1}
"""
    large = ("C1", "C2", "C3", "C4", "C5")
    closed = abs(Bench(text, large).gain("V1.2", "OUT"))
    cut = text.replace("R8: 100k OUT FB", "R8: 100k OUT gnd").replace("R9: 1G", "R9: 100k")
    opened = Bench(cut, large)
    amplification = abs(opened.gain("V1.2", "OUT"))
    mu, _ = opened.triode("V1b")
    beta = 1.5 / 101.5 * (mu + 1.0) / mu
    assert closed == pytest.approx(amplification / (1.0 + amplification * beta), rel=5e-3)


SUPPLY = """
chassis: supply
mains: {volts: 230, hertz: 50}
tubes: {V1: 6C4}
rails: {HT1: {volts: 342, source: 120, %s}}
parts:
%s
"""


def hum(rail, parts, points):
    model = ChassisModel(parse_chassis(SUPPLY % (rail, parts), "test"), probe=UNPROBED)
    return model.predict({}, [Measurand(point=point, quantity="ripple_pp_v") for point in points])[0]


def test_smoothing_section():
    """It divides the line by sqrt(1 + (2 pi f R C)^2): 1 k and 47 u at 100 Hz, 29.5."""
    parts = "  R1: 1k HT1 HT2\n  C1: {capacitor: 47u, nodes: [HT2, gnd], esr: 0}\n  R2: 10M HT2 gnd"
    first, second = hum("ripple_pp: 10", parts, ("HT1", "HT2"))
    assert first == pytest.approx(10.0, rel=1e-3)
    assert first / second == pytest.approx(29.5, rel=0.01)


def test_reservoir_ripple_below_its_bound():
    """Peak to peak below I/(2 f C) for full wave, I/(f C) for half wave; real supplies show 0.6 to 0.9 of it."""
    parts = "  C1: {capacitor: 47u, nodes: [HT1, gnd], esr: 0}\n  R1: 2375 HT1 gnd"
    bound = (342.0 / 2375.0) / (2.0 * 50.0 * 47e-6)
    (full,), (half,) = (hum(f"rectified: {kind}-wave", parts, ("HT1",)) for kind in ("full", "half"))
    assert 0.55 * bound < full < 0.9 * bound
    assert 0.6 * 2.0 * bound < half < 0.95 * 2.0 * bound


def test_screens_on_taps_lie_between_screens_on_the_supply_and_screens_on_the_plates():
    """A tap at the supply is the pentode connection, one at the plate the triode connection (definition)."""
    text = TOPOLOGIES["screens on taps"]
    five, tap = "[V1.3, UL1, HT, UL2, V2.3], tap: 0.43", "tap: 0.43"
    assert five in text
    pentodes = text.replace(five, "[V1.3, HT, V2.3]").replace("UL1", "HT").replace("UL2", "HT")
    triodes = text.replace(five, "[V1.3, HT, V2.3]").replace("UL1", "V1.3").replace("UL2", "V2.3")

    def gain(text):
        model = ChassisModel(parse_chassis(text), probe=UNPROBED)
        return abs(model.response({}, "V1.5", "SPK", np.array([MID_HZ]))[0, 0])

    assert gain(text.replace(tap, "tap: 0.001")) == pytest.approx(gain(pentodes), rel=5e-3)
    assert gain(text.replace(tap, "tap: 0.999")) == pytest.approx(gain(triodes), rel=5e-3)
    assert 1.1 * gain(triodes) < gain(text) < gain(pentodes) / 1.1
