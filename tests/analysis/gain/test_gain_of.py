"""Gain and phase from made-up records of two channels, and of one channel at a time."""

import dataclasses
import math
import re

import numpy as np
import pytest

from acquisition.errors import FitFailed
from acquisition.records import Capture
from analysis.gain import ChannelAccuracy, averaged, gain_of, peak_to_peak_v, probe_question, swapped, wrapped_deg

FREQ = 1000.0
EXACT = ChannelAccuracy(vertical=0.0, probe=0.0, skew_s=0.0)


def record(
    point,
    phasor,
    rng,
    *,
    channel=1,
    shot=1,
    full_scale_v=None,
    noise_steps=0.4,
    count=2000,
    t0_s=-4e-3,
    dt_s=5e-6,
    offset=0.0,
    freq_hz=FREQ,
    **more,
):
    full_scale_v = full_scale_v or 2.6 * abs(phasor)
    step = full_scale_v / 256
    t = t0_s + dt_s * np.arange(count)
    volts = (phasor * np.exp(2j * np.pi * freq_hz * t)).real + noise_steps * step * rng.normal(size=count)
    codes = np.round((volts + offset) / step)
    return Capture(
        point=point,
        codes=np.clip(codes, -128, 127).astype(np.int8),
        scale_v=step,
        offset_v=-offset,
        t0_s=t0_s,
        dt_s=dt_s,
        full_scale_v=full_scale_v,
        clipped=bool(np.any(np.abs(codes) > 127)),
        channel=channel,
        shot=shot,
        probe_factor=more.pop("probe_factor", 10.0),
        freq_hz=more.pop("setting_hz", FREQ),
        drive_pp_v=0.1,
        **more,
    )


def pair(gain, rng, source=0.05 + 0j, **more):
    start = source * np.exp(1j * rng.uniform(0, 2 * np.pi))
    return record("V1.2", start, rng, channel=1, **more), record("V1.1", start * gain, rng, channel=2, **more)


def test_one_shot_gives_gain_phase_and_inversion():
    gain = -56.3 * np.exp(1j * math.radians(1.0))
    result = gain_of(*pair(gain, np.random.default_rng(1)))
    assert result.point == "V1.2>V1.1"
    assert result.magnitude == pytest.approx(56.3, rel=1e-3)
    assert result.gain_db == pytest.approx(20 * math.log10(56.3), abs=0.01)
    assert result.phase_deg == pytest.approx(-179.0, abs=0.2)
    assert result.inverts is True
    assert result.method == "two channels, one shot"
    assert result.drive_pp_v == 0.1
    assert result.in_pp_v == pytest.approx(0.1, rel=1e-3)
    assert result.out_pp_v == pytest.approx(5.63, rel=1e-3)
    assert result.out_extremes_v > result.out_pp_v  # noise always adds


def test_follower_does_not_invert_and_ninety_degrees_is_neither():
    rng = np.random.default_rng(2)
    assert gain_of(*pair(0.98 + 0j, rng)).inverts is False
    assert gain_of(*pair(1j, rng)).inverts is None


def test_uncertainty_is_that_of_the_specification_for_two_channels():
    # 3 % a channel, rectangular: the ratio has 2.45 % (JCGM 100, 4.3.7; bench practice E15, F16).
    accuracy = ChannelAccuracy(vertical=0.03, probe=0.0, skew_s=0.0)
    result = gain_of(*pair(20 + 0j, np.random.default_rng(3)), accuracy)
    assert result.magnitude_std / result.magnitude == pytest.approx(0.0245, abs=0.0001)
    assert result.gain_db_std == pytest.approx(0.0245 * 20 / math.log(10), rel=0.01)
    lines = result.magnitude_budget().lines()
    assert "voltage scale" in lines[2]
    assert "gain = 20" in lines[-1]


def test_errors_that_channels_share_cancel():
    rng = np.random.default_rng(4)
    source, output = pair(1.0 + 0j, rng, full_scale_v=0.2)
    apart = gain_of(source, output, ChannelAccuracy(vertical=0.03, probe=0, shared=0.0))
    shared = gain_of(source, output, ChannelAccuracy(vertical=0.03, probe=0, shared=1.0))
    assert shared.magnitude_std < 0.05 * apart.magnitude_std
    assert shared.magnitude_budget().correlation_variance < 0


