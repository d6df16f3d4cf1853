"""Hum lines: mains frequency fitted, f told from 2f, and nothing found where nothing is."""

from dataclasses import replace

import numpy as np
import pytest

from acquisition.errors import FitFailed
from acquisition.quantities import format_value
from acquisition.records import Capture
from analysis.app.signal.show_hum import hum_text
from analysis.gain import ChannelAccuracy
from analysis.spectrum import Line, amplitude_spectrum, hum_of


def record(
    lines, *, mains_hz=50.0, span_s=0.5, count=10_000, noise_v=0.002, full_scale_v=None, seed=1, clip_v=None
):
    """8-bit record of lines {order: (peak_v, phase_rad)}."""
    rng = np.random.default_rng(seed)
    t = span_s / count * np.arange(count) - 0.1
    volts = sum(peak * np.cos(2 * np.pi * order * mains_hz * t + phase) for order, (peak, phase) in lines.items())
    volts = volts + noise_v * rng.normal(size=count) + 0.01
    full_scale_v = full_scale_v or 1.4 * np.ptp(volts)
    step = full_scale_v / 256
    codes = np.clip(np.round(volts / step), -128, 127).astype(np.int8)
    return Capture(
        point="HT1",
        codes=codes,
        scale_v=step,
        offset_v=0.0,
        t0_s=-0.1,
        dt_s=span_s / count,
        full_scale_v=full_scale_v,
        coupling="dc",
    )


SUPPLY = {2: (1.0, 0.3), 4: (0.2, 1.0), 6: (0.08, 2.0)}


@pytest.mark.parametrize("mains_hz", [49.2, 49.97, 50.0, 50.05, 50.9])
def test_the_mains_frequency_is_fitted_from_whatever_lines_there_are(mains_hz):
    for lines in (SUPPLY, {1: (0.5, 0.1)}, {1: (0.3, 0.0), 3: (0.2, 1.0)}):
        hum = hum_of(record(lines, mains_hz=mains_hz), 50.0)
        assert hum.mains_hz == pytest.approx(mains_hz, abs=5 * hum.mains_std_hz)
        assert 0 < hum.mains_std_hz < 0.02
        for order, (peak, _) in lines.items():
            assert hum.lines[order - 1].peak_v == pytest.approx(peak, abs=0.003)


def test_sixty_hertz():
    hum = hum_of(record(SUPPLY, mains_hz=60.02), 60.0)
    assert hum.mains_hz == pytest.approx(60.02, abs=0.005)
    assert hum.strongest.freq_hz == pytest.approx(120.04, abs=0.01)


def test_supply_ripple_and_heater_hum_are_told_apart():
    assert hum_of(record(SUPPLY), 50.0).kind == "twice mains"
    assert hum_of(record({1: (0.05, 0.0), 3: (0.01, 0.0)}), 50.0).kind == "mains line"
    both = hum_of(record({1: (0.5, 0.0), 2: (0.4, 1.0)}), 50.0)
    assert both.kind == "both"
    assert "heaters" in both.meaning
    assert "filter" in hum_of(record(SUPPLY), 50.0).meaning


def test_one_missing_half_of_a_rectifier_shows_the_mains_line():
    # Half-wave rectification has all multiples, the mains frequency strongest.
    hum = hum_of(record({1: (1.0, 0.0), 2: (0.42, 0.0), 4: (0.08, 0.0)}), 50.0)
    assert hum.kind == "mains line"
    assert "rectifier" in hum.meaning


def test_noise_alone_is_no_hum():
    kinds = [hum_of(record({}, noise_v=0.01, seed=seed), 50.0).kind for seed in range(12)]
    assert kinds.count("none") == 12
    quiet = hum_of(record({}, noise_v=0.01, seed=0), 50.0)
    assert quiet.mains_hz == 50.0
    assert quiet.mains_std_hz == 0.0
    assert quiet.hum_pp_v == 0.0
    # Four standard uncertainties of an amplitude, each s sqrt(2 / N) (Rife and Boorstyn 1974), and more where the
    # noise beside a multiple happens to be stronger.
    assert 0.98 < quiet.least_v / (4 * 0.01 * np.sqrt(2 / 10_000)) < 2.0


def test_no_line_is_told_of_where_none_above_the_size_told_would_have_been_missed():
    """A line of three standard uncertainties is called none; that none was above one and a half was false."""
    hum = hum_of(record({1: (3 * 0.01 * np.sqrt(2 / 10_000), 0.5)}, noise_v=0.01, seed=5), 50.0)
    assert hum.kind == "none"
    assert hum.strongest.peak_v < hum.least_v
    size = format_value(hum.least_v, "V", 2)
    head, *_, limit, _ = hum_text(hum)
    assert f"no line above {size}" in head
    assert limit == f"lines below {size} cannot be told from the noise"


