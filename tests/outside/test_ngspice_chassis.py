"""Whole chassis against ngspice with the same tube laws: rest, readings, response, distortion, rectifier."""

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.records import Measurand
from analysis.chassis import ChassisModel, ProbeLoad, load_chassis, parse_chassis
from analysis.chassis.driving import distortions, waveforms
from analysis.circuit.ac import SmallSignal
from analysis.circuit.elements import conductance
from analysis.circuit.large_signal import distortion_ratio
from tests.outside import ngspice_peer as peer
from tests.outside.topologies import TOPOLOGIES

pytestmark = pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)

UNPROBED = ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0)
NAMES = [*config_names("chassis"), *TOPOLOGIES]
# Points where a meter matters most: bootstrapped grids, screens and plates behind high resistance.
METERED = {
    "cathodyne": ["V1.7", "V1.6"],
    "long-tailed pair": ["V1.2", "V1.7", "V1.1"],
    "pentode": ["V1.1", "V1.6", "V1.9"],
    "cathode follower": ["V1.2", "V1.3"],
    "breakwater-pair": ["V2.7", "V1.6"],
    "harbour-twenty": ["V2.2", "V3.5", "BIAS"],
}
# Drive in volts peak to peak, from clean to clipped; at a low tone few periods let coupling capacitors settle.
TONE_HZ = 250.0
DRIVEN = [
    ("common cathode, unbypassed", "OUT", 6.0, 15),
    ("common cathode, bypassed", "OUT", 2.0, 40),
    ("pentode", "OUT", 0.3, 25),
    ("single-ended output", "SPK", 8.0, 15),
    ("push-pull output", "SPK", 30.0, 15),
    ("harbour-twenty", "SPK", 0.004, 16),
]
# Ten times beyond the onset of clipping, grids conducting and plates cut off for much of the period.
OVERDRIVEN = [
    ("common cathode, bypassed", "OUT", 20.0, 45),
    ("pentode", "OUT", 3.0, 45),
    ("single-ended output", "SPK", 80.0, 15),
]


def model_of(name):
    chassis = parse_chassis(TOPOLOGIES[name], name) if name in TOPOLOGIES else load_chassis(name)
    return ChassisModel(chassis, probe=UNPROBED)


@pytest.fixture(scope="module", params=NAMES)
def case(request):
    return request.param, model_of(request.param)


def test_rest_and_readings_within_a_thousandth(case):
    name, model = case
    points = METERED.get(name, [])
    rest, read = peer.operating_point(model, points)
    ours = model.supplied({}).rest
    for node, volts in rest.items():
        assert ours.node_v(node)[0] == pytest.approx(volts, rel=1e-3, abs=1e-4), node
    shown = model.predict({}, [Measurand(point=point, quantity="dc_v") for point in points])[0]
    for point, volts in zip(points, shown, strict=True):
        # With the meter on, the rectified rails stay on their straight lines in both.
        assert volts == pytest.approx(read[point], rel=2e-3, abs=5e-3), point


@pytest.mark.parametrize(("name", "key", "adrift_v"), [
    ("common cathode, bypassed", "V1b.grid_adrift", 0.7), ("single-ended output", "V1.grid_adrift", 0.2),
    ("single-ended output", "V1.plate_adrift", 0.5), ("pentode", "V1.plate_adrift", 0.5),
    ("harbour-twenty", "V4.grid_adrift", 0.2), ("harbour-twenty", "V4.plate_adrift", 0.5),
])  # fmt: skip
def test_an_open_contact_leaves_the_pin_to_the_parts_and_the_tube_to_itself(name, key, adrift_v):
    """At rest and for signals; nothing but strays goes from the pin into the tube."""
    model = model_of(name)
    now = model.supplied({key: np.array([adrift_v])})
    table = {one: float(value[0]) for one, value in now.table.items()}
    rest, _ = peer.operating_point(model, table=table)
    for node, volts in rest.items():
        assert now.rest.node_v(node)[0] == pytest.approx(volts, rel=1e-3, abs=1e-4), node
    freq_hz, theirs = peer.response(model, (100.0, 1e4, 2), table)
    small = SmallSignal(model.circuit, now.table, now.rest.slopes, freq_hz)
    source = model.node(model.chassis.signal.inputs[0])
    ours = small.volts({source: conductance(now.table["generator.ohms"])[:, None]})
    for node, volts in theirs.items():
        one = np.broadcast_to(ours[model.circuit.node(node)], (1, freq_hz.size))[0]
        assert np.allclose(one, volts, rtol=5e-3, atol=1e-7), node