def test_one_channel_at_a_time_needs_the_trigger_and_shares_the_probe():
    rng = np.random.default_rng(5)
    gain = 0.9 * np.exp(-0.5j)
    source = record("V1.2", 0.05, rng, shot=1, full_scale_v=0.2)
    output = record("V1.1", 0.05 * gain, rng, shot=2, full_scale_v=0.2)
    result = gain_of(source, output, ChannelAccuracy(vertical=0.03, probe=0.02))
    assert result.method == "one channel at a time, sync as trigger"
    assert result.gain == pytest.approx(gain, abs=0.002)
    # Same channel, range and probe: the whole scale error cancels; the phase carries the sample interval.
    assert result.magnitude_std < 0.002
    assert result.phase_std_deg == pytest.approx(360 / 200 * math.sqrt(2 / 12), rel=0.05)
    # On another range only the probe is still common.
    other = record("V1.1", 0.05 * gain, rng, shot=2, full_scale_v=0.4)
    assert gain_of(source, other, ChannelAccuracy(vertical=0.03, probe=0.02)).magnitude_std == pytest.approx(
        0.9 * 0.0245, rel=0.02
    )


def test_records_with_different_starts_are_referred_to_the_trigger():
    rng = np.random.default_rng(6)
    source = record("V1.2", 0.05, rng, shot=1, t0_s=-4e-3)
    output = record("V1.1", 0.05, rng, shot=2, t0_s=-1.37e-3)
    assert gain_of(source, output).phase_deg == pytest.approx(0.0, abs=0.2)


def test_long_records_find_the_frequency_themselves():
    # Clocks 100 ppm apart over 100 periods: with the nominal frequency the amplitude is low by 0.016 %, but equally
    # in both records; each record alone would show it.
    rng = np.random.default_rng(7)
    source, output = pair(-10 + 0j, rng, freq_hz=1000.1, count=20000, noise_steps=0.5)
    result = gain_of(source, output, EXACT)
    assert result.freq_hz == pytest.approx(1000.1, abs=0.005)
    assert result.in_pp_v == pytest.approx(0.1, rel=3e-4)


def test_dead_stage_has_no_phase_but_a_bounded_gain():
    rng = np.random.default_rng(8)
    source = record("V1.2", 0.05, rng)
    output = record("V1.1", 0.0, rng, channel=2, full_scale_v=0.2, noise_steps=1.0)
    result = gain_of(source, output)
    assert result.magnitude < 4 * result.magnitude_std + 1e-4
    assert result.inverts is None
    assert any("phase means nothing" in note for note in result.notes)
    assert all(reading.std is not None for reading in result.readings(taken_utc="", instrument=""))


def test_the_phase_of_noise_may_be_anything():
    """A dead stage was told, and judged, with a phase good to some 40 degrees: 4 of 10 times it was not."""
    rng, inside = np.random.default_rng(31), 0
    for _ in range(200):
        source = record("V1.2", 0.05, rng, count=1000)
        result = gain_of(source, record("V1.1", 2e-5, rng, channel=2, full_scale_v=0.2, count=1000))
        inside += abs(result.phase_deg) < 1.96 * result.phase_std_deg
        budget = result.phase_budget()
        assert budget.std == pytest.approx(result.phase_std_deg)
    assert inside >= 190
    strong = gain_of(source, record("V1.1", 0.05, rng, channel=2, count=1000))
    assert strong.phase_std_deg < 0.2


@pytest.mark.parametrize(("freq_hz", "hum_hz", "mains_hz", "told"), [
    (20.0, 100.0, 50.0, "or hum: 100 Hz cannot be told from a harmonic"), (60.0, 120.0, 60.0, "or hum: 120 Hz"),
    (90.0, 180.0, 50.0, "the drive is outside"), (1000.0, 3000.0, 50.0, "the drive is outside"),
    (20.0, 100.0, None, "the drive is outside"),
])  # fmt: skip
def test_hum_that_stands_where_a_harmonic_would_is_not_called_the_drive(freq_hz, hum_hz, mains_hz, told):
    rng, dt_s = np.random.default_rng(32), 1 / (200 * freq_hz)
    source, output = pair(-20 + 0j, rng, freq_hz=freq_hz, setting_hz=freq_hz, dt_s=dt_s, count=1200)
    t = output.t0_s + dt_s * np.arange(1200)
    hum = np.round(0.05 * np.cos(2 * np.pi * hum_hz * t) / output.scale_v)
    output = dataclasses.replace(output, codes=(output.codes + hum).astype(np.int16))
    notes = gain_of(source, output, ChannelAccuracy(mains_hz=mains_hz)).notes
    (note,) = [note for note in notes if note.startswith("distortion ")]
    assert float(note.split()[1]) == pytest.approx(5.0, abs=0.2)
    assert told in note


