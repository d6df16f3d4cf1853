"""The sine fit on made-up records: exact cases, conditions, gaps."""

import math

import numpy as np
import pytest

from acquisition.errors import FitFailed
from analysis.sinefit import estimate_frequency, fit_sine


def wave(count=1000, dt_s=1e-5, freq_hz=1000.0, phasor=0.5 - 0.2j, offset=1.5, t0_s=-2e-3):
    t = t0_s + dt_s * np.arange(count)
    return offset + (phasor * np.exp(2j * np.pi * freq_hz * t)).real


def test_exact_recovery_for_any_record_length():
    for count in (100, 137, 253, 1031):
        fit = fit_sine(wave(count), 1e-5, 1000.0, t0_s=-2e-3)
        assert fit.phasor_at(0.0) == pytest.approx(0.5 - 0.2j, abs=1e-12)
        assert fit.offset_v == pytest.approx(1.5, abs=1e-12)
        assert fit.periods == pytest.approx(count / 100)
        assert fit.dof == count - 3


def test_lag_is_negative():
    t = np.arange(1000) * 1e-5
    late = fit_sine(np.cos(2 * np.pi * 1e3 * (t - 1e-4)), 1e-5, 1e3)  # a tenth of a period late
    assert math.degrees(np.angle(late.phasor_at(0.0))) == pytest.approx(-36.0)


def test_small_sine_on_a_plate_voltage_keeps_its_digits():
    volts = 300.0 + 1e-6 * wave(1000, offset=0.0)
    fit = fit_sine(volts, 1e-5, 1000.0, t0_s=-2e-3)
    # Limited by the rounding of 300 V in the samples themselves (3e-14 each), not by the solution.
    assert fit.phasor_at(0.0) == pytest.approx(1e-6 * (0.5 - 0.2j), abs=2e-14)
    assert fit.offset_v == pytest.approx(300.0, abs=1e-12)


def test_harmonics_in_the_same_fit_make_any_length_exact():
    t = np.arange(530) * 1e-5
    volts = (
        0.3 + np.cos(2 * np.pi * 1e3 * t) + 0.05 * np.sin(4 * np.pi * 1e3 * t) + 0.03 * np.cos(6 * np.pi * 1e3 * t)
    )
    plain = fit_sine(volts, 1e-5, 1e3)
    full = fit_sine(volts, 1e-5, 1e3, harmonics=5)
    assert abs(plain.amplitude_v - 1.0) > 1e-4
    assert full.amplitude_v == pytest.approx(1.0, abs=1e-12)
    assert full.residual_rms_v < 1e-12
    assert full.wave_v(t) == pytest.approx(volts, abs=1e-11)


def test_four_parameters_find_the_frequency():
    rng = np.random.default_rng(3)
    t = np.arange(5000) * 1e-5
    volts = 0.2 + 0.5 * np.cos(2 * np.pi * 1003.3 * t + 1.0) + 0.01 * rng.normal(size=t.size)
    for start in (1003.3, 1000.0, 994.0, 1012.0):  # up to half a line spacing (1/T = 20 Hz) off
        fit = fit_sine(volts, 1e-5, start, fit_frequency=True)
        assert abs(fit.freq_hz - 1003.3) < 4 * fit.freq_std_hz
        assert 0 < fit.freq_std_hz < 0.01
    found = fit_sine(volts, 1e-5, None)
    assert found.freq_hz == pytest.approx(fit.freq_hz, abs=1e-6)


def test_four_parameters_with_harmonics_use_them_too():
    t = np.arange(3000) * 1e-5
    volts = sum(0.4**k * np.cos(2 * np.pi * k * 777.7 * t + k) for k in range(1, 5))
    fit = fit_sine(volts, 1e-5, 780.0, harmonics=4, fit_frequency=True)
    assert fit.freq_hz == pytest.approx(777.7, abs=1e-7)
    assert np.abs(fit.phasors_v) == pytest.approx([0.4, 0.16, 0.064, 0.0256], abs=1e-9)


def test_a_start_far_off_is_refused_and_not_answered_with_a_side_lobe():
    t = np.arange(5000) * 1e-5
    volts = np.cos(2 * np.pi * 1000.0 * t)
    with pytest.raises(FitFailed) as caught:
        fit_sine(volts, 1e-5, 1090.0, fit_frequency=True)
    assert caught.value.reason == "frequency did not converge"


def test_drift_is_taken_out_when_asked():
    t = np.arange(210) * 1e-5
    volts = np.cos(2 * np.pi * 1e3 * t) + 50.0 * t
    assert abs(fit_sine(volts, 1e-5, 1e3).amplitude_v - 1) > 1e-3
    fit = fit_sine(volts, 1e-5, 1e3, drift=True)
    assert fit.amplitude_v == pytest.approx(1.0, abs=1e-12)
    assert fit.slope_v_per_s == pytest.approx(50.0, abs=1e-9)
    assert fit.wave_v(t) == pytest.approx(volts, abs=1e-11)


def test_gaps_and_clipped_samples_are_left_out():
    volts = wave(2000)
    volts[::17] = np.nan
    volts[5] = np.inf
    keep = np.ones(2000, dtype=bool)
    keep[100:200] = False
    volts[100:200] = 99.0
    fit = fit_sine(volts, 1e-5, 1000.0, t0_s=-2e-3, keep=keep)
    assert fit.phasor_at(0.0) == pytest.approx(0.5 - 0.2j, abs=1e-12)
    assert fit.dropped == 2000 - fit.samples > 200
    assert any("left out" in note for note in fit.notes)


