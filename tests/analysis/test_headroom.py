"""Headroom: onset, side, grid current and limits, on stages that clip in a known way."""

import math
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from acquisition.records import Capture
from analysis.gain import Gain
from analysis.gain.result import SCALES
from analysis.headroom import KEPT_AS, Criterion, Step, headroom_of, raise_drive, step_of, steps_kept
from analysis.uncertainty import InputQuantity

FREQ = 1000.0
TURN = 2 * np.pi * FREQ * (np.arange(4000) * 2e-6 - 4e-3)


def capture(point, volts, channel, rng):
    full_scale = 1.5 * np.ptp(volts)
    step = full_scale / 256
    codes = np.clip(np.round(volts / step + 0.4 * rng.normal(size=volts.size)), -128, 127).astype(np.int8)
    return Capture(
        point=point,
        codes=codes,
        scale_v=step,
        offset_v=0.0,
        t0_s=-4e-3,
        dt_s=2e-6,
        full_scale_v=full_scale,
        channel=channel,
        shot=1,
        freq_hz=FREQ,
        coupling="ac",
    )


class Stage:
    """Gain -50 between hard limits of the output; the input may flatten at its positive peaks (grid current)."""

    def __init__(self, low=-60.0, high=60.0, grid_v=1e9, seed=1):
        self.low, self.high, self.grid_v = low, high, grid_v
        self.rng = np.random.default_rng(seed)
        self.drives = []

    def __call__(self, drive_pp_v):
        self.drives.append(drive_pp_v)
        source = 0.5 * drive_pp_v * np.cos(TURN)
        # Above the grid's onset three quarters of the rise are lost in the source resistance.
        source = np.where(source > self.grid_v, self.grid_v + 0.25 * (source - self.grid_v), source)
        output = np.clip(-50.0 * source, self.low, self.high)
        output = output - output.mean()  # AC coupled
        return step_of(capture("V1.2", source, 1, self.rng), capture("V1.1", output, 2, self.rng), drive_pp_v)


def onset_pp_v(low, high, thd):
    """Fundamental, peak to peak, of the clipped sine whose distortion is ``thd``: by FFT of the shape."""
    below, above = 1.0, 4.0
    for _ in range(60):
        middle = 0.5 * (below + above)
        shape = np.clip(middle * 60 * np.cos(2 * np.pi * np.arange(4096) / 4096), low, high)
        lines = np.abs(np.fft.rfft(shape))[1:10] / 2048
        if math.sqrt(np.sum(lines[1:] ** 2)) / lines[0] < thd:
            below = middle
        else:
            above = middle
    return 2 * lines[0]


@pytest.mark.parametrize(
    ("low", "high", "side"), [(-60.0, 60.0, "both"), (-60.0, 90.0, "lower"), (-90.0, 60.0, "upper")]
)
def test_onset_and_side_of_a_known_clipper(low, high, side):
    stage = Stage(low, high)
    steps = list(raise_drive(stage, start_pp_v=0.1, most_pp_v=20.0))
    found = headroom_of(steps)
    assert found.reached
    assert found.side == side
    assert found.out_pp_v == pytest.approx(onset_pp_v(low, high, 0.05), abs=2 * found.out_std_v)
    assert found.out_pp_v == pytest.approx(onset_pp_v(low, high, 0.05), rel=0.02)
    assert not found.grid_current
    assert [s.drive_pp_v for s in found.steps] == sorted(stage.drives)
    assert found.power_w(8.0) == pytest.approx(found.out_pp_v**2 / 64)
    more = (found.out_pp_v + 1e-4 * found.out_std_v) ** 2 / 64
    assert found.power_std_w(8.0) == pytest.approx(1e4 * (more - found.power_w(8.0)), rel=1e-3)


def test_grid_current_is_seen_at_the_input():
    found = headroom_of(list(raise_drive(Stage(-200, 200, grid_v=1.0), start_pp_v=0.2, most_pp_v=20.0)))
    assert found.reached
    assert found.grid_current
    # The grid's positive peak is the plate's negative one.
    assert found.side == "lower"