def test_output_without_a_single_step_gives_gain_zero():
    rng = np.random.default_rng(9)
    source = record("V1.2", 0.05, rng)
    output = record("V1.1", 0.0, rng, channel=2, full_scale_v=1.0, noise_steps=0.0)
    result = gain_of(source, output)
    assert result.gain == 0
    assert result.gain_db == -math.inf
    assert result.gain_db_std == math.inf
    assert result.magnitude_std > 0
    assert result.phase_budget().std > 0


def test_a_flat_record_high_above_ground_is_no_output_and_may_hide_half_a_step():
    """The mean of equal samples was off by a rounding, which was told as a gain of 1e-29 and -572 dB +- 1e31."""
    rng = np.random.default_rng(33)
    source = record("V1.2", 0.05, rng)
    flat = record("V1.1", 0.0, rng, channel=2, full_scale_v=0.2, noise_steps=0.0)
    flat = dataclasses.replace(flat, scale_v=1.0 / 1280, offset_v=153.7, codes=flat.codes + np.int8(17))
    result = gain_of(source, flat)
    assert result.gain == 0
    # A wave that stays between two steps may be as large as half of one: 0.39 mV peak at 50 mV of input.
    assert 0.5 * 0.0078 < result.magnitude_std < 0.0078
    assert averaged([result] * 9).magnitude_std == result.magnitude_std
    with pytest.raises(FitFailed, match="no output, so exchanging"):
        swapped(result, gain_of(*pair(-35 + 0j, rng)))


def test_no_signal_at_the_input_is_refused_with_a_hint():
    rng = np.random.default_rng(10)
    source = record("V1.2", 0.0, rng, full_scale_v=0.2)
    output = record("V1.1", 1.0, rng, channel=2)
    with pytest.raises(FitFailed, match=r"no signal of 1000 Hz at V1.2") as caught:
        gain_of(source, output)
    assert "output switch" in caught.value.hint


def test_notes_tell_what_limits_the_result():
    rng = np.random.default_rng(11)
    source, output = pair(-5 + 0j, rng)
    t = output.times_s
    bent = 0.25 * np.cos(2 * np.pi * FREQ * t) + 0.01 * np.cos(4 * np.pi * FREQ * t)
    codes = np.round(bent / output.scale_v).astype(np.int8)
    warped = Capture(
        point="V1.1",
        codes=codes,
        scale_v=output.scale_v,
        offset_v=0.0,
        t0_s=output.t0_s,
        dt_s=output.dt_s,
        full_scale_v=output.full_scale_v,
        clipped=True,
        channel=2,
        shot=1,
        coupling="ac",
        freq_hz=FREQ,
    )
    text = " ".join(gain_of(source, warped).notes)
    assert "distortion 4.0 %" in text
    assert "converter is at its end" in text
    assert "one channel is AC" in text


def test_readings_carry_value_and_uncertainty():
    result = gain_of(*pair(-17.4 / 1.8 + 0j, np.random.default_rng(12)))
    gain, phase = result.readings(taken_utc="2026-01-01T00:00:00.000Z", instrument="scope", range_v=1.0)
    assert (gain.quantity, phase.quantity) == ("gain", "phase_deg")
    assert gain.point == phase.point == "V1.2>V1.1"
    assert gain.std == pytest.approx(result.magnitude_std)
    assert gain.freq_hz == FREQ
    assert "one shot" in gain.note


