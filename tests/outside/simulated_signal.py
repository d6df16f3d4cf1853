"""Gain, corner frequencies and distortion on the simulated bench, again and again: how often does the stated
interval hold the truth? Run by hand:

    python -m tests.outside.simulated_signal 1000

Through SCPI and the ordinary drivers, with an 8-bit scope, noise of 0.4 steps, trigger jitter and a time base that
is off; each run has another scope, whose ranges are each wrong by something within the printed 2 %. Of 1,000 runs
93 to 97 % are to be inside the interval of 95 %; distortion is to be right within 0.1 % absolute (or its floor).
"""

import math
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from acquisition.capture import ScopeRules, StageCapture, Tap
from acquisition.clock import FakeClock
from acquisition.instruments import load_bench, open_generator, open_scope
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.plant import Line
from acquisition.simulated.scope import AC_CORNER_HZ
from acquisition.simulated.scope_channel import CHANNELS, SCALES_V
from analysis.gain import ChannelAccuracy, gain_of
from analysis.headroom import step_of
from analysis.response import Response, log_frequencies

PRINTED = 0.02
GAIN, LOW_HZ, HIGH_HZ = 56.0, 19.0, 90e3
ACCURACY = ChannelAccuracy(vertical=PRINTED, probe=0.0)
COUPLED = ChannelAccuracy(vertical=PRINTED, probe=0.0, ac_corner_hz=AC_CORNER_HZ)


class BandPass:
    """A stage of one RC below and one above, and harmonics of known size as lines beside the drive."""

    def __init__(self, harmonics=()):
        self.harmonics = harmonics
        self.freq_hz = 1000.0

    def dc_v(self, point, load_ohm=math.inf):
        return 0.0

    def settle_s(self, point):
        return 0.01

    def ripple(self, point):
        if point != "OUT":
            return []
        return [Line((n + 2) * self.freq_hz, peak_v, 0.3 * n) for n, peak_v in enumerate(self.harmonics)]

    def response(self, points, freq_hz, loads_s):
        stage = -GAIN / ((1 - 1j * LOW_HZ / freq_hz) * (1 + 1j * freq_hz / HIGH_HZ))
        return np.array([{"IN": 1.0, "OUT": stage}[point] for point in points], complex)

    def swing_v(self, point):
        return (-1e4, 1e4)


def corners_hz():
    """-3 dB frequencies of the stage against its gain at 1 kHz, by bisection on the formula itself."""
    plant = BandPass()

    def size(freq_hz):
        return abs(plant.response(["OUT"], freq_hz, [])[0])

    found = []
    for below, above in ((1.0, 1000.0), (1e6, 1000.0)):
        for _ in range(80):
            middle = math.sqrt(below * above)
            below, above = (middle, above) if size(middle) < size(1000.0) / math.sqrt(2) else (below, middle)
        found.append(middle)
    return found


@contextmanager
def stage_capture(plant, folder, worst_v=350.0):
    clock = FakeClock()  # one time for all, so that slow records cost no waiting
    with SimulatedBench(plant, clock=clock) as bench:
        bench.wiring.clip(1, "IN")
        bench.wiring.clip(2, "OUT")
        described = load_bench(str(bench.write(Path(folder) / "bench.yaml")))
        with open_generator(described, clock=clock) as generator, open_scope(described, clock=clock) as scope:
            # 350 V ask for direct coupling, so that the capacitor of the input is not part of the low corner.
            taps = [
                Tap(point="IN", channel=1, worst_v=worst_v),
                Tap(point="OUT", channel=2, worst_v=worst_v, pp_v=6.0),
            ]
            rules = ScopeRules(tip_rated_v=600.0, input_rated_v=300.0)
            yield bench, StageCapture(generator, scope, taps, rules, lambda record: None, clock=clock)


def another_scope(bench, rng):
    bench.scope.gain_errors = {(c, s): float(rng.uniform(-1, 1)) * PRINTED for c in CHANNELS for s in SCALES_V}


