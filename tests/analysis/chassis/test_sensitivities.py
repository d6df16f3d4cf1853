"""Exact slopes against differences, and against what network theory says of them."""

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, MeterLoad, load_chassis
from analysis.chassis.sensitivities import slopes_of
from analysis.circuit.sensitivity import RestSlopes

SAMPLES, HALF, KEYS = 2, 1e-4, 9
CHASSIS = ("bench-6c4", "gangway-two", "quayside-five", "lantern-twelve", "harbour-twenty")
"""Triodes with and without a rectifier's load line, direct coupling, a pentode output stage, a push-pull with
feedback."""

APART = """
chassis: A node that no signal reaches
mains: {volts: 230, hertz: 50}
tubes: {V1: 6C4}
rails: {HT1: {volts: 250, source: 200}}
parts:
  R1: 470k   V1.6   gnd
  R2: 1k     V1.7   gnd
  R3: 47k    HT1    V1.1
  C1: 100n   IN     V1.6
  R4: 10k    LAMP   gnd
  C2: 100n   LAMP   gnd
signal: {input: IN, output: V1.1, source_ohms: 600, stages: {only: [V1.6, V1.1]}}
"""


def wanted_of(model):
    """DC everywhere but at grids a meter pulls away; gain and phase of the stages, volts at the output."""
    points = {p.node: p.name for p in model.points.values() if p.node and p.node != "gnd" and not p.delicate}
    wanted = [Measurand(point=name, quantity="dc_v") for name in points.values()]
    stages = dict.fromkeys(f"{s.source}>{s.target}" for s in model.stages.values())
    for freq in (20.0, 1000.0):
        wanted += [Measurand(point=s, quantity=q, freq_hz=freq) for s in stages for q in ("gain", "phase_deg")]
    wanted += [Measurand(point=name, quantity="ripple_pp_v") for name in points.values()]
    output = model.chassis.signal.outputs[0]
    wanted += [Measurand(point=output, quantity=q, freq_hz=1000.0, drive_pp_v=0.1) for q in ("pp_v", "rms_v")]
    return wanted


@pytest.mark.parametrize("name", CHASSIS)
def test_slopes_are_what_differences_show(name):
    model = ChassisModel(load_chassis(name), meter=MeterLoad(resistance_ohm=10e6))
    wanted = wanted_of(model)
    values = model.draw(SAMPLES, np.random.default_rng(4))
    moves = {k: np.broadcast_to(v, (SAMPLES,)).copy() for k, v in values.items()}
    shown, slopes = slopes_of(model, values, moves, wanted, model.supplied(values))
    # A meter on a rail finds the slope of its load line here, and of the line that stands for it there.
    np.testing.assert_allclose(shown, model.predict(values, wanted), rtol=2e-6, atol=1e-9)
    quantities = np.array([m.quantity for m in wanted])
    # Of DC a thousandth of the reading, of phase a twentieth of a degree: what the meter's current does to the
    # slopes of the tubes is left out where it hardly matters. Of hum half a percent: its crest wanders.
    slack = np.where(quantities == "dc_v", 1.5e-3 * np.abs(shown) + 1e-3, 2e-3 * np.abs(shown) + 0.05)
    hum = quantities == "ripple_pp_v"
    slack[:, hum] = 5e-3 * np.abs(shown[:, hum]) + 1e-6
    slack[:, quantities == "gain"] = 2e-3 * np.abs(shown[:, quantities == "gain"]) + 1e-4
    keys = list(moves)
    for key in np.random.default_rng(5).choice(keys, KEYS, replace=False):
        up, down = ({**values, key: values[key] * (1.0 + side * HALF)} for side in (1.0, -1.0))
        rise = (model.predict(up, wanted) - model.predict(down, wanted)) / (2.0 * HALF)
        found = slopes[:, :, keys.index(key)]
        assert (np.abs(found - rise) <= 0.02 * np.abs(rise) + slack).all(), key


