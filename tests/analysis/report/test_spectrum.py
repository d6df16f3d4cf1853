"""The spectrum: known lines at their level, whatever their frequency; no line lost to thinning."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import windows

from acquisition.records import Capture, JobSheet, Pass, Reading
from analysis.report.material import Material
from analysis.report.spectrum import MAIN_LOBE_BINS, output_captures, spectrum_figure
from analysis.spectrum import FLAT_TOP, amplitude_spectrum


def spectrum(capture):
    """What the figure draws: everything above the main lobe of zero frequency."""
    freq_hz, peak_v, _ = amplitude_spectrum(capture)
    return freq_hz[MAIN_LOBE_BINS:], peak_v[MAIN_LOBE_BINS:]


def capture(freq_hz=1000.0, harmonic_db=-60.0, count=20_000, dt_s=5e-6, point="SPK", **facts):
    t = np.arange(count) * dt_s
    wave = np.sin(2 * np.pi * freq_hz * t) + 10 ** (harmonic_db / 20) * np.sin(2 * np.pi * 2 * freq_hz * t)
    codes = np.round(20_000 * wave).astype(np.int16)
    return Capture(
        point=point, codes=codes, scale_v=1e-4, offset_v=0.3, t0_s=0.0, dt_s=dt_s, full_scale_v=6.5536,
        freq_hz=freq_hz, **facts,
    )  # fmt: skip


@pytest.mark.parametrize("freq_hz", [1000.0, 1003.7, 1005.0, 4321.1])
def test_a_line_reads_its_amplitude_on_or_between_bins(freq_hz):
    freqs, peaks = spectrum(capture(freq_hz))
    near = np.abs(freqs - freq_hz) < 60
    assert 20 * np.log10(peaks[near].max() / 2.0) == pytest.approx(0.0, abs=0.1)
    near = np.abs(freqs - 2 * freq_hz) < 60
    assert 20 * np.log10(peaks[near].max() / 2e-3) == pytest.approx(0.0, abs=0.2)
    assert freqs[np.argmax(peaks)] == pytest.approx(freq_hz, abs=10)


def test_the_window_is_as_flat_as_the_one_of_a_reference_library():
    phase = 2 * np.pi * np.arange(64) / 64
    ours = sum((-1) ** k * a * np.cos(k * phase) for k, a in enumerate(FLAT_TOP))
    theirs = windows.flattop(64, sym=False)  # another published set of coefficients
    assert np.max(np.abs(ours / ours.max() - theirs / theirs.max())) < 0.01


def material(**captures):
    passes = tuple(Pass(name=name, started_utc="", captures=tuple(found)) for name, found in captures.items())
    chassis = SimpleNamespace(signal=SimpleNamespace(outputs=("SPK",)), parts={})
    return Material(sheet=JobSheet(chassis_name="x"), passes=passes, chassis=chassis)


def test_only_long_captures_of_the_output_serve():
    long, short, elsewhere = capture(), capture(freq_hz=20.0), capture(point="V1.1")
    found = output_captures(material(before=[long, short, elsewhere], after=[short]))
    assert found == [("before", long)]


def test_what_is_drawn_of_two_passes_is_of_one_output_and_signal():
    """Of a stereo chassis the left channel before the repair stood beside the right one after it."""
    left, right = (capture(point=point, drive_pp_v=0.1) for point in ("SPK", "SPK2"))
    hum = capture(freq_hz=50.0, count=50_000, point="SPK", drive_pp_v=0.1)
    given = material(before=[left, hum, right], after=[right, left])
    given.chassis.signal.outputs = ("SPK", "SPK2")
    reading = Reading(point="V1.6", quantity="dc_v", value=100.0)
    read = replace(given, passes=tuple(replace(one, readings=(reading,)) for one in given.passes))
    assert output_captures(read) == [("before", left), ("after", left)]
    lone = replace(read, passes=(replace(read.passes[0], captures=(hum, right)), read.passes[1]))
    assert output_captures(lone) == [("before", hum), ("after", left)]  # each says what its signal is


def test_no_line_is_lost_to_thinning():
    given = material(before=[capture(9871.3)])
    figure = spectrum_figure(given, output_captures(given))
    (trace,) = figure["data"]
    assert len(trace["x"]) <= 421
    assert max(trace["y"]) == 0.0
    near = [y for x, y in zip(trace["x"], trace["y"], strict=True) if abs(x - 2 * 9871.3) < 300]
    assert max(near) == pytest.approx(-60.0, abs=0.3)


def test_a_flat_line_has_no_spectrum():
    flat = Capture(
        point="SPK",
        codes=np.full(2000, 3, dtype=np.int8),
        scale_v=1.0,
        offset_v=0.0,
        t0_s=0.0,
        dt_s=1e-5,
        full_scale_v=9.0,
    )
    given = material(before=[flat])
    assert spectrum_figure(given, output_captures(given)) is None
