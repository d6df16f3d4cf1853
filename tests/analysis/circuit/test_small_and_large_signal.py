"""Response, harmonic balance and rectifier: against each other and against plain integration in time."""

import numpy as np
import pytest

from analysis.chassis import ChassisModel, ProbeLoad, load_chassis, parse_chassis
from analysis.chassis.driving import distortions, onset, waveforms
from analysis.circuit.ac import SmallSignal
from analysis.circuit.large_signal import distortion_ratio, harmonics_v
from analysis.circuit.rectifier import Rectifier, charge

UNPROBED = ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0)


@pytest.fixture(scope="module")
def stage():
    return ChassisModel(load_chassis("bench-6c4"), probe=UNPROBED)


@pytest.fixture(scope="module")
def amplifier():
    return ChassisModel(load_chassis("harbour-twenty"), probe=UNPROBED)


def test_slow_response_is_the_slope_of_the_rest(stage):
    """At a frequency near zero a current into a node moves it as a small change at DC does."""
    supplied = stage.supplied({})
    node = stage.node("V1.5")
    small = SmallSignal(stage.circuit, supplied.table, supplied.rest.slopes, np.array([1e-4]))
    ohm = small.impedances([node])[node][node][0, 0]
    moved = stage.operating_point({"HT.emf": stage.nominal()["HT.emf"] + np.array([-1.0, 1.0])})
    by_emf = (moved.node_v("V1.5")[1] - moved.node_v("V1.5")[0]) / 2.0
    # One volt of EMF sends 1/(R2 + source) through the plate resistor: Thevenin seen from the plate.
    assert by_emf == pytest.approx(ohm.real / 100_100.0, rel=1e-3)


def test_impedances_are_reciprocal_without_tubes(stage):
    supplied = stage.supplied({"V1.strength": 0.0})
    small = SmallSignal(stage.circuit, supplied.table, supplied.rest.slopes, np.array([30.0, 3000.0]))
    a, b = stage.node("V1.6"), stage.node("OUT")
    z = small.impedances([a, b])
    assert z[a][b] == pytest.approx(z[b][a])


@pytest.mark.parametrize(
    ("name", "point"), [("bench-6c4", "OUT"), ("harbour-twenty", "SPK"), ("lampkeeper-mic", "LINE")]
)
def test_small_drive_gives_the_small_signal_response(name, point):
    model = ChassisModel(load_chassis(name), probe=UNPROBED)
    wave = waveforms(model, {}, [point, "IN"], 1e-6)[0]
    ratio = np.fft.rfft(wave[0])[1] / np.fft.rfft(wave[1])[1]
    assert ratio == pytest.approx(model.response({}, "IN", point, np.array([1000.0]))[0, 0], rel=1e-4)


def test_waves_balance_in_time(stage):
    """The plate current through the plate resistor is what the tube draws plus what the capacitors take."""
    waves = waveforms(stage, {}, ["HT", "V1.5", "V1.7", "V1.6", "OUT"], 20.0)[0]
    ht, plate, cathode, grid, out = waves
    assert np.ptp(grid - cathode) > 5.0
    through = (ht - plate) / 100e3
    period = np.fft.rfftfreq(plate.size, 1.0 / plate.size) * 1000.0

    def slope(wave):
        return np.fft.irfft(2j * np.pi * period * np.fft.rfft(wave), wave.size)

    c = stage.chassis.sockets["V1"].sections[0].capacitances
    coupling = 100e-9 * slope(plate - out)
    strays = c.grid_plate_farad * slope(plate - grid) + c.output_farad * slope(plate - cathode)
    law = stage.circuit.tubes[0].specimen({k: v for k, v in stage.supplied({}).table.items()})
    (drawn, _), _ = stage.circuit.tubes[0].currents(law, (plate - cathode, grid - cathode))
    assert through - coupling - strays == pytest.approx(drawn, abs=2e-3 * drawn.max())


def test_distortion_grows_with_drive_and_a_batch_is_its_samples(amplifier):
    clean, more = (distortions(amplifier, {}, ["SPK"], [drive])[0, 0, 0] for drive in (0.001, 0.004))
    assert 0.0 < clean < more < 0.05
    values = amplifier.draw(5, np.random.default_rng(1))
    whole = distortions(amplifier, values, ["SPK"], [0.004])[0, :, 0]
    alone = [
        distortions(amplifier, {k: v[i] for k, v in values.items()}, ["SPK"], [0.004])[0, 0, 0] for i in range(5)
    ]
    assert whole == pytest.approx(alone, rel=1e-3)


def test_a_plate_resistor_far_too_high_shows_in_the_distortion(stage):
    """Small-signal gain hides it; clipping does not."""
    ohm = np.array([100e3, 1e6])
    gain = [abs(stage.response({"R2": r}, "V1.6", "OUT", np.array([1000.0]))[0, 0]) for r in ohm]
    assert gain[1] > 0.8 * gain[0]
    clean, bent = distortions(stage, {"R2": ohm}, ["OUT"], [0.5])[0, :, 0]
    assert clean < 0.02 < 0.05 < bent