def test_a_readings_slopes_by_resistances_follow_from_the_currents_through_them():
    """Tellegen's theorem for a linear divider: d v / d R = -(adjoint current) (current), here in closed form
    (S. Director, R. Rohrer, IEEE Trans. Circuit Theory 16 (1969) 318; from memory)."""
    model = ChassisModel(load_chassis("bench-6c4"))
    supplied = model.supplied({})
    network = model.circuit.dense
    volts = np.stack([np.broadcast_to(supplied.rest.volts[n], (1,)) for n in network.order])
    rest = RestSlopes(model.circuit, supplied.table, volts, {"R1": np.ones(1)})
    branch = next(b for b in network.branches if b.part == "R1" and "R1" in network.keys(b, supplied.table))
    ends = [(sign, int(network.places([n])[0])) for sign, n in ((1.0, branch.a), (-1.0, branch.b)) if n >= 0]
    across = sum(sign * volts[place, 0] for sign, place in ends)
    ohm = float(supplied.table["R1"][0])
    for place in range(len(network.order)):
        adjoint = sum(sign * rest.inverse[0, place, end] for sign, end in ends)
        expected = (adjoint / ohm) * (across / ohm)
        assert rest.slopes[0, place, 0] == pytest.approx(expected, rel=1e-3, abs=1e-9)


def test_no_slopes_where_nothing_rests_and_none_for_distortion():
    model = ChassisModel(load_chassis("bench-6c4"))
    values = {"R1": np.array([model.parameters["R1"].nominal, 1e5])}
    supplied = model.supplied(values)
    supplied.rest.culprit[1] = 0
    output = model.chassis.signal.outputs[0]
    wanted = [
        Measurand(point="HT", quantity="dc_v"),
        Measurand(point=output, quantity="thd_pct", freq_hz=1000.0, drive_pp_v=1.0),
    ]
    shown, slopes = slopes_of(model, values, {"R1": np.ones(2)}, wanted, supplied)
    assert np.isfinite(slopes[0, 0]).all()
    assert np.isnan(slopes[1]).all()
    assert np.isnan(shown[1]).all()
    assert np.isnan(slopes[:, 1]).all()


def test_a_signal_at_ground_stays_there():
    model = ChassisModel(load_chassis("bench-6c4"))
    wanted = [Measurand(point="gnd", quantity="pp_v", freq_hz=1000.0, drive_pp_v=1.0)]
    shown, slopes = slopes_of(model, {}, {"R1": np.ones(1)}, wanted, model.supplied({}))
    assert shown.tolist() == [[0.0]]
    assert slopes.tolist() == [[[0.0]]]


@pytest.mark.filterwarnings("error")
def test_a_gain_between_two_points_of_one_node_is_one():
    """Readings may name two pins that are joined: the slopes told a gain of 0 where the prediction has 1."""
    model = ChassisModel(load_chassis("gangway-two"))
    names = model.chassis.node_names
    one, other = next((a, b) for a in names for b in names if a != b and names[a] == names[b] != "gnd")
    wanted = [Measurand(point=f"{one}>{other}", quantity=q, freq_hz=1000.0) for q in ("gain", "phase_deg")]
    shown, slopes = slopes_of(model, {}, {"R1": np.array([1e3])}, wanted, model.supplied({}))
    np.testing.assert_allclose(shown, [[1.0, 0.0]])
    np.testing.assert_allclose(shown, model.predict({}, wanted), atol=1e-9)
    assert not slopes.any()


def test_a_signal_that_has_vanished_has_no_slopes(tmp_path):
    """As behind a tube that a missing supply has cut off: the logarithm of nothing has no slope."""
    file = tmp_path / "apart.yaml"
    file.write_text(APART)
    model = ChassisModel(load_chassis(str(file)))
    wanted = [Measurand(point="LAMP", quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.1)]
    wanted += [Measurand(point="V1.6>LAMP", quantity=q, freq_hz=1000.0) for q in ("gain", "phase_deg")]
    moves = {key: np.array([model.parameters[key].nominal]) for key in ("R1", "R4", "C2")}
    shown, slopes = slopes_of(model, {}, moves, wanted, model.supplied({}))
    assert shown[0, :2].tolist() == [0.0, 0.0]
    assert not slopes.any()