def test_the_drive_stops_at_its_limit_and_says_so():
    stage = Stage(-500, 500)
    steps = list(raise_drive(stage, start_pp_v=0.1, most_pp_v=1.0))
    assert max(stage.drives) == pytest.approx(1.0)
    found = headroom_of(steps, limited_by="the generator")
    assert not found.reached
    assert found.limited_by == "the generator"
    assert found.side == "unclear"
    assert found.out_pp_v == pytest.approx(50.0, rel=0.01)


def test_no_step_is_taken_that_would_pass_the_rating():
    stage = Stage(-5000, 5000)
    steps = list(raise_drive(stage, start_pp_v=0.1, most_pp_v=100.0, most_out_pp_v=100.0))
    assert max(step.gain.out_pp_v for step in steps) < 100.5
    assert max(step.gain.out_pp_v for step in steps) > 70.0


def test_a_first_drive_that_clips_is_lowered():
    stage = Stage()
    steps = list(raise_drive(stage, start_pp_v=40.0, most_pp_v=40.0))
    assert min(stage.drives) == 2.5
    assert headroom_of(steps).out_pp_v == pytest.approx(onset_pp_v(-60, 60, 0.05), rel=0.02)


def test_the_criterion_is_part_of_the_result():
    tight = Criterion(thd_ratio=0.01)
    strict = headroom_of(list(raise_drive(Stage(), start_pp_v=0.1, most_pp_v=20.0, criterion=tight)), tight)
    assert strict.out_pp_v == pytest.approx(onset_pp_v(-60, 60, 0.01), rel=0.02)
    assert "distortion 1 %" in str(strict.criterion)
    by_gain = Criterion(thd_ratio=9.0, fall_db=1.0)
    found = headroom_of(list(raise_drive(Stage(), start_pp_v=0.1, most_pp_v=20.0, criterion=by_gain)), by_gain)
    small, at = found.steps[0].gain.gain_db, found.out_pp_v / found.in_pp_v
    assert small - 20 * math.log10(at) == pytest.approx(1.0, abs=0.05)


def test_distortion_of_a_known_wave_within_a_tenth_of_a_percent():
    """THD of waves from 0.02 % to 20 %, 8 bits and noise: within 0.1 % absolute down to the stated floor."""
    rng = np.random.default_rng(3)
    for thd in (0.0002, 0.001, 0.005, 0.02, 0.05, 0.2):
        for _ in range(6):
            second, third = thd * math.sqrt(0.7), thd * math.sqrt(0.3)
            phases = rng.uniform(0, 2 * np.pi, 2)
            wave = np.cos(TURN) + second * np.cos(2 * TURN + phases[0]) + third * np.cos(3 * TURN + phases[1])
            step = step_of(capture("A", np.cos(TURN), 1, rng), capture("B", wave, 2, rng), 1.0)
            assert step.thd_out == pytest.approx(thd, abs=0.001)
            assert step.thd_floor < 0.001


def test_thd_at_a_stated_power():
    found = headroom_of(list(raise_drive(Stage(), start_pp_v=0.1, most_pp_v=20.0)))
    thd, floor = found.thd_at_power(0.9 * found.power_w(8.0), 8.0)
    assert 0 <= thd < 0.05
    assert floor < 0.002
    assert found.thd_at_power(1e6, 8.0) is None


def test_nothing_taken_is_a_mistake():
    with pytest.raises(ValueError, match="no drive"):
        headroom_of([])


def step(drive_pp_v, in_pp_v, out_pp_v, thd):
    """A step by hand: 2 % of the output's scale and 5 % of the input's are not known, k = 1."""
    scales = (
        InputQuantity(name=SCALES[0], value=0.0, std=0.05),
        InputQuantity(name=SCALES[1], value=0.0, std=0.02),
    )
    gain = Gain(
        from_point="IN", to_point="SPK", freq_hz=FREQ, drive_pp_v=drive_pp_v, gain=out_pp_v / in_pp_v + 0j,
        noise=(), fixed=scales, in_pp_v=in_pp_v, out_pp_v=out_pp_v, in_extremes_v=in_pp_v, out_extremes_v=out_pp_v,
    )  # fmt: skip
    return Step(
        drive_pp_v=drive_pp_v, gain=gain, thd_in=0.0, thd_out=thd, thd_std=0.0, thd_floor=0.001,
        harmonics=(0.5 * out_pp_v,), dwell=0.0, in_dwell=0.0,
    )  # fmt: skip


