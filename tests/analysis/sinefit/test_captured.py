"""Records as a scope sends them: converter steps, clipping, sample rate."""

import numpy as np
import pytest

from acquisition.errors import FitFailed
from acquisition.records import Capture
from analysis.sinefit import clipped_samples, converter_step_v, fit_capture, most_harmonics


def record(volts, *, full_scale_v=8.0, bits=8, dt_s=1e-5, dtype=np.int8, justify=0, **more):
    step = full_scale_v / 2**bits
    codes = np.round(np.asarray(volts) / step)
    top, bottom = 2 ** (bits - 1) - 1, -(2 ** (bits - 1))
    clipped = bool(np.any(codes > top) or np.any(codes < bottom))
    codes = (np.clip(codes, bottom, top) * 2**justify).astype(dtype)
    return Capture(
        point="V1.1",
        codes=codes,
        scale_v=step / 2**justify,
        offset_v=0.0,
        t0_s=0.0,
        dt_s=dt_s,
        full_scale_v=full_scale_v,
        clipped=clipped,
        freq_hz=1000.0,
        **more,
    )


def sine(amplitude, count=2000, noise=0.02, seed=5):
    t = np.arange(count) * 1e-5
    return amplitude * np.cos(2 * np.pi * 1e3 * t + 0.3) + noise * np.random.default_rng(seed).normal(size=count)


def test_frequency_comes_with_the_record():
    fit = fit_capture(record(sine(3.0)))
    assert fit.freq_hz == 1000.0
    assert fit.phasors_v.size == 5
    assert fit.amplitude_v == pytest.approx(3.0, abs=4 * fit.amplitude_std_v)


@pytest.mark.parametrize("over", [1.05, 1.1, 1.25])
def test_clipped_samples_are_dropped_and_the_rest_still_right(over):
    capture = record(sine(4.0 * over))
    assert capture.clipped
    assert fit_capture(capture, harmonics=1).amplitude_v == pytest.approx(4.0 * over, rel=0.001)


def test_a_record_that_is_mostly_clipped_is_refused():
    with pytest.raises(FitFailed) as caught:
        fit_capture(record(sine(12.0)))
    assert caught.value.reason == "clipped"
    assert "larger scope range" in caught.value.hint


def test_touching_the_end_is_not_clipping():
    codes = np.array([0, 5, 127, 127, 5, 0, -128, 0], dtype=np.int8)
    assert not clipped_samples(codes).any()
    held = np.array([0, 127, 127, 127, 0, 127, 0, -128], dtype=np.int8)
    assert clipped_samples(held).tolist() == [False, True, True, True, False, True, False, False]


def test_few_bits_in_wide_codes_have_their_true_step():
    assert converter_step_v(record(sine(3.0), dtype=np.int16, justify=8)) == pytest.approx(8.0 / 256)
    assert converter_step_v(record(sine(3.0), bits=12, dtype=np.int16, justify=4)) == pytest.approx(8.0 / 4096)
    assert converter_step_v(record(sine(0.05, noise=0.0))) == pytest.approx(8.0 / 256)  # too few codes to tell


def test_harmonics_stop_where_the_samples_do():
    assert most_harmonics(1000.0, 1e-5, 5) == 5
    assert most_harmonics(10000.0, 1e-5, 5) == 4
    assert most_harmonics(40000.0, 1e-5, 5) == 1
    t = np.arange(2000) * 1e-5
    fit = fit_capture(record(3.0 * np.cos(2 * np.pi * 18e3 * t)), 18e3)
    assert fit.phasors_v.size == 2
