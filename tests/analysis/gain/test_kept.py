"""Gains computed again from kept captures are the same numbers."""

import dataclasses

import numpy as np
import pytest

from acquisition.errors import FitFailed
from acquisition.records import Capture
from analysis.gain import EXCHANGED, OUTPUT, PAIR, SOURCE, STRAIGHT, averaged, gain_of, gains_kept, note_of, swapped


def record(point, phasor, channel, shot, note, rng, freq_hz=1000.0):
    t = 5e-6 * np.arange(2000) - 5e-3
    step = 2.6 * abs(phasor) / 256
    volts = (phasor * np.exp(2j * np.pi * freq_hz * t)).real
    codes = np.round(volts / step + 0.4 * rng.normal(size=t.size)).astype(np.int8)
    return Capture(
        point=point,
        codes=codes,
        scale_v=step,
        offset_v=0.0,
        t0_s=-5e-3,
        dt_s=5e-6,
        full_scale_v=256 * step,
        channel=channel,
        shot=shot,
        freq_hz=freq_hz,
        drive_pp_v=0.1,
        note=note,
    )


@pytest.fixture
def rng():
    return np.random.default_rng(2)


def pair(note, shot, rng, exchanged=False, **more):
    channels = (2, 1) if exchanged else (1, 2)
    return [
        record("A", 0.05, channels[0], shot, note, rng, **more),
        record("B", -1.0, channels[1], shot, note, rng, **more),
    ]


def test_pairs_are_averaged_by_run_and_frequency(rng):
    first = [c for shot in range(3) for c in pair(note_of(PAIR, "one"), shot, rng)]
    other = pair(note_of(PAIR, "one"), 3, rng, freq_hz=2000.0)
    later = pair(note_of(PAIR, "two"), 0, rng)
    alien = [dataclasses.replace(first[0], point="C"), dataclasses.replace(first[0], freq_hz=None)]
    found = gains_kept([*first, *alien, *other, *later], "A", "B")
    assert [g.freq_hz for g in found] == [1000.0, 2000.0, 1000.0]
    by_hand = averaged([gain_of(first[i], first[i + 1]) for i in (0, 2, 4)])
    assert found[0].gain == by_hand.gain
    assert found[0].magnitude_std == by_hand.magnitude_std
    assert found[2].gain == gain_of(*later).gain


def test_exchanged_probes(rng):
    one = pair(note_of(STRAIGHT, "r"), 1, rng)
    two = pair(note_of(EXCHANGED, "r"), 2, rng, exchanged=True)
    (found,) = gains_kept([*one, *two], "A", "B")
    assert found.gain == swapped(gain_of(*one), gain_of(*two)).gain
    assert gains_kept(one, "A", "B") == []  # broken off before the second half


def test_one_channel_at_a_time(rng):
    sources = [record("A", 0.05, 1, shot, note_of(SOURCE, "r"), rng) for shot in (1, 2)]
    outputs = [record("B", -1.0, 1, shot, note_of(OUTPUT, "r"), rng) for shot in (3, 4)]
    (found,) = gains_kept([*sources, *outputs], "A", "B")
    assert found.gain == averaged([gain_of(a, b) for a, b in zip(sources, outputs, strict=True)]).gain
    assert "sync" in found.method


def test_half_a_shot_is_left_out(rng):
    assert gains_kept(pair(note_of(PAIR, "r"), 1, rng)[:1], "A", "B") == []


def test_what_gave_no_gain_when_it_was_taken_hides_no_other(rng):
    silent = [dataclasses.replace(c, codes=0 * c.codes) for c in pair(note_of(PAIR, "forgotten"), 1, rng)]
    kept = pair(note_of(STRAIGHT, "not exchanged"), 1, rng)
    inverse = [dataclasses.replace(c, point="AB"["BA".index(c.point)]) for c in pair("", 2, rng)]
    inverse = [dataclasses.replace(c, note=note_of(EXCHANGED, "not exchanged")) for c in inverse]
    good = pair(note_of(PAIR, "good"), 3, rng)
    with pytest.raises(FitFailed):
        gain_of(*silent)
    (found,) = gains_kept([*silent, *kept, *inverse, *good], "A", "B")
    assert found.gain == gain_of(*good).gain