def test_thd_is_that_of_the_drive_which_gives_the_power():
    # 8 V peak to peak are 2.828 V rms, 1 W into 8 ohm; 16 V are 4 W, and 2 W lies half way on a logarithmic scale.
    found = headroom_of([step(0.5, 0.5, 8.0, 0.01), step(1.0, 1.0, 16.0, 0.03)])
    assert found.thd_at_power(1.0, 8.0) == pytest.approx((0.01, 0.001))
    assert found.thd_at_power(4.0, 8.0) == pytest.approx((0.03, 0.001))
    assert found.thd_at_power(2.0, 8.0) == pytest.approx((0.02, 0.001))
    assert found.thd_at_power(0.99, 8.0) is None
    assert found.power_w(8.0) == pytest.approx(4.0)


def test_a_power_that_was_passed_and_lost_again_has_its_distortion():
    """Overdriven, a stage gives less again: 1 W at 8 V, 4 W at 16 V, then 10 V; 4 W were there all the same."""
    steps = [step(0.5, 0.5, 8.0, 0.01), step(1.0, 1.0, 16.0, 0.03), step(2.0, 2.0, 10.0, 0.3)]
    found = headroom_of(steps)
    assert found.thd_at_power(4.0, 8.0) == pytest.approx((0.03, 0.001))
    assert found.thd_at_power(2.0, 8.0) == pytest.approx((0.02, 0.001))
    assert found.thd_at_power(1.0, 8.0) == pytest.approx((0.01, 0.001))
    assert found.thd_at_power(4.1, 8.0) is None


def test_a_shot_that_told_nothing_leaves_the_others_of_its_run():
    rng = np.random.default_rng(5)
    kept = []
    for shot, volts in enumerate((2.0, 0.0, 4.0)):
        source = capture("V1.2", 0.05 * np.cos(TURN), 1, rng)
        output = replace(
            capture("V1.1", np.cos(TURN), 2, rng), codes=np.round(30 * volts * np.cos(TURN)).astype(np.int8)
        )
        kept += [
            replace(c, shot=shot, note=f"{KEPT_AS} run", drive_pp_v=0.1 * (shot + 1)) for c in (source, output)
        ]
    (steps,) = steps_kept(kept, "V1.2", "V1.1")
    assert [one.drive_pp_v for one in steps] == pytest.approx([0.1, 0.3])


def test_the_scale_of_the_scope_is_in_the_uncertainty_of_the_output():
    found = headroom_of([step(0.5, 0.5, 8.0, 0.001)])
    assert not found.reached
    assert found.out_std_v == pytest.approx(0.02 * 8.0)


def test_the_last_step_of_the_drive_does_not_pass_its_limit():
    stage = Stage(-500, 500)
    list(raise_drive(stage, start_pp_v=0.1, most_pp_v=0.9))
    assert max(stage.drives) == 0.9
    assert sorted(stage.drives)[-2] < 0.9
    low = Stage(-500, 500)
    list(raise_drive(low, start_pp_v=2.0, most_pp_v=0.9))
    assert low.drives == [0.9]


def raised(wave, start_pp_v=0.1):
    """Onset of a stage that makes ``wave(source)`` of its input; the scope has no range below 0.2 V."""
    rng = np.random.default_rng(4)

    def seen(point, volts, channel):
        step = max(1.5 * np.ptp(volts), 0.2) / 256
        codes = np.round((volts - volts.mean()) / step + 0.4 * rng.normal(size=volts.size)).astype(np.int8)
        return Capture(
            point=point, codes=codes, scale_v=step, offset_v=0.0, t0_s=-4e-3, dt_s=2e-6, full_scale_v=256 * step,
            channel=channel, shot=1, freq_hz=FREQ, coupling="ac",
        )  # fmt: skip

    def take(drive_pp_v):
        source = 0.5 * drive_pp_v * np.cos(TURN)
        return step_of(seen("V1.2", source, 1), seen("V1.1", wave(source), 2), drive_pp_v)

    return headroom_of(list(raise_drive(take, start_pp_v=start_pp_v, most_pp_v=20.0)))


