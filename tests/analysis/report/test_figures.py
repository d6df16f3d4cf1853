"""The figures of the report: places in bands, responses, waveforms that lose no spike."""

from dataclasses import replace

import numpy as np
import pytest

from acquisition.records import Capture, JobSheet, Pass, Reading
from analysis.judge import Judged
from analysis.report.figures import band_figure, place_in_band, response_figure
from analysis.report.material import Material
from analysis.report.style import BAND, INK, PASS_MARKS, QUIET
from analysis.report.waveforms import envelope, thumbnail


def judged(value, low, expected, high, std=0.1, quantity="dc_v"):
    reading = Reading(point="V1.1>V1.2" if quantity == "phase_deg" else "V1.1", quantity=quantity, value=value)
    return Judged(reading=reading, std=std, expected=expected, low=low, high=high, verdict="agrees")


def test_places_against_a_lopsided_band():
    assert place_in_band(judged(90.0, 90.0, 100.0, 130.0)) == -1.0
    assert place_in_band(judged(130.0, 90.0, 100.0, 130.0)) == 1.0
    assert place_in_band(judged(100.0, 90.0, 100.0, 130.0)) == 0.0
    assert place_in_band(judged(0.1, 0.0, 0.0, 0.0)) == pytest.approx(0.5)  # no width: two standard uncertainties
    assert place_in_band(judged(-179.0, 160.0, 179.0, 189.0, quantity="phase_deg")) == pytest.approx(0.2)


def test_the_first_of_two_passes_is_a_ring_round_the_last_where_both_read_the_same(material):
    before, after = band_figure(material, dc=True)["data"]
    assert before["marker"]["size"] >= after["marker"]["size"] + 4


def test_a_reading_far_out_stands_at_the_edge_as_an_arrow(material):
    figure = band_figure(material, dc=True)
    before, after = figure["data"]
    grid = [i for i, note in enumerate(figure["layout"]["annotations"]) if "16.1" in note["text"]]
    assert before["marker"]["symbol"][grid[0]] == "triangle-right"
    assert max(before["x"]) < 3.3
    assert set(before["marker"]["symbol"]) & set(after["marker"]["symbol"]) == set()  # told apart without colour


def test_response_in_decibels(material):
    figure = response_figure(material, "V1.2>V1.1")
    (curve,) = [t for t in figure["data"] if t["name"] == "after-C4" and t["yaxis"] == "y"]
    values = {r.freq_hz: r for r in material.passes[1].readings if (r.point, r.quantity) == ("V1.2>V1.1", "gain")}
    assert curve["x"] == sorted(values)
    for freq, decibels, bar in zip(curve["x"], curve["y"], curve["error_y"]["array"], strict=True):
        reading = values[freq]
        assert decibels == pytest.approx(20 * np.log10(reading.value), abs=1e-3)
        assert bar == pytest.approx(20 * np.log10(1 + 2 * reading.std / reading.value), rel=0.05)


def test_gain_and_phase_stand_in_front_of_their_bands(material):
    figure = response_figure(material, "V1.2>V1.1")
    bands = {t["yaxis"]: t for t in figure["data"] if t["name"] == "a healthy chassis"}
    assert set(bands) == {"y", "y2"}
    assert [t["name"] for t in figure["data"]][:2] == ["a healthy chassis"] * 2  # behind the curves
    assert [t.get("showlegend") for t in bands.values()].count(False) == 1  # one entry for both
    curve = next(t for t in figure["data"] if (t["name"], t["yaxis"]) == ("after-C4", "y2"))
    count = len(curve["x"])
    lows, highs = bands["y2"]["y"][:count], bands["y2"]["y"][count:][::-1]
    verdicts = {
        one.reading.freq_hz: one.verdict
        for one in material.judged["after-C4"]
        if one.reading.measurand.quantity == "phase_deg" and one.reading.point == "V1.2>V1.1"
    }
    assert bands["y2"]["x"][:count] == curve["x"]
    for freq, low, degrees, high, bar in zip(
        curve["x"], lows, curve["y"], highs, curve["error_y"]["array"], strict=True
    ):
        assert high - low < 60.0
        assert low - 2 * bar <= degrees <= high + 2 * bar or verdicts[freq] != "agrees"


def test_a_whole_turn_between_two_passes_is_none(material):
    """An inverting stage near 180 degrees: 176 in one pass and -176 in the next stood 352 degrees apart."""
    first, last = material.passes
    turned = tuple(replace(r, value=r.value + 360.0) if r.quantity == "phase_deg" else r for r in last.readings)
    stage = "V1.2>V1.1"
    there, here = (
        {t["name"]: t for t in response_figure(one, stage)["data"] if t["yaxis"] == "y2" and t["mode"] != "lines"}
        for one in (material, replace(material, passes=(first, replace(last, readings=turned))))
    )
    assert here[last.name]["y"] == pytest.approx(there[last.name]["y"], abs=1e-3)
    for low, high in zip(here[first.name]["y"], here[last.name]["y"], strict=True):
        assert abs(low - high) < 180.0