def test_response_within_half_a_percent_and_half_a_degree(case):
    _, model = case
    freq_hz, theirs = peer.response(model, (5.0, 2e5, 4))
    supplied = model.supplied({})
    small = SmallSignal(model.circuit, supplied.table, supplied.rest.slopes, freq_hz)
    source = model.node(model.chassis.signal.inputs[0])
    ours = small.volts({source: conductance(supplied.table["generator.ohms"])[:, None]})
    for node, volts in theirs.items():
        seen = np.abs(volts) > 1e-7
        ratio = np.broadcast_to(ours[model.circuit.node(node)], (1, freq_hz.size))[0, seen] / volts[seen]
        assert np.all(np.abs(np.abs(ratio) - 1.0) < 5e-3), node
        assert np.all(np.abs(np.degrees(np.angle(ratio))) < 0.5), node


@pytest.mark.parametrize(("name", "point", "drive_pp_v", "periods"), DRIVEN, ids=[d[0] for d in DRIVEN])
def test_distortion_within_a_twentieth(name, point, drive_pp_v, periods):
    model = model_of(name)
    theirs = peer.last_period(model, point, drive_pp_v, TONE_HZ, periods)
    ours = distortions(model, {}, [point], [drive_pp_v], TONE_HZ)[0, 0, 0]
    assert ours == pytest.approx(distortion_ratio(theirs), rel=0.05)
    wave = waveforms(model, {}, [point], drive_pp_v, TONE_HZ)[0, 0]
    assert np.ptp(wave) == pytest.approx(np.ptp(theirs), rel=0.02)


@pytest.mark.parametrize(("name", "point", "drive_pp_v", "periods"), OVERDRIVEN, ids=[d[0] for d in OVERDRIVEN])
def test_overdriven_far_beyond_clipping(name, point, drive_pp_v, periods):
    model = model_of(name)
    theirs = peer.last_period(model, point, drive_pp_v, TONE_HZ, periods, points=64)
    ours = waveforms(model, {}, [point], drive_pp_v, TONE_HZ)[0, 0]
    assert distortion_ratio(ours) == pytest.approx(distortion_ratio(theirs), rel=0.05)
    assert distortion_ratio(ours) > 0.3
    assert np.ptp(ours) == pytest.approx(np.ptp(theirs), rel=0.02)


def test_clipping_stage_that_draws_grid_current():
    """Grid current charges the input capacitor: the bias shifts down and limits the output."""
    model = model_of("common cathode, bypassed")
    theirs = peer.last_period(model, "V1.2", 8.0, TONE_HZ, 45)
    ours = waveforms(model, {}, ["V1.2"], 8.0, TONE_HZ)[0, 0]
    assert theirs.mean() < -0.5
    assert ours.mean() == pytest.approx(theirs.mean(), abs=0.05)
    assert np.ptp(ours) == pytest.approx(np.ptp(theirs), rel=0.02)


RECTIFIED = """
chassis: rectifier with a resistor
tubes: {V1: 6C4}
rails: {HT: {volts: 300, source: 150, rectified: %s}}
parts:
  C1: {capacitor: %s, nodes: [HT, gnd], esr: 2}
  R1: 5k HT gnd
"""


@pytest.mark.parametrize(("kind", "reservoir"), [("full-wave", "40u"), ("half-wave", "40u"), ("full-wave", "2u")])
def test_rectifier_mean_and_ripple(kind, reservoir):
    model = ChassisModel(parse_chassis("mains: {volts: 230, hertz: 50}" + RECTIFIED % (kind, reservoir)))
    table = {key: float(value[0]) for key, value in model.nominal().items()}
    wave = "abs(sin(314.159265358979*time))" if kind == "full-wave" else "max(sin(314.159265358979*time),0)"
    lines = [f"Brect 0 ht I=max({table['HT.emf']:.9g}*{wave}-v(ht),0)/150", f"C1 ht n {table['C1']:.9g} ic=250",
             "Resr n 0 2", "R1 ht 0 5k", f"Rleak ht 0 {1 / table['C1.leak']:.9g}"]  # fmt: skip
    control = ["tran 10u 3 2.98 10u uic", "linearize v(ht)", "wrdata t.txt v(ht)"]
    (found,) = peer.run(lines, control, ["t.txt"])
    ours = model.supplied({}).rest.node_v("HT")[0]
    assert ours == pytest.approx(found[:, 1].mean(), rel=5e-3)
    hum = model.predict({}, [Measurand(point="HT", quantity="ripple_pp_v")])[0, 0]
    # Six lines round the tips of a sawtooth off.
    assert hum == pytest.approx(np.ptp(found[:, 1]), rel=0.08)


