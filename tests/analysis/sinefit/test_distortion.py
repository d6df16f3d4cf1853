"""Harmonics, distortion and its floor."""

import numpy as np
import pytest

from acquisition.errors import FitFailed
from analysis.sinefit import distortion, fit_sine


def test_table_of_a_known_wave():
    t = np.arange(1234) * 1e-5
    turn = 2 * np.pi * 1e3 * t
    fit = fit_sine(2 * np.cos(turn + 0.4) + 0.1 * np.cos(2 * turn + 0.8 - np.pi / 2), 1e-5, 1e3, harmonics=4)
    table = distortion(fit)
    assert [h.order for h in table.harmonics] == [1, 2, 3, 4]
    assert table.harmonics[1].freq_hz == 2000.0
    assert table.harmonics[1].ratio == pytest.approx(0.05, abs=1e-12)
    # Against the fundamental, so the same wherever the record begins.
    assert table.harmonics[1].phase_rad == pytest.approx(-np.pi / 2, abs=1e-9)
    assert table.harmonics[0].phase_rad == pytest.approx(0.0, abs=1e-12)
    assert table.thd_ratio == pytest.approx(0.05, abs=1e-12)


def test_noise_is_not_called_distortion():
    t = np.arange(2000) * 1e-5
    rng = np.random.default_rng(11)
    found = []
    for _ in range(300):
        volts = np.cos(2 * np.pi * 1e3 * t) + 0.05 * rng.normal(size=t.size)
        found.append(distortion(fit_sine(volts, 1e-5, 1e3, harmonics=5)))
    floor = found[0].floor_ratio
    # Four harmonics, 4 s^2 / N each: sqrt(16 / 2000) * 0.05.
    assert floor == pytest.approx(0.05 * np.sqrt(16 / 2000), rel=0.05)
    assert np.median([d.thd_ratio for d in found]) < 0.5 * floor
    assert max(d.thd_ratio for d in found) < 2.5 * floor
    assert all(d.thd_std > 0 for d in found)


def test_known_distortion_is_found_within_its_uncertainty():
    t = np.arange(2000) * 1e-5
    rng = np.random.default_rng(12)
    turn = 2 * np.pi * 1e3 * t
    clean = np.cos(turn) + 0.03 * np.cos(2 * turn + 1) + 0.01 * np.cos(3 * turn)
    errors = []
    for _ in range(400):
        d = distortion(fit_sine(clean + 0.05 * rng.normal(size=t.size), 1e-5, 1e3, harmonics=5))
        errors.append((d.thd_ratio - np.hypot(0.03, 0.01)) / d.thd_std)
    assert abs(np.mean(errors)) < 0.15
    assert 0.9 < np.std(errors) < 1.1


def test_no_fundamental_no_distortion():
    with pytest.raises(FitFailed):
        distortion(fit_sine(np.zeros(1000), 1e-5, 1e3, harmonics=3))


@pytest.mark.parametrize("steps", [4, 10, 40])
@pytest.mark.parametrize("thd", [0.0, 0.01, 0.05])
def test_converter_steps_are_not_called_distortion(steps, thd):
    """A sine of few steps of a quiet converter, anywhere between two codes: nine of ten answers within 95 %."""
    t = np.arange(4000) * 1.5e-6
    rng = np.random.default_rng(13)
    inside = 0
    for _ in range(60):
        turn = 2 * np.pi * 1e3 * t + rng.uniform(0, 2 * np.pi)
        wave = steps * (np.cos(turn) + 0.8 * thd * np.cos(2 * turn) + 0.6 * thd * np.sin(3 * turn))
        codes = np.round(wave + rng.uniform(-0.5, 0.5) + 0.05 * rng.normal(size=t.size))
        found = distortion(fit_sine(codes, 1.5e-6, 1e3, harmonics=9, quantum_v=1.0))
        inside += abs(found.thd_ratio - thd) < 1.96 * found.thd_std
    assert inside >= 0.9 * 60