def gains(count, folder, seed=5):
    """How many of the runs have gain and phase at 1 kHz inside their intervals of 95 %."""
    rng, inside = np.random.default_rng(seed), np.zeros(2, int)
    true = BandPass().response(["OUT"], 1000.0, [])[0]
    with stage_capture(BandPass(), folder) as (bench, capture), capture.driven(1000.0, 0.1) as shoot:
        for _ in range(count):
            another_scope(bench, rng)
            found = gain_of(*shoot(), ACCURACY)
            turned_deg = math.degrees(np.angle(found.gain / true))
            inside[0] += abs(found.magnitude - abs(true)) < found.magnitude_budget().expanded()
            inside[1] += abs(turned_deg) < found.phase_budget().expanded()
    return {"gain": int(inside[0]), "phase": int(inside[1])}


def coupled(count, folder, seed=7, freq_hz=3.0):
    """The same far below the stage's corner, both channels AC coupled, each with a capacitor of its own."""
    rng, inside = np.random.default_rng(seed), np.zeros(2, int)
    true = BandPass().response(["OUT"], freq_hz, [])[0]
    with stage_capture(BandPass(), folder, 100.0) as (bench, capture), capture.driven(freq_hz, 0.1) as shoot:
        assert capture.coupling == "ac"
        for _ in range(count):
            another_scope(bench, rng)
            off = rng.uniform(-1, 1, 2) * ACCURACY.ac_tolerance
            bench.scope.ac_corners_hz = dict(zip(CHANNELS, AC_CORNER_HZ * (1 + off), strict=True))
            found = gain_of(*shoot(), COUPLED)
            turned_deg = math.degrees(np.angle(found.gain / true))
            inside[0] += abs(found.magnitude - abs(true)) < found.magnitude_budget().expanded()
            inside[1] += abs(turned_deg) < found.phase_budget().expanded()
    return {"gain at 3 Hz, AC coupled": int(inside[0]), "phase at 3 Hz, AC coupled": int(inside[1])}


def corners(count, folder, seed=6):
    """How many of the sweeps have each corner inside its interval of 95 %."""
    rng, inside, true = (
        np.random.default_rng(seed),
        {"low": 0, "high": 0},
        dict(zip(("low", "high"), corners_hz(), strict=True)),
    )
    near = [*log_frequencies(10.0, 40.0, 6), 250.0, 500.0, 1000.0, 2000.0, 4000.0, *log_frequencies(40e3, 200e3, 6)]
    errors = {"low": [], "high": []}
    with stage_capture(BandPass(), folder) as (bench, capture):
        for _ in range(count):
            another_scope(bench, rng)
            found = []
            for freq_hz in near:
                with capture.driven(float(freq_hz), 0.1) as shoot:
                    found.append(gain_of(*shoot(), ACCURACY))
            response = Response(gains=tuple(found))
            for side, true_hz in true.items():
                corner = response.corner(side)
                inside[side] += abs(corner.freq_hz - true_hz) < 1.96 * corner.std_hz
                errors[side].append((corner.freq_hz / true_hz - 1.0, corner.std_hz / true_hz))
    for side, pairs in errors.items():
        off, stated = np.array(pairs).T
        print(f"{side} corner, true {true[side]:.5g} Hz: scatter {100 * off.std():.2f} %, mean "
              f"{100 * off.mean():+.2f} %, stated {100 * stated.mean():.2f} %")  # fmt: skip
    return {f"{side} corner": number for side, number in inside.items()}


def distortions(count, folder):
    """Largest error of the distortion of known waves, as a ratio, for each wave with its floor."""
    found = []
    for wanted in (0.0, 0.001, 0.003, 0.01, 0.03, 0.10):
        peak_v = 0.05 * GAIN
        plant = BandPass((0.8 * wanted * peak_v, 0.6 * wanted * peak_v))
        with stage_capture(plant, folder) as (_, capture), capture.driven(1000.0, 0.1) as shoot:
            steps = [step_of(*shoot(), 0.1, ACCURACY) for _ in range(count)]
        worst = max(abs(step.thd_out - wanted) for step in steps)
        found.append((wanted, worst, max(step.thd_floor for step in steps)))
    return found


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for wanted, worst, floor in distortions(20, folder):
            failed += worst > max(0.001, floor)
            print(f"distortion {100 * wanted:5.2f} %: worst error {100 * worst:.3f} %, floor {100 * floor:.3f} %",
                  flush=True)  # fmt: skip
        for figure, inside in {
            **gains(count, folder),
            **coupled(count, folder),
            **corners(count, folder),
        }.items():
            failed += not 0.93 * count <= inside <= 0.97 * count
            print(f"{figure:<26}{inside:>5} of {count} inside the interval of 95 %", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