def test_channel_swap_removes_the_mismatch():
    # 3 % and 1.2 degrees of mismatch: the plain ratio is wrong by it, the swapped one is not.
    rng = np.random.default_rng(13)
    true, mismatch = 1.35 + 0j, 1.03 * np.exp(1j * math.radians(1.2))
    straight = gain_of(*pair(true * mismatch, rng, full_scale_v=0.2))
    exchanged = gain_of(*pair(true / mismatch, rng, full_scale_v=0.2))
    assert abs(straight.magnitude - 1.35) > 0.03
    result = swapped(straight, exchanged)
    assert result.magnitude == pytest.approx(1.35, abs=4 * result.magnitude_std)
    assert result.phase_deg == pytest.approx(0.0, abs=4 * result.phase_std_deg)
    assert result.magnitude_std < 0.001 * 1.35
    assert re.search(r"differ by \+(2.9|3.0)\d % and \+1.[12]\d deg", result.notes[-1])


def test_channel_swap_over_two_ranges_keeps_the_error_of_the_ranges():
    """Scale errors of channel and range, drawn: the product of four of them, square root, is what remains."""
    rng = np.random.default_rng(18)
    accuracy = ChannelAccuracy(vertical=0.03, probe=0.02, skew_s=0.0)
    found = []
    for _ in range(400):
        one_a, one_b, two_a, two_b = rng.uniform(0.97, 1.03, 4)
        probes = rng.uniform(0.98, 1.02, 2)
        straight = gain_of(*pair(35 * two_b / one_a * probes[1] / probes[0] + 0j, rng, count=400), accuracy)
        exchanged = gain_of(*pair(35 * one_b / two_a * probes[0] / probes[1] + 0j, rng, count=400), accuracy)
        found.append(swapped(straight, exchanged))
    assert np.std([g.magnitude for g in found]) == pytest.approx(found[0].magnitude_std, rel=0.12)
    assert found[0].magnitude_std / 35 == pytest.approx(0.03 / math.sqrt(3), rel=0.03)


def test_channel_swap_keeps_the_sign_and_refuses_strangers():
    rng = np.random.default_rng(14)
    inverted = gain_of(*pair(-35 + 0j, rng))
    assert swapped(inverted, gain_of(*pair(-35 + 0j, rng))).inverts is True
    other = gain_of(*pair(-35 + 0j, rng, freq_hz=1100.0, setting_hz=1100.0))
    with pytest.raises(ValueError, match="same stage"):
        swapped(inverted, other)


@pytest.mark.parametrize("gain", [-35.0, 35.0, 0.1, 1.4, np.exp(-1j)])
def test_probes_that_stayed_where_they_were_are_no_exchange(gain):
    rng = np.random.default_rng(21)
    straight, still = gain_of(*pair(gain + 0j, rng)), gain_of(*pair(1.06 / gain + 0j, rng))
    with pytest.raises(FitFailed, match="the probes were probably not exchanged") as caught:
        swapped(straight, still)
    assert "look at the probes' switches" in caught.value.hint


@pytest.mark.parametrize("gain", [-1.0, 0.97, 1.1, -0.9])
def test_a_gain_of_about_one_may_be_exchanged(gain):
    rng = np.random.default_rng(22)
    both = [gain_of(*pair(gain * mismatch + 0j, rng)) for mismatch in (1.06, 1 / 1.06)]
    assert swapped(*both).gain == pytest.approx(gain, rel=0.01)


def test_averaging_lowers_the_noise_and_nothing_else():
    rng = np.random.default_rng(15)
    results = [gain_of(*pair(-20 + 0j, rng, noise_steps=3.0)) for _ in range(9)]
    mean = averaged(results)
    assert np.trace(mean.noise_covariance) == pytest.approx(np.trace(results[0].noise_covariance) / 9, rel=0.1)
    assert mean.fixed_covariance == pytest.approx(results[0].fixed_covariance, rel=0.05, abs=1e-3)
    assert mean.method.endswith("mean of 9")
    assert averaged(results[:1]) is results[0]


def test_averaging_trusts_a_larger_scatter():
    rng = np.random.default_rng(16)
    wandering = [gain_of(*pair(-20 * (1 + 0.02 * rng.normal()) + 0j, rng)) for _ in range(8)]
    mean = averaged(wandering)
    assert "scatter" in mean.notes[-1]
    assert mean.noise[0].dof == 7
    assert 0.001 < math.sqrt(np.trace(mean.noise_covariance)) / 20 < 0.02


