"""Response: frequencies, averaging until it is good enough, and -3 dB corners with their uncertainty."""

import math

import numpy as np
import pytest

from acquisition.errors import FitFailed
from analysis.gain import SCALES, Gain, NoisePart
from analysis.response import Response, log_frequencies, magnitude_covariance, repeats_wanted
from analysis.uncertainty import InputQuantity


def gain_at(freq, value, *, noise=0.0, scale=0.0, in_range=(1, 0.2), out_range=(2, 8.0), shared=None):
    size = abs(value)
    return Gain(
        from_point="V1.2",
        to_point="V1.1",
        freq_hz=freq,
        drive_pp_v=0.1,
        gain=complex(value),
        noise=(NoisePart(name="noise", covariance=np.eye(2) * (noise * size) ** 2, dof=1000.0),),
        fixed=tuple(InputQuantity(name=name, value=0.0, std=scale) for name in SCALES[:2]),
        shared=shared or {},
        in_pp_v=0.1,
        out_pp_v=0.1 * size,
        in_extremes_v=0.1,
        out_extremes_v=0.1 * size,
        in_range=in_range,
        out_range=out_range,
    )


def stage(freq, low=20.0, high=15e3):
    return -50.0 / ((1 - 1j * low / freq) * (1 + 1j * freq / high))


def response(frequencies, rng=None, noise=0.0, scale=0.0, error=0.0, **more):
    gains = []
    for f in frequencies:
        value = stage(f) * (1 + error)
        if rng is not None:
            value *= 1 + noise * (rng.normal() + 1j * rng.normal())
        gains.append(gain_at(f, value, noise=noise, scale=scale, **more))
    return Response(gains=tuple(gains))


def exact(side):
    """-3 dB against 1 kHz of the two-pole stage, by bisection on its formula."""
    target = abs(stage(1000.0)) / math.sqrt(2)
    low, high = (1.0, 1000.0) if side == "low" else (1000.0, 1e6)
    for _ in range(100):
        middle = math.sqrt(low * high)
        if (abs(stage(middle)) < target) == (side == "low"):
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("points", [12, 20, 30, 40])
@pytest.mark.parametrize("side", ["low", "high"])
def test_corner_of_a_known_stage(points, side):
    corner = response(log_frequencies(5.0, 50e3, points)).corner(side)
    # Without noise all that is left is the curve between the points, three a decade or more.
    assert corner.freq_hz == pytest.approx(exact(side), rel=2e-3 if points < 20 else 5e-5)
    assert corner.reference_hz == pytest.approx(1000.0)


def test_frequencies_of_a_sweep_are_far_enough_apart_to_be_told_from_one_another():
    """Of fifty between 49 and 51 Hz each took its neighbour's gain from the pass, and the last two were one."""
    with pytest.raises(ValueError, match=r"50 frequencies from 49 to 51 Hz are too close .* expected 11 or fewer"):
        log_frequencies(49.0, 51.0, 50)
    with pytest.raises(ValueError, match="expected ends further from each other"):
        log_frequencies(1000.0, 1001.0, 2)
    for low_hz, high_hz, count in ((49.0, 51.0, 11), (20.0, 20e3, 1000)):
        assert (np.diff(np.log(log_frequencies(low_hz, high_hz, count))) > 0.003).all()


def test_corner_of_a_shelf_is_stated_with_what_the_curve_leaves_open():
    # A cathode bypass gives a zero and a pole (4.24 and 8.65 Hz) and no plain high-pass; one RC above it.
    def shelf(f):
        return -56.0 * (1 + 1j * f / 4.24) / (1 + 1j * f / 8.65) * 4.24 / 8.65 / (1 - 14.2j / f)

    frequencies = log_frequencies(2.0, 50e3, 30)
    found = Response(gains=tuple(gain_at(f, shelf(f)) for f in frequencies)).corner("low")
    dense = np.linspace(5.0, 60.0, 200_001)
    full = abs(shelf(1000.0))
    true = dense[np.argmax(np.abs(shelf(dense)) >= full / math.sqrt(2))]
    assert found.freq_hz == pytest.approx(true, rel=2e-3)