@pytest.mark.parametrize("gap_v", [0.1, 0.5, 2.0])
def test_a_gap_at_the_crossover_is_no_clipping(gap_v):
    """Small waves are bent most there: the onset is still where large ones begin to be, and the gap is told."""
    found = raised(lambda v: np.clip(np.sign(v) * np.maximum(0.0, np.abs(50 * v) - gap_v), -60, 60))
    assert found.reached
    # The gap takes its volts from the input and hardly changes the clipped output.
    assert found.out_pp_v == pytest.approx(onset_pp_v(-60, 60, 0.05), rel=0.02)
    assert found.bent_when_small is not None
    assert raised(lambda v: np.clip(50 * v, -60, 60)).bent_when_small is None


def test_distortion_that_does_not_go_with_the_drive_is_not_followed_down_into_the_noise():
    found = raised(lambda v: np.clip(50 * v + 2 * np.abs(v), -60, 60))
    assert found.steps[0].drive_pp_v > 0.02
    assert 0.01 < found.steps[0].thd_out < 0.03
    assert found.reached
    assert found.out_pp_v == pytest.approx(onset_pp_v(-60, 60, 0.05), rel=0.05)


def test_noise_alone_does_not_clip():
    dead = raised(lambda v: 0.0 * v)
    assert not dead.reached
    assert dead.steps[-1].drive_pp_v == 20.0
    assert raised(lambda v: np.clip(0.9 * v, -6, 6), start_pp_v=0.001).in_pp_v == pytest.approx(15.1, rel=0.02)


def softly(errors):
    """A stage of gain 40 that is down by 1 dB at 60 V, 2 % distorted there; each range has an error of its own."""

    def take(drive_pp_v):
        bent = (drive_pp_v / 1.5) ** 2
        true = drive_pp_v, 40.0 * drive_pp_v * 10.0 ** (-bent / 20.0)
        ranges = [
            min(r for r in np.outer([1.0, 2.0, 5.0], 10.0 ** np.arange(-2, 4)).ravel() if r >= v) for v in true
        ]
        shown = [v * errors[place, r] for place, (v, r) in enumerate(zip(true, ranges, strict=True))]
        one = step(drive_pp_v, *shown, 0.02 * bent)
        scales = tuple(InputQuantity(name=name, value=0.0, std=0.03 / math.sqrt(3.0)) for name in SCALES[:2])
        gain = replace(one.gain, fixed=scales, in_range=(1, ranges[0]), out_range=(2, ranges[1]))
        return replace(one, gain=gain)

    return take


def test_a_fall_of_the_gain_across_two_ranges_is_known_as_well_as_their_scales():
    """JCGM 100, 5.2: on one range the scale cancels in a fall of 1 dB, on two their errors of up to 3 % are a third
    of it. The output at the onset was inside its interval of 95 % in a quarter of such runs."""
    rng, inside, count = np.random.default_rng(8), 0, 200
    true = 60.0 * 10.0 ** (-1.0 / 20.0)
    for _ in range(count):
        errors = defaultdict(lambda: 1.0 + rng.uniform(-0.03, 0.03))
        found = headroom_of(list(raise_drive(softly(errors), start_pp_v=0.15, most_pp_v=20.0)))
        inside += abs(found.out_pp_v - true) < 1.96 * found.out_std_v
    print(f"onset by a fall of the gain: {inside} of {count} inside")
    assert inside >= 0.88 * count


def test_where_distortion_comes_first_no_scale_moves_the_onset():
    """5 % of distortion with a fall of 0.2 dB: what is left is the distance of the steps and one scale of 2 %."""

    def take(drive_pp_v):
        bent = (drive_pp_v / 1.5) ** 8
        one = step(drive_pp_v, drive_pp_v, 40.0 * drive_pp_v * 10.0 ** (-0.2 * bent / 20.0), 0.05 * bent)
        return replace(one, gain=replace(one.gain, in_range=(1, drive_pp_v), out_range=(2, drive_pp_v)))

    found = headroom_of(list(raise_drive(take, start_pp_v=0.15, most_pp_v=20.0)))
    assert found.out_std_v / found.out_pp_v == pytest.approx(0.02, rel=0.3)