def test_peak_to_peak_is_maximum_minus_minimum():
    rng = np.random.default_rng(17)
    assert peak_to_peak_v(record("V1.1", 1.0, rng, noise_steps=0.0)) == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("factor", [10.0, 0.1, 100.0, 0.01, 11.5, 0.085])
def test_a_factor_of_ten_or_a_hundred_asks_for_the_probe_first(factor):
    assert "probe" in probe_question(56.0 * factor, 56.0)


@pytest.mark.parametrize("factor", [1.0, 0.5, 3.0, 7.0, 0.13, 30.0])
def test_other_differences_do_not(factor):
    assert probe_question(56.0 * factor, 56.0) == ""
    assert probe_question(0.0, 56.0) == probe_question(56.0, 0.0) == ""


@pytest.mark.parametrize(("due", "measured", "words"), [
    (-56.0, -1 / 57.0, "exchanged"), (-10.0, -0.1, "exchanged"), (0.9, 1 / 0.9, ""), (-3.16, -0.316, "wrong by 10"),
    (-56.0, 1.03, "one point"), (30.0, 1.0, "one point"), (-10.0, 1.0, "one point"), (10.0, 1.0, "wrong by 10"),
    (-56.0, 1.0j, ""), (0.3, 1.0, "one point"), (0.9, 1.0, ""),
    (-56.0, 55.0 * np.exp(0.1j), "inverted"), (0.9, -0.9, "inverted"), (-56.0, 56.0j, ""), (-56.0, 30.0, ""),
])  # fmt: skip
def test_exchanged_probes_and_an_inverted_channel_are_asked_about(due, measured, words):
    told = probe_question(measured, due)
    assert words in told
    assert bool(words) == bool(told)


def test_wrapped():
    assert wrapped_deg(-540.0) == 180.0


# -- AC coupling -------------------------------------------------------------------------------------------------


def drooped(gain, rng, corners_hz, couplings=("ac", "ac"), freq_hz=5.0, channels=(1, 2)):
    """Records behind first-order high-pass filters of given corners, at a frequency not far above them."""
    phasors = [0.05 * 1j, 0.05 * 1j * gain]
    return [
        record(
            point,
            phasor / (1 - 1j * (corner if coupling == "ac" else 0.0) / freq_hz),
            rng,
            channel=channel,
            shot=channel if channels[0] == channels[1] else 1,
            full_scale_v=2.6 * abs(phasor),
            dt_s=1e-3,
            t0_s=-1.0,
            freq_hz=freq_hz,
            setting_hz=freq_hz,
            coupling=coupling,
        )
        for point, phasor, corner, coupling, channel in zip(
            ("V1.2", "V1.1"), phasors, corners_hz, couplings, channels, strict=True
        )
    ]


COUPLED = ChannelAccuracy(vertical=0.0, probe=0.0, skew_s=0.0, ac_corner_hz=10.0, ac_tolerance=0.2)


def test_one_channel_ac_and_the_other_dc_is_corrected_with_its_uncertainty():
    rng = np.random.default_rng(31)
    mixed = gain_of(*drooped(-5.0, rng, (1.0, 1.0), ("dc", "ac")), COUPLED)
    assert mixed.magnitude == pytest.approx(5.0, rel=3e-3)
    assert abs(abs(mixed.phase_deg) - 180.0) < 0.2
    # By hand: x = 1/5, so 20 %/sqrt(3) of the corner is x^2/(1+x^2) of it in size and x/(1+x^2) rad of it in phase.
    x, u = 0.2, 0.2 / math.sqrt(3)
    assert mixed.magnitude_budget().std / 5.0 == pytest.approx(u * x**2 / (1 + x**2), rel=0.05)
    assert mixed.phase_budget().std == pytest.approx(math.degrees(u * x / (1 + x**2)), rel=0.02)
    assert mixed.phase_std_deg == pytest.approx(mixed.phase_budget().std, rel=0.02)
    assert "one channel is AC coupled: 1.9 % and 11 deg" in " ".join(mixed.notes)
    assert {row.name for row in mixed.phase_budget().rows} >= {"AC coupling of the channels"}