@pytest.mark.parametrize("share", [1.0, 0.3, 0.1, 0.03, 1e-3])
def test_reservoir_before_a_choke_that_loses_its_capacitance(share):
    """To the end, where the rectifier's own wave stands on the rail: driven into the choke it was 1,000 V."""
    text = """
chassis: rectifier with a choke
mains: {volts: 230, hertz: 50}
tubes: {V1: 6C4}
rails: {HT1: {volts: 300, source: 150, rectified: full-wave}}
parts:
  C1: {capacitor: 20u, nodes: [HT1, gnd], esr: 2}
  L1: {value: 10, ohms: 100, nodes: [HT1, HT2]}
  C2: {capacitor: 40u, nodes: [HT2, gnd], esr: 2}
  R1: 5k HT2 gnd
"""
    model = ChassisModel(parse_chassis(text))
    table = {key: float(value[0]) for key, value in model.nominal().items()}
    wave, farad = "abs(sin(314.159265358979*time))", share * table["C1"]
    lines = [f"Brect 0 ht1 I=max({table['HT1.emf']:.9g}*{wave}-v(ht1),0)/150", f"C1 ht1 n1 {farad:.9g} ic=250",
             "Resr1 n1 0 2", "L1 ht1 n2 10 ic=0.05", "Rl n2 ht2 100", f"C2 ht2 n3 {table['C2']:.9g} ic=250",
             "Resr2 n3 0 2", "R1 ht2 0 5k", "Roff ht1 0 1e9"]  # fmt: skip
    control = ["tran 10u 4 3.96 10u uic", "linearize v(ht1) v(ht2)", "wrdata t.txt v(ht1) v(ht2)"]
    (found,) = peer.run(lines, control, ["t.txt"])
    wanted = [Measurand(point=p, quantity=q) for q in ("dc_v", "ripple_pp_v") for p in ("HT1", "HT2")]
    ours = model.predict({"C1": np.array([farad])}, wanted)[0]
    assert ours[:2] == pytest.approx(found[:, 1:].mean(axis=0), rel=0.025)
    assert ours[2:] == pytest.approx(np.ptp(found[:, 1:], axis=0), rel=0.1)


@pytest.mark.parametrize(("ohms", "other_ohms"), [(20.0, 20.0), (1000.0, 2.0)])
def test_two_reservoirs_side_by_side(ohms, other_ohms):
    """One that has dried out beside a good one takes hardly any of the current."""
    text = """
chassis: rectifier with two reservoirs
mains: {volts: 230, hertz: 50}
tubes: {V1: 6C4}
rails: {HT: {volts: 300, source: 150, rectified: full-wave}}
parts:
  C1: {capacitor: 20u, nodes: [HT, gnd], esr: 2}
  C2: {capacitor: 20u, nodes: [HT, gnd], esr: 2}
  R1: 3k HT gnd
"""
    model = ChassisModel(parse_chassis(text))
    table = {key: float(value[0]) for key, value in model.nominal().items()}
    wave = "abs(sin(314.159265358979*time))"
    lines = [f"Brect 0 ht I=max({table['HT.emf']:.9g}*{wave}-v(ht),0)/150", f"C1 ht n1 {table['C1']:.9g} ic=250",
             f"Resr1 n1 0 {ohms}", f"C2 ht n2 {table['C2']:.9g} ic=250", f"Resr2 n2 0 {other_ohms}",
             "R1 ht 0 3k"]  # fmt: skip
    control = ["tran 10u 3 2.98 10u uic", "linearize v(ht)", "wrdata t.txt v(ht)"]
    (found,) = peer.run(lines, control, ["t.txt"])
    values = {"C1.esr": np.array([ohms]), "C2.esr": np.array([other_ohms])}
    ours = model.supplied(values).rest.node_v("HT")[0]
    assert ours == pytest.approx(found[:, 1].mean(), rel=5e-3)
    hum = model.predict(values, [Measurand(point="HT", quantity="ripple_pp_v")])[0, 0]
    assert hum == pytest.approx(np.ptp(found[:, 1]), rel=0.08)