def test_a_narrow_sweep_has_its_ends_on_its_axis():
    stage, freqs = "V1.2>V1.1", (620.0, 700.0, 890.0)
    gains = tuple(Reading(point=stage, quantity="gain", value=50.0, freq_hz=f) for f in freqs)
    one = Pass(name="a", started_utc="", readings=gains)
    axis = response_figure(Material(sheet=JobSheet(chassis_name="Amp"), passes=(one,)), stage)["layout"]["xaxis"]
    assert axis["ticktext"] == ["620 Hz", "890 Hz"]


def test_of_a_stage_driven_until_it_clips_the_curve_has_one_gain_a_frequency(material):
    stage, last = "V1.2>V1.1", material.passes[-1]
    whole = response_figure(material, stage)["data"][-2:]
    drive_pp_v = next(r.drive_pp_v for r in last.readings if r.point == stage)
    driven = tuple(
        Reading(point=stage, quantity="gain", value=40.0 - n, std=0.1, freq_hz=freq_hz, drive_pp_v=0.3 * (1 + n))
        for n in range(5)
        for freq_hz in (1000.0, 2000.0001)
    )
    assert all(abs(r.drive_pp_v - drive_pp_v) > 0.01 for r in driven)
    more = replace(material, passes=(material.passes[0], replace(last, readings=(*last.readings, *driven))))
    gain, phase = response_figure(more, stage)["data"][-2:]
    assert (phase["x"], phase["y"]) == (whole[1]["x"], whole[1]["y"])
    # Where the sweep has none, as at 1 kHz here, that of the smallest drive.
    points = {**dict(zip(whole[0]["x"], whole[0]["y"], strict=True)), 1000.0: round(20 * np.log10(40.0), 4)}
    assert dict(zip(gain["x"], gain["y"], strict=True)) == points
    fitted = tuple(replace(r, freq_hz=1000.0 + 1e-4 * n) for n, r in enumerate(driven))
    assert replace(material, passes=(replace(last, readings=fitted),)).sweeps == ()


def test_next_to_no_output_is_drawn_nowhere(material):
    """Its decibels have no end, and its phase, which is any, turned the curve behind it."""
    stage, last = "V1.2>V1.1", material.passes[-1]
    whole = response_figure(material, stage)["data"][-2:]
    at = whole[0]["x"][2]
    lost = {"gain": (1e-5, 0.002), "phase_deg": (-10.0, 104.0)}
    readings = tuple(
        replace(r, value=lost[r.quantity][0], std=lost[r.quantity][1])
        if r.point == stage and r.freq_hz == at and r.quantity in lost
        else r
        for r in last.readings
    )
    without = replace(material, passes=(material.passes[0], replace(last, readings=readings)))
    for before, after in zip(whole, response_figure(without, stage)["data"][-2:], strict=True):
        kept = [(x, y) for x, y in zip(before["x"], before["y"], strict=True) if x != at]
        assert list(zip(after["x"], after["y"], strict=True)) == kept


def test_no_spike_is_lost_to_thinning():
    rng = np.random.default_rng(1)
    volts = rng.standard_normal(100_003)
    volts[77_777], volts[5] = 50.0, -60.0
    low, high = envelope(volts, 240)
    assert (low.min(), high.max()) == (-60.0, 50.0)
    assert len(low) == len(high) == 240
    assert np.all(low <= high)
    short = envelope(volts[:5], 240)
    assert np.array_equal(short[0], volts[:5])


def test_a_waveform_of_one_sample_and_a_flat_one():
    for codes in (np.zeros(1, dtype=np.int8), np.full(1000, 7, dtype=np.uint8)):
        capture = Capture(
            point="V1.1", codes=codes, scale_v=0.1, offset_v=0.0, t0_s=0.0, dt_s=1e-6, full_scale_v=25.6
        )
        assert thumbnail(capture).points.startswith("M")


def test_periods_that_would_run_together_are_drawn_as_the_first_few():
    t = np.arange(4000) * 5e-6
    codes = np.round(100 * np.sin(2 * np.pi * 10e3 * t)).astype(np.int8)
    capture = Capture(
        point="V1.1", codes=codes, scale_v=0.1, offset_v=0.0, t0_s=0.0, dt_s=5e-6, full_scale_v=25.6, freq_hz=10e3
    )
    assert "the first 800 µs of 20 ms" in thumbnail(capture).caption
    assert "20.0 V p-p" in thumbnail(capture).caption
    assert "20 ms wide" in thumbnail(replace(capture, freq_hz=1e3)).caption


def luminance(colour):
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("ground", ["#ffffff", BAND])
@pytest.mark.parametrize(("colour", "least"), [*((mark[0], 3.0) for mark in PASS_MARKS), (QUIET, 4.5), (INK, 4.5)])
def test_marks_and_words_stand_off_paper_and_band(colour, least, ground):
    """WCAG 2.2, 1.4.11 and 1.4.3."""
    light, dark = sorted((luminance(colour), luminance(ground)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= least