def test_slopes_for_a_small_signal_leave_the_rest_alone_and_scale_the_tube():
    """An unbypassed cathode resistor: 1/A = (1 + (mu + 1) Rk/RL + rp/RL) / mu (any textbook). rp goes as
    1/slope and mu stays, so 1/A is a straight line over 1/slope, which ends where a tube of rp = 0 would be."""
    model = ChassisModel(load_chassis("bench-6c4"))
    times = np.array([1.0, 2.0, 4.0])
    values = {"V1.slope": times}
    wanted = [
        Measurand(point="V1.5", quantity="dc_v"),
        Measurand(point="V1.6>V1.5", quantity="gain", freq_hz=1000.0),
    ]
    shown, slopes = slopes_of(model, values, {"V1.slope": times}, wanted, model.supplied(values))
    np.testing.assert_allclose(shown, model.predict(values, wanted), rtol=2e-6)
    assert np.ptp(shown[:, 0]) == 0.0  # direct voltages do not know it
    assert not slopes[:, 0].any()
    line = np.polyfit(1.0 / times[:2], 1.0 / shown[:2, 1], 1)
    assert 1.0 / shown[2, 1] == pytest.approx(np.polyval(line, 0.25), rel=1e-3)
    (tube,) = model.supplied({}).rest.slopes
    (by_plate, by_grid) = (float(np.ravel(slope)[0]) for slope in tube[0])
    mu, load = by_grid / by_plate, 1.0 / (1.0 / 100e3 + 1.0 / 470e3 + 1.0 / 10e6)
    assert line[1] == pytest.approx((1.0 + (mu + 1.0) * 1.5e3 / load) / mu, rel=0.01)
    assert line[0] == pytest.approx(1.0 / by_plate / load / mu, rel=0.01)
    # d(1/A)/d ln(slope) = -line[0]/slope, so that the slope of the gain follows from the same line.
    np.testing.assert_allclose(slopes[:, 1, 0], shown[:, 1] ** 2 * line[0] / times, rtol=0.01)


@pytest.mark.parametrize(
    ("point", "quantity", "value"),
    [
        ("gnd>V1.5", "gain", np.nan), ("gnd>V1.5", "phase_deg", np.nan), ("gnd>gnd", "gain", np.nan),
        ("V1.5>gnd", "gain", 0.0), ("V1.5>gnd", "phase_deg", np.nan),
        ("V1.5>V1.5", "gain", 1.0), ("V1.5>V1.5", "phase_deg", 0.0),
    ],
)  # fmt: skip
def test_a_ratio_to_ground_means_nothing_and_is_no_infinity(point, quantity, value):
    """Volts over no volts, and the angle of nothing, are no numbers (arithmetic)."""
    model = ChassisModel(load_chassis("bench-6c4"))
    wanted = [Measurand(point=point, quantity=quantity, freq_hz=f) for f in (100.0, 1000.0)]
    shown, slopes = slopes_of(model, model.nominal(), {"R1": np.ones(1)}, wanted, model.supplied({}))
    for found in (shown[0], model.predict({}, wanted)[0]):
        np.testing.assert_array_equal(found, [value, value])
    assert not slopes.any()


def test_there_is_no_signal_at_ground_at_any_frequency():
    model = ChassisModel(load_chassis("bench-6c4"))
    both = [
        Measurand(point=point, quantity="pp_v", freq_hz=f, drive_pp_v=0.1)
        for f in (100.0, 1e3)
        for point in ("gnd", "V1.5")
    ]
    shown = model.predict({}, both)[0]
    assert (shown[::2] == 0.0).all()
    assert (shown[1::2] > 0.0).all()
