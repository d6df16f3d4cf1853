"""Facts of the trade, read through the simulated bench: real SCPI, the ordinary drivers, the ordinary gain.

Common practice, no source: the voltages and swings were noted at a bench. Behind the bench stand tables solved with
ngspice from N. Koren's equation and parameters of a 12AU7 (Glass Audio 8(5), 1996), which is the 6C4 twice; see
make_demo_tables.py.
"""

from pathlib import Path

import pytest

from acquisition.capture import ScopeRules, StageCapture, Tap
from acquisition.instruments import load_bench, open_generator, open_meter, open_scope
from acquisition.simulated.bench import SimulatedBench
from analysis.app.demo.plant import TablePlant, load_table
from analysis.gain import gain_of

DATA = Path(__file__).resolve().parents[1] / "data"


@pytest.fixture
def bench(tmp_path):
    """Starts a simulated bench in front of a state of a table, and gives it with its description."""
    open_benches = []

    def start(name, state="healthy"):
        made = SimulatedBench(TablePlant(load_table(DATA / f"{name}.json"), state), seed=3)
        open_benches.append(made)
        return made, load_bench(str(made.write(tmp_path / "bench.yaml")))

    yield start
    for made in open_benches:
        made.close()


def volts(bench, described, *points):
    found = {}
    with open_meter(described) as meter:
        for point in points:
            bench.wiring.lead.move([(bench.wiring.clock.monotonic_s() - 60.0, point)])
            found[point] = meter.read().value_v
    return found


def gain(bench, described, source, output, drive_pp_v, dc_v):
    bench.wiring.clip(1, source)
    bench.wiring.clip(2, output)
    taps = (Tap(point=source, channel=1), Tap(point=output, channel=2, dc_v=dc_v))
    kept = []
    with open_generator(described) as generator, open_scope(described) as scope:
        rules = ScopeRules(tip_rated_v=600.0, input_rated_v=300.0)
        capture = StageCapture(generator, scope, taps, rules, kept.append)
        with capture.driven(1000.0, drive_pp_v) as shoot:
            first, second = shoot()
    assert len(kept) == 2
    assert not bench.wiring.drive.on
    return gain_of(first, second), second


def test_medium_mu_triode_at_300_v(bench):
    # About 90 V at the plate (85 V was measured at 301.5 V), 3 to 5 V at the cathode (3.2 V measured), grid near 0.
    found = volts(*bench("single-triode"), "V1.1", "V1.7", "V1.6")
    assert found["V1.1"] == pytest.approx(90.0, abs=8.0)
    assert found["V1.1"] == pytest.approx(85.0, rel=0.05)
    assert 3.0 < found["V1.7"] < 5.0
    assert found["V1.7"] == pytest.approx(3.2, rel=0.05)
    assert abs(found["V1.6"]) < 0.01


def test_unbypassed_stage_inverts_and_amplifies_about_ten_times(bench):
    # 1.8 V peak to peak in gave 17.4 V out, inverted, the cathode unbypassed and the output loaded: 9.7 times. The
    # load at that bench is not on record. Solved with a probe of 10 Mohm and 470 k the gain is 11.8, with a load
    # of 100 k in its place 9.4; the fact lies between, and so must every reading here.
    made, described = bench("single-triode")
    found, output = gain(made, described, "V1.6", "V1.1", 1.8, 87.0)
    assert 9.0 < found.magnitude < 12.5
    assert found.inverts
    assert output.drive_pp_v == pytest.approx(1.8)
    # The bench shows what its table says: within the scope's printed 2 % a channel.
    plant = made.wiring.plant
    load_s = made.wiring.probes[1].admittance_s(1000.0)
    low, high = plant.response(["V1.6", "V1.1"], 1000.0, [load_s, load_s])
    assert abs(found.magnitude / abs(high / low) - 1) < 0.04


def test_equal_loads_in_plate_and_cathode(bench):
    # 30 k and 30 k at 350 V: equal drops (330 V and 20 V were read) and opposite swings of equal size.
    found = volts(*bench("split-load"), "HT", "V1.1", "V1.7")
    assert found["V1.1"] == pytest.approx(330.0, abs=4.0)
    assert found["V1.7"] == pytest.approx(20.0, abs=2.0)
    assert found["HT"] - found["V1.1"] == pytest.approx(found["V1.7"], rel=0.06)
    made, described = bench("split-load")
    to_plate, _ = gain(made, described, "V1.6", "V1.1", 2.0, 328.0)
    to_cathode, _ = gain(made, described, "V1.6", "V1.7", 2.0, 21.0)
    assert to_plate.inverts
    assert not to_cathode.inverts
    assert to_plate.magnitude == pytest.approx(to_cathode.magnitude, rel=0.05)
    assert to_plate.magnitude < 1.0


@pytest.mark.parametrize("state", ["plate resistor open", "input coupling leaky"])
def test_plate_far_too_low(bench, state):
    # A plate at 25 V where 90 V belong points to an open plate resistor or a leaky coupling capacitor; grid and
    # cathode tell them apart.
    found = volts(*bench("single-triode", state), "V1.1", "V1.6", "V1.7")
    assert found["V1.1"] < 40.0
    if state == "plate resistor open":
        assert found["V1.7"] < 0.5
        assert abs(found["V1.6"]) < 0.01
    else:
        assert found["V1.7"] > 3.9
        assert found["V1.6"] > 1.0