def test_the_uncertainty_of_no_hum_holds_what_the_noise_hides():
    rng, std_v = np.random.default_rng(0), 0.01 * np.sqrt(2 / 10_000)
    inside = []
    for seed in range(20):
        peak = rng.uniform(0.0, 4.0) * std_v
        hum = hum_of(record({1: (peak, 0.5)}, noise_v=0.01, seed=seed), 50.0)
        if hum.kind == "none":
            inside.append(2 * peak < 1.96 * hum.hum_pp_std_v)
    assert len(inside) > 15
    assert np.mean(inside) > 0.85  # 0.95 less two standard errors


def test_a_weak_line_far_below_one_record_step_is_found():
    hum = hum_of(record({1: (0.002, 0.5)}, noise_v=0.01), 50.0)
    assert hum.lines[0].clear
    assert hum.lines[0].peak_v == pytest.approx(0.002, abs=0.0006)


def test_reading_is_the_peak_to_peak_of_the_lines():
    lines = {2: (1.0, 0.3), 4: (0.2, 1.0)}
    hum = hum_of(record(lines), 50.0)
    reading = hum.reading(taken_utc="2026-01-01T00:00:00.000Z", instrument="scope", range_v=4.0)
    assert reading.quantity == "ripple_pp_v"
    t = np.linspace(0, 0.02, 4000)
    exact = np.ptp(sum(p * np.cos(2 * np.pi * n * 50 * t + a) for n, (p, a) in lines.items()))
    assert reading.value == pytest.approx(exact, rel=0.005)
    assert reading.std == pytest.approx(exact * np.hypot(0.03, 0.01) / np.sqrt(3), rel=0.05)
    assert reading.freq_hz == pytest.approx(100.0, abs=0.1)
    assert hum.whole_pp_v > 0.99 * reading.value
    assert hum_of(record({}, noise_v=0.01), 50.0).reading(taken_utc="", instrument="").freq_hz is None


def test_a_record_too_short_for_the_mains_is_refused():
    with pytest.raises(FitFailed, match="five periods"):
        hum_of(record(SUPPLY, span_s=0.05), 50.0)


def test_spectrum_of_a_line():
    freq, peak, floor = amplitude_spectrum(record({2: (1.0, 0.0)}, span_s=0.5))
    assert freq[np.argmax(peak)] == pytest.approx(100.0)
    assert peak.max() == pytest.approx(1.0, rel=0.01)
    assert floor < 0.001


def coarse(peak_v, offset_v, noise_steps, seed, step_v=0.01, count=2500):
    """8-bit record of a 100 Hz line of a step or so."""
    t = 2e-4 * np.arange(count)
    noise_v = noise_steps * step_v * np.random.default_rng(seed).normal(size=count)
    volts = peak_v * np.cos(2 * np.pi * 100.0 * t + 0.3) + offset_v + noise_v
    codes = np.round(volts / step_v).astype(np.int8)
    return Capture(
        point="HT3", codes=codes, scale_v=step_v, offset_v=0.0, t0_s=0.0, dt_s=2e-4, full_scale_v=256 * step_v
    )


@pytest.mark.parametrize("noise_steps", [0.02, 0.05, 0.15, 0.25, 0.35, 0.5])
@pytest.mark.parametrize("peaks_v", [(0.0, 0.005), (0.002, 0.012)])
def test_the_uncertainty_holds_what_the_steps_of_the_converter_hide(noise_steps, peaks_v):
    rng = np.random.default_rng(7)
    inside, stds = [], []
    for seed in range(60):
        peak = rng.uniform(*peaks_v)
        hum = hum_of(coarse(peak, rng.uniform(-0.005, 0.005), noise_steps, seed), 50.0)
        inside.append(abs(hum.hum_pp_v - 2 * peak) < 1.96 * hum.hum_pp_std_v)
        stds.append(hum.hum_pp_std_v)
    print(f"{noise_steps} steps of noise: inside {np.mean(inside):.2f}, mean std {np.mean(stds) / 0.01:.3f} steps")
    assert np.mean(inside) >= 0.89  # 0.95 less two standard errors of sixty
    assert np.mean(stds) < (0.06 if noise_steps == 0.5 else 0.5) * 0.01


def test_a_flat_record_of_a_converter_without_noise_may_hide_a_line_of_half_a_step():
    hum = hum_of(coarse(0.004, 0.0, 0.05, 1), 50.0)
    assert (hum.kind, hum.hum_pp_v) == ("none", 0.0)
    assert 2 * 0.004 < 2 * hum.hum_pp_std_v < 0.01
    assert hum.least_v >= 0.004  # "no line above" must not be less than the line that is there