def test_two_channels_of_slightly_different_corners():
    rng = np.random.default_rng(32)
    found = gain_of(*drooped(-5.0, rng, (0.9, 1.1)), COUPLED)
    off_deg = 180.0 - abs(found.phase_deg)
    assert 1.5 < abs(off_deg) < 3.0  # the two capacitors differ, which nobody can know
    assert abs(off_deg) < 1.96 * found.phase_std_deg
    assert abs(found.magnitude - 5.0) < 1.96 * found.magnitude_std
    assert "both channels are AC coupled" in " ".join(found.notes)
    far_above = gain_of(*drooped(-5.0, rng, (0.9, 1.1), freq_hz=100.0), COUPLED)
    assert far_above.phase_std_deg < 0.12
    assert far_above.notes == ()


def test_one_capacitor_for_both_records_adds_nothing():
    rng = np.random.default_rng(33)
    alone = gain_of(*drooped(-5.0, rng, (1.1, 1.1), channels=(1, 1)), COUPLED)
    assert abs(abs(alone.phase_deg) - 180.0) < 0.3
    assert not [item for item in alone.fixed if item.name.startswith("AC")]


def test_below_the_corner_a_dc_coupled_input_is_asked_for():
    found = gain_of(*drooped(-5.0, np.random.default_rng(34), (1.0, 1.0), freq_hz=0.8), COUPLED)
    assert "below the corner of the AC coupling" in found.notes[-1]


# -- what the bench file says of probes and channels -------------------------------------------------------------


def test_the_tolerance_of_both_probes_is_in_the_uncertainty():
    # Two probes of 2 %, rectangular: 0.02 sqrt(2) / sqrt(3) = 1.633 % of a ratio.
    probes = ChannelAccuracy(vertical=0.0, probe=0.02, skew_s=0.0)
    result = gain_of(*pair(20 + 0j, np.random.default_rng(41)), probes)
    assert result.magnitude_std / result.magnitude == pytest.approx(0.01633, abs=0.0001)


def test_the_delay_between_the_channels_is_in_the_uncertainty_of_the_phase():
    # 1 us is 7.2 degrees of 20 kHz, rectangular: 7.2 / sqrt(3) = 4.157 degrees.
    skewed = ChannelAccuracy(vertical=0.0, probe=0.0, skew_s=1e-6)
    records = pair(2 + 0j, np.random.default_rng(42), freq_hz=20e3, setting_hz=20e3, dt_s=2.5e-7, t0_s=-2e-4)
    result = gain_of(*records, skewed)
    assert result.phase_std_deg == pytest.approx(4.157, abs=0.01)
    assert result.phase_budget().std == pytest.approx(4.157, abs=0.01)


@pytest.mark.parametrize(
    ("freq_hz", "periods", "mains_hz", "told"),
    [
        (51.85, 6.3, 50.0, "50 Hz"), (51.85, 12.0, 50.0, "50 Hz"), (51.85, 6.3, None, ""), (65.8, 8.0, 50.0, ""),
        (120.0, 6.0, 60.0, "120 Hz"), (1000.0, 6.0, 50.0, ""),
    ],
)  # fmt: skip
def test_hum_too_near_to_the_signal_is_noted(freq_hz, periods, mains_hz, told):
    """5 % of hum at 50 Hz moves the gain at 51.85 Hz by 3 %, and is no more to be seen in the record."""
    length_s = periods / freq_hz
    more = {"freq_hz": freq_hz, "setting_hz": freq_hz, "dt_s": length_s / 2000, "t0_s": -0.5 * length_s}
    records = pair(-20 + 0j, np.random.default_rng(51), **more)
    notes = gain_of(*records, ChannelAccuracy(mains_hz=mains_hz)).notes
    assert [note for note in notes if note.startswith("hum")] == (
        [f"hum at {told} is too near to be told from the signal and not in the uncertainty"] if told else []
    )


def test_what_limits_one_repeat_is_told_of_their_mean():
    rng = np.random.default_rng(21)
    fine, clipped = gain_of(*pair(-35 + 0j, rng)), gain_of(*pair(-35 + 0j, rng))
    first = dataclasses.replace(fine, notes=("V1.1: signal fills only 9.3 converter steps",))
    last = dataclasses.replace(clipped, notes=("V1.1: signal fills only 9.1 converter steps", "a larger range"))
    assert averaged([first, last]).notes == ("V1.1: signal fills only 9.3 converter steps", "a larger range")