@pytest.mark.parametrize("side", ["low", "high"])
def test_corner_lies_in_its_interval_as_often_as_stated(side):
    rng = np.random.default_rng(7)
    frequencies = log_frequencies(5.0, 50e3, 30)
    true = exact(side)
    inside = 0
    for _ in range(1000):
        # One scale error for the whole sweep: it cancels. Noise of 0.5 % a point does not.
        found = response(frequencies, rng, noise=0.005, scale=0.02, error=rng.normal() * 0.028).corner(side)
        inside += abs(found.freq_hz - true) < 1.96 * found.std_hz
    print(f"{side} corner within its 95 % interval in {inside} of 1000")
    assert 930 <= inside <= 970


def test_a_range_change_between_reference_and_corner_counts():
    frequencies = log_frequencies(5.0, 50e3, 30)
    one = response(frequencies, scale=0.02).corner("low")
    gains = [gain_at(f, stage(f), scale=0.02, out_range=(2, 8.0) if f > 100 else (2, 4.0)) for f in frequencies]
    two = Response(gains=tuple(gains)).corner("low")
    assert two.std_hz > 5 * one.std_hz
    # Each range is wrong by 2 % on its own; d ln|H| / d ln f of one RC is 1/2 at its corner.
    assert two.std_hz / two.freq_hz == pytest.approx(math.hypot(0.02, 0.02) / 0.5, rel=0.1)


def test_corner_outside_the_sweep_is_not_invented():
    found = response(log_frequencies(200.0, 2000.0, 10))
    assert found.corner("low") is None
    assert found.corner("high") is None
    with pytest.raises(ValueError, match="neither"):
        found.corner("left")
    with pytest.raises(FitFailed, match="too few"):
        response(log_frequencies(200.0, 2000.0, 3)).corner("low")


def test_reference_is_the_top_where_the_sweep_does_not_hold_1_khz():
    corner = response(log_frequencies(5.0, 500.0, 30)).corner("low")
    assert corner.reference_hz == pytest.approx(500.0)


def test_covariance_of_shared_and_separate_errors():
    same = magnitude_covariance([gain_at(100.0, 5.0, scale=0.02), gain_at(200.0, 7.0, scale=0.02)])
    assert same == pytest.approx(np.full((2, 2), 2 * 0.02**2))
    other = magnitude_covariance(
        [gain_at(100.0, 5.0, scale=0.02), gain_at(200.0, 7.0, scale=0.02, out_range=(2, 16.0))]
    )
    assert other[0, 1] == pytest.approx(0.02**2)
    # One channel, one range for input and output: the scale is in neither magnitude.
    alone = magnitude_covariance(
        [gain_at(f, 5.0, scale=0.02, in_range=(1, 8.0), out_range=(1, 8.0)) for f in (100.0, 200.0)]
    )
    assert alone == pytest.approx(np.zeros((2, 2)))
    half = magnitude_covariance([gain_at(100.0, 5.0, scale=0.02, shared={(SCALES[0], SCALES[1]): 0.5})])
    assert half[0, 0] == pytest.approx(0.02**2)


def test_log_frequencies():
    found = log_frequencies(20.0, 20e3, 30)
    assert len(found) == 30
    assert (found[0], found[-1]) == (20.0, 20000.0)
    assert np.all(np.diff(np.log(found)) > 0)
    for bad in ((0.0, 10.0, 5), (20.0, 10.0, 5), (20.0, 100.0, 1)):
        with pytest.raises(ValueError, match="rising"):
            log_frequencies(*bad)