def test_harmonics_of_a_known_wave():
    angle = 2.0 * np.pi * np.arange(64) / 64
    wave = 3.0 + 2.0 * np.cos(angle) + 0.06 * np.sin(2.0 * angle) + 0.08 * np.cos(3.0 * angle)
    assert harmonics_v(wave)[:4] == pytest.approx([3.0, 2.0, 0.06, 0.08])
    assert distortion_ratio(wave) == pytest.approx(0.05)


@pytest.mark.parametrize("full_wave", [True, False])
@pytest.mark.parametrize("farad", [40e-6, 1e-6, 1e-9])
def test_rectifier_against_plain_steps_in_time(full_wave, farad):
    rectifier = Rectifier(key="HT", node=0, reservoirs=("C",), full_wave=full_wave, mains_hz=60.0)
    table = {"HT.emf": np.full(1, 389.0), "HT.source": np.full(1, 200.0), "mains": np.ones(1),
             "C": np.full(1, farad), "C.esr": np.zeros(1)}  # fmt: skip
    load = 2.7e-4
    volts = 300.0
    for _ in range(4):
        # The load is a plain resistor: its current follows the mean.
        found = charge(rectifier, table, np.full(1, load * volts), np.full(1, volts))
        volts = float(found.mean_v[0])
    steps = 4000
    dt = 1.0 / rectifier.ripple_hz / steps
    angle = (np.arange(steps) + 0.5) * ((np.pi if full_wave else 2.0 * np.pi) / steps)
    emf = 389.0 * np.maximum(np.sin(angle), 0.0)
    volts, mean = 300.0, 0.0
    for _ in range(40 if farad > 1e-6 else 3):
        wave = np.empty(steps)
        for i, e in enumerate(emf):
            # Implicit, so that a vanishing reservoir does no harm.
            on = e > volts
            g = 1.0 / 200.0 if on else 0.0
            volts = (volts + dt / farad * g * e) / (1.0 + dt / farad * (g + load))
            wave[i] = volts
        mean = wave.mean()
    assert found.mean_v[0] == pytest.approx(mean, rel=5e-3)
    assert found.current_a.mean() == pytest.approx(load * mean, rel=0.02)


@pytest.mark.parametrize("full_wave", [True, False])
def test_a_period_written_down_is_the_period_walked(full_wave, monkeypatch):
    """Few samples are written down, many walked step by step, whatever reservoir, source and load."""
    count, rng = 400, np.random.default_rng(8)
    rectifier = Rectifier(key="HT", node=0, reservoirs=("C",), full_wave=full_wave, mains_hz=50.0)
    table = {"HT.emf": np.full(count, 400.0), "mains": np.ones(1),
             "HT.source": 10.0 ** rng.uniform(0.0, 5.0, count), "C": 10.0 ** rng.uniform(-12.0, -3.0, count),
             "C.esr": 10.0 ** rng.uniform(-2.0, 3.0, count)}  # fmt: skip
    load_a, rail_v = 10.0 ** rng.uniform(-6.0, 0.0, count), 400.0 * rng.uniform(0.01, 0.99, count)
    walked = charge(rectifier, table, load_a, rail_v)
    monkeypatch.setattr("analysis.circuit.rectifier.FEW", count)
    written = charge(rectifier, table, load_a, rail_v)
    np.testing.assert_allclose(written.mean_v, walked.mean_v, atol=1e-5)
    np.testing.assert_allclose(written.current_a, walked.current_a, atol=1e-9, rtol=1e-5)


def test_rail_of_a_missing_reservoir_falls_to_the_mean_of_the_wave():
    text = """
chassis: rectifier
tubes: {V1: 6C4}
rails: {HT: {volts: 300, source: 100, rectified: full-wave}}
parts:
  C1: 47u HT gnd
  R1: 6k HT gnd
"""
    model = ChassisModel(parse_chassis(text))
    rest = model.operating_point({"C1": np.array([47e-6, 1e-9])})
    peak = model.nominal()["HT.emf"][0]
    assert rest.node_v("HT")[0] == pytest.approx(300.0, abs=0.1)
    assert rest.node_v("HT")[1] == pytest.approx(2.0 / np.pi * peak * 6000.0 / 6100.0, rel=0.01)


def test_the_onset_is_where_the_distortion_says(tmp_path):
    from analysis.chassis import ChassisModel, load_chassis

    model = ChassisModel(load_chassis("bench-6c4"))
    found = onset(model, "V1.6", "V1.5", thd_ratio=0.03, fall_db=20.0, most_pp_v=50.0)
    assert found.reached
    # Solved again at once, without the way along the drives, and with more instants.
    assert float(distortions(model, {}, ["V1.5"], [found.drive_pp_v])[0, 0, 0]) == pytest.approx(0.03, rel=0.02)
    short = onset(model, "V1.6", "V1.5", thd_ratio=0.03, fall_db=20.0, most_pp_v=1.0)
    assert not short.reached
    assert short.drive_pp_v == 1.0


def test_a_state_that_is_not_balanced_is_not_called_solved():
    from analysis.chassis import ChassisModel, load_chassis

    # The stages behind are overdriven a hundred times: a plate swing of 1.4 V, the whole answer where the solver
    # stagnated, is none; small-signal gain gives about 28 V.
    wave = waveforms(ChassisModel(load_chassis("quayside-five")), {}, ["V1.1"], 0.5)[0, 0]
    assert np.isnan(wave).all() or np.ptp(wave) > 20.0