@pytest.mark.parametrize("mains_hz", [57.8, 60.05, 60.1, 60.24, 62.2])
def test_a_slow_record_of_a_mains_above_the_nominal_one(mains_hz):
    # 1200 samples/s: ten multiples of 60 Hz are more than it carries, and of 60.1 Hz one less than of 60 Hz.
    hum = hum_of(record({1: (0.2, 0.0), 2: (1.0, 0.0)}, mains_hz=mains_hz, count=600, noise_v=0.02), 60.0)
    assert hum.mains_hz == pytest.approx(mains_hz, abs=0.05)
    assert hum.lines[1].peak_v == pytest.approx(1.0, abs=0.02)


def test_effective_value_of_a_line():
    assert Line(order=1, freq_hz=50.0, peak_v=1.0, std_v=0.0, clear=True).rms_v == pytest.approx(0.70711, abs=1e-5)


def test_each_kind_of_hum_points_to_its_own_causes():
    heater = hum_of(record({1: (0.05, 0.0)}), 50.0).meaning
    assert "heater to cathode" in heater
    assert "filter capacitors" not in heater
    supply = hum_of(record(SUPPLY), 50.0).meaning
    assert "filter capacitors" in supply
    assert "heater" not in supply


@pytest.mark.parametrize("charging", [0.15, 0.5])
def test_the_kinks_of_a_charging_supply_are_in_the_uncertainty(charging):
    """A triangle has lines beyond the tenth multiple: the height of those fitted is 5 to 7 % short of it."""
    t = 0.5 / 5000 * np.arange(5000)
    for place in (0.1, 0.37, 0.81):
        x = (100.0 * t + place) % 1.0
        wave = np.where(x < charging, x / charging, (1 - x) / (1 - charging)) - 0.5
        codes = np.round(150 * wave + 0.4 * np.random.default_rng(3).normal(size=t.size)).astype(np.int8)
        hum = hum_of(
            Capture(point="HT1", codes=codes, scale_v=1 / 150, offset_v=0.0, t0_s=0.0, dt_s=1e-4, full_scale_v=1.7),
            50.0,
            ChannelAccuracy(vertical=0.001, probe=0.0),
        )
        assert abs(hum.hum_pp_v - 1.0) < 1.96 * hum.hum_pp_std_v
        assert hum.hum_pp_std_v < 0.08


@pytest.mark.parametrize("probe_factor", [1.0, 10.0])
def test_what_ac_coupling_takes_from_hum_is_put_back(probe_factor):
    """A high-pass of 10 Hz, 1 Hz behind a 10:1 probe, takes 1 / sqrt(1 + (fc / f)^2) and turns the phase."""
    lines = {1: (0.5, 0.3), 3: (0.3, 1.1)}
    through = {}
    for order, (peak_v, phase_rad) in lines.items():
        left = 1.0 / (1.0 - 10j / probe_factor / (50.0 * order))
        through[order] = (peak_v * abs(left), phase_rad + np.angle(left))
    limits = ChannelAccuracy(vertical=0.001, probe=0.0)
    seen = replace(record(through), coupling="ac", probe_factor=probe_factor)
    put_back, direct = hum_of(seen, 50.0, limits), hum_of(record(lines), 50.0, limits)
    assert put_back.hum_pp_v == pytest.approx(direct.hum_pp_v, rel=1e-3)
    assert put_back.lines[0].peak_v == pytest.approx(0.5, rel=2e-3)
    # Its own corner may be off by 20 %, rectangular: of one line, (fc / f)^2 / (1 + (fc / f)^2) of that.
    alone = hum_of(replace(record({1: (0.5, 0.0)}), coupling="ac", probe_factor=probe_factor), 50.0, limits)
    x = (10.0 / probe_factor / 50.0) ** 2
    scale = np.hypot(0.001, 0.2 * x / (1.0 + x)) / np.sqrt(3.0)
    assert alone.hum_pp_std_v / alone.hum_pp_v == pytest.approx(scale, rel=0.2)


def test_the_probe_is_in_the_uncertainty_of_hum():
    """Limits of 3 % of the scope and 4 % of the probe, rectangular (JCGM 100, 4.3.7): 5 % / sqrt(3) together."""
    hum = hum_of(record({1: (0.5, 0.1)}), 50.0, ChannelAccuracy(vertical=0.03, probe=0.04))
    assert hum.hum_pp_std_v / hum.hum_pp_v == pytest.approx(0.05 / np.sqrt(3.0), rel=0.02)