def test_averaging_stops_at_the_wanted_uncertainty_or_the_most():
    def noisy(level):
        return gain_at(1000.0, -20.0, noise=level, scale=0.05)

    assert repeats_wanted([], 0.02, 16)
    assert not repeats_wanted([noisy(0.001)], 0.02, 16)  # 0.0087 dB
    assert repeats_wanted([noisy(0.01)], 0.02, 16)
    assert not repeats_wanted([noisy(0.01)] * 16, 0.02, 16)
    assert repeats_wanted([gain_at(1000.0, 0.0)], 0.02, 16)
    # 0.087 dB each: 0.05 dB needs (0.087 / 0.05)^2 = 3.01, so 4.
    counts = [count for count in range(1, 17) if not repeats_wanted([noisy(0.01)] * count, 0.05, 16)]
    assert counts[0] == 4


def test_a_slope_of_the_curve_is_in_the_uncertainty_of_a_sparse_sweep():
    """A shelf of 3.5 dB crosses -3 dB at a shallow angle: 15 points for three decades are off by 5 %."""

    def shelf(f):
        return (1 - 200j / f) / (1 - 300j / f) / (1 - 5j / f)

    below, above = 10.0, 200.0
    for _ in range(80):
        middle = math.sqrt(below * above)
        below, above = (middle, above) if abs(shelf(middle)) < abs(shelf(1e3)) / math.sqrt(2) else (below, middle)
    for count in (8, 15, 30):
        gains = tuple(gain_at(f, shelf(f), noise=1e-4) for f in log_frequencies(20.0, 20e3, count))
        corner = Response(gains=gains).corner("low")
        assert abs(corner.freq_hz - below) < 1.96 * corner.std_hz


RESPONSES = {
    "two RC": lambda x: (1 + 1j * x) ** -2,
    "maximally flat, second order": lambda x: 1 / (1 - x * x + 1.414214j * x),
    "maximally flat, fourth order": lambda x: (1 + x**8) ** -0.5,
    "peaking by 1 dB": lambda x: 1 / (1 - x * x + 1j * x),
    "peaking by 6 dB": lambda x: 1 / (1 - x * x + 0.5j * x),
}


@pytest.mark.parametrize("name", RESPONSES)
@pytest.mark.parametrize("count", [8, 12])
def test_corner_of_a_steep_or_peaking_response_from_few_points_is_stated_as_wide_as_it_is(name, count):
    """About 2 and 3 points a decade, no noise: only the curve between the points is unknown."""
    rng, frequencies, inside = np.random.default_rng(5), log_frequencies(5.0, 100e3, count), 0
    for _ in range(60):
        cut = float(np.exp(rng.uniform(np.log(3e3), np.log(16e3))))
        found = Response(gains=tuple(gain_at(f, RESPONSES[name](f / cut)) for f in frequencies)).corner("high")
        target = abs(RESPONSES[name](1e3 / cut)) / math.sqrt(2)
        below, above = cut / 3, 3 * cut
        for _ in range(60):
            true = math.sqrt(below * above)
            below, above = (true, above) if abs(RESPONSES[name](true / cut)) > target else (below, true)
        inside += abs(found.freq_hz - true) < 1.96 * found.std_hz
    print(f"{name}, {count} points: {inside} of 60 inside")
    assert inside >= 57


@pytest.mark.parametrize("dead", [0, 4, 9])
def test_a_frequency_without_output_tells_no_corner(dead):
    frequencies = log_frequencies(5.0, 50e3, 10)
    gains = [gain_at(f, 0.0 if index == dead else stage(f)) for index, f in enumerate(frequencies)]
    for side in ("low", "high"):
        with pytest.raises(FitFailed, match=f"there is no output at {frequencies[dead]:g} Hz"):
            Response(gains=tuple(gains)).corner(side)


def test_a_sweep_without_the_flat_part_does_not_tell_the_corner():
    falling = response(log_frequencies(30e3, 300e3, 10))
    with pytest.raises(FitFailed, match="still rises at the lowest"):
        falling.corner("high")
    assert falling.corner("low") is None
    with pytest.raises(FitFailed, match="still rises at the highest"):
        response(log_frequencies(2.0, 30.0, 10)).corner("low")