def test_gaps_do_not_disturb_the_search_for_the_frequency():
    volts = wave(4000)
    volts[1000:1100] = np.nan
    assert fit_sine(volts, 1e-5, None).freq_hz == pytest.approx(1000.0, abs=1e-6)


@pytest.mark.parametrize(
    ("volts", "freq_hz", "reason", "more"),
    [
        (wave(4), 20000.0, "too few samples", {}),
        (wave(90), 1000.0, "too few periods", {}),
        (wave(1000), 11000.0, "too few samples a period", {"harmonics": 5}),
        (wave(1000), 0.0, "no frequency", {}),
        (wave(1000), math.nan, "no frequency", {}),
        (np.full(1000, math.nan), 1000.0, "too few samples", {}),
        (np.where(np.arange(1000) % 3, math.nan, 1.0), 1000.0, "too many samples left out", {}),
        (np.full(1000, 2.5), None, "no signal", {}),
        (np.full(7, 2.5), None, "too few samples", {}),
        (np.full(1000, 2.5), 1000.0, "no signal", {"fit_frequency": True}),
    ],
)
def test_conditions_are_checked(volts, freq_hz, reason, more):
    with pytest.raises(FitFailed) as caught:
        fit_sine(volts, 1e-5, freq_hz, **more)
    assert caught.value.reason == reason


def test_samples_that_cannot_tell_the_terms_apart_are_refused():
    # Four samples a period, two of them lost: offset, sine and cosine meet only two values.
    keep = np.tile([True, True, False, False], 250)
    with pytest.raises(FitFailed) as caught:
        fit_sine(wave(1000, freq_hz=25000.0), 1e-5, 25000.0, keep=keep)
    assert caught.value.reason == "samples do not determine the sine"


def test_misuse_is_a_mistake_of_the_program():
    with pytest.raises(ValueError, match="one row"):
        fit_sine(np.zeros((2, 2)), 1e-5, 1e3)
    with pytest.raises(ValueError, match="positive interval"):
        fit_sine(np.zeros(10), 0.0, 1e3)
    with pytest.raises(ValueError, match="fundamental"):
        fit_sine(np.zeros(10), 1e-5, 1e3, harmonics=0)


def test_few_periods_of_a_fitted_frequency_are_noted():
    rng = np.random.default_rng(0)
    fit = fit_sine(wave(250) + 1e-3 * rng.normal(size=250), 1e-5, 1000.0, fit_frequency=True)
    assert "frequency fitted over only 2.5 periods" in fit.notes


def test_a_small_signal_on_a_coarse_range_is_noted_and_uncertain():
    fit = fit_sine(np.round(wave(1000, phasor=2.0 + 0j)), 1e-5, 1000.0, quantum_v=1.0)
    assert any("converter steps" in note for note in fit.notes)
    assert fit.undithered_v > 0.0
    assert fit.noise_v >= 1 / math.sqrt(12)


def test_equal_samples_hold_no_wave():
    for level in (0.1, 153.713, -287.3, 1e-3 / 3):
        assert fit_sine(np.full(997, level), 1e-5, 1000.0, harmonics=5).amplitude_v == 0.0


def test_nothing_at_all_has_no_phase():
    fit = fit_sine(np.zeros(100), 1e-5, 1000.0, quantum_v=0.1)
    assert fit.amplitude_v == 0.0
    assert fit.phase_std_rad == pytest.approx(math.pi / math.sqrt(3))
    # A wave of up to half a step may stand between two steps and leave no trace.
    assert 0.5 * 0.05 < fit.amplitude_std_v < 0.05


def test_estimate_frequency_is_a_good_start():
    for freq in (500.0, 512.3, 998.7, 4321.0):
        volts = wave(2000, freq_hz=freq)
        assert abs(estimate_frequency(volts, 1e-5) - freq) < 0.1 / (2000 * 1e-5)


@pytest.mark.parametrize("disturbance", ["hum", "drift", "glitch"])
def test_what_spills_over_into_the_sine_is_in_its_uncertainty(disturbance):
    """Hum, drift and a short glitch beside a sine are not white: nine of ten records and more are within 95 %."""
    rng, inside = np.random.default_rng(71), 0
    t = np.arange(4000) * 1.5e-6
    for _ in range(150):
        true = 0.5 * np.exp(1j * rng.uniform(0, 2 * np.pi))
        wave = (true * np.exp(2j * np.pi * 1e3 * (t - t.mean()))).real + 0.002 * rng.normal(size=t.size)
        if disturbance == "hum":
            wave += 0.1 * np.cos(2 * np.pi * 50 * t + rng.uniform(0, 2 * np.pi))
        elif disturbance == "drift":
            wave += rng.choice([-1, 1]) * 20.0 * t
        else:
            wave[rng.integers(0, t.size - 8) :][:8] += 0.5
        fit = fit_sine(wave, 1.5e-6, 1e3, harmonics=5)
        inside += abs(fit.amplitude_v - 0.5) < 1.96 * fit.amplitude_std_v
    assert inside >= 0.9 * 150


def test_a_time_base_a_little_off_costs_no_certainty():
    rng = np.random.default_rng(72)
    t = np.arange(4000) * 5e-6  # 20 periods
    wave, noise = np.cos(2 * np.pi * 1000.05 * (t - t.mean())), 1e-4 * rng.normal(size=t.size)
    fit = fit_sine(wave + noise, 5e-6, 1e3, harmonics=5)
    assert fit.amplitude_std_v < 1.5 * fit.residual_rms_v * np.sqrt(2 / t.size)
