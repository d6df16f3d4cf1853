"""Results of generator and scope in words: each line against one made by hand."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from acquisition.errors import FitFailed
from analysis.app.page import gaining
from analysis.app.signal.pairs import MatchedPair
from analysis.app.signal.show import (
    balance_text,
    corner_line,
    gain_facts,
    gain_text,
    headroom_text,
    level_and_phase,
    pair_text,
    sweep_line,
)  # fmt: skip
from analysis.balance import Balance, PairMatch
from analysis.gain import Gain, NoisePart
from analysis.gain.result import DELAY, SCALES
from analysis.headroom import Criterion, Headroom
from analysis.response import Corner
from analysis.uncertainty import Budget, InputQuantity


class Plan:
    """A stage whose model expects a gain of -40 and has no probes to take out."""

    name = "first"

    def expected(self, freq_hz):
        return np.full(len(freq_hz), -40.0 + 0.0j)

    def unprobed(self, freq_hz, gain):
        return None


GAIN = Gain(
    from_point="V1.2", to_point="V1.1", freq_hz=1000.0, drive_pp_v=0.1, gain=-50.0 + 0.0j, noise=(),
    fixed=(
        InputQuantity(name=SCALES[1], value=0.0, std=0.01),
        InputQuantity(name=DELAY, value=0.0, std=1e-6, unit="s"),
    ),
    in_pp_v=0.1, out_pp_v=5.0, in_extremes_v=0.11, out_extremes_v=5.5,
)  # fmt: skip
"""Of 50, inverted: 1 % of the scale and 1 us, which is 0.36 degree of 1 kHz, are not known, k = 1."""


def test_a_gain():
    # 1.96 times 1 % of 50; 20 log 50 = 33.98; 1 % are 8.686 * 0.01 dB, 1.96 times that 0.17; 1.96 * 0.36 = 0.71.
    # 20 log 40 = 32.04, and 50 is a quarter more than 40.
    lines = gain_text(GAIN, Plan())
    assert lines[:3] == [
        "first: V1.2 to V1.1 at 1 kHz, generator 100 mV p-p",
        "  gain     50 +- 0.98 (95 %)   33.98 +- 0.17 dB",
        "  phase    +180.00 +- 0.71 deg: the stage inverts",
    ]
    assert lines[3].startswith("  signal   100 mV in, 5 V out, peak to peak")
    assert "  model    40, 32.04 dB, +180.00 deg with these probes; measured +25.0 %" in lines


def test_next_to_no_output():
    nothing = replace(GAIN, gain=0.0j, noise=(NoisePart(name="steps", covariance=0.01 * np.eye(2), dof=math.inf),))
    assert gain_text(nothing, Plan())[1:3] == [
        "  gain     0 +- 0.2 (95 %)   no output",
        "  phase    none: hardly any output, so its phase means nothing",
    ]
    json.loads(json.dumps(gain_facts(nothing, Plan()), allow_nan=False))
    assert sweep_line(nothing, Plan()).split()[2:7] == ["0", "-inf", ">99", "none", "32.04"]
    hardly = replace(nothing, gain=2e-5 + 0.0j)
    assert sweep_line(hardly, Plan()).split()[2:5] == ["2e-05", "-93.98", ">99"]
    assert "-93.98 +- >99 dB" in gain_text(hardly, Plan())[1]
    told = "hardly any output, so its phase means nothing at 1000 Hz"
    assert [level_and_phase(one) for one in (nothing, hardly)] == [told] * 2
    assert level_and_phase(GAIN) == "33.98 dB, +180.0° at 1000 Hz: the stage inverts"


def test_a_sweep_of_a_dead_stage_is_drawn_without_what_has_no_decibels():
    """On the page minus infinity is no JSON, and the thread of the bench ended on it."""
    nothing = replace(GAIN, gain=0.0j, noise=(NoisePart(name="steps", covariance=0.01 * np.eye(2), dof=math.inf),))
    plan = SimpleNamespace(model=None)
    (drawn,) = gaining._response(plan, [GAIN, nothing], True)
    assert [point[0] for point in json.loads(json.dumps(drawn, allow_nan=False))["points"]] == [1000.0]
    assert gaining._response(plan, [nothing, nothing], True) == []


def test_a_frequency_of_a_sweep():
    assert sweep_line(GAIN, Plan()).split() == [
        "1",
        "kHz",
        "50",
        "33.98",
        "0.17",
        "180.00",
        "0.71",
        "32.04",
        "180.0",
    ]


def test_a_corner():
    corner = Corner(side="low", freq_hz=20.0, std_hz=5.0, reference_hz=1000.0)
    said = "low -3 dB corner: 20 Hz +- 9.8 Hz (95 %), against the gain at 1 kHz"
    assert corner_line("low", corner, (5.0, 20e3)) == said
    assert corner_line("low", None, (5.0, 20e3)) == "low -3 dB corner: below 5 Hz"
    assert corner_line("high", None, (5.0, 20e3)) == "high -3 dB corner: above 20 kHz"
    few = FitFailed("3 frequencies are too few for a corner", hint="sweep at least 4", reason="too few points")
    assert corner_line("low", few, (5.0, 20e3)) == (
        "low -3 dB corner: cannot tell, 3 frequencies are too few for a corner; sweep at least 4"
    )


def test_headroom_and_power():
    # 8 V peak to peak are 2.828 V rms: 1 W into 8 ohm. 1.96 * 0.1 V = 0.196 V, and twice as much of the power.
    found = Headroom(
        criterion=Criterion(), steps=(), reached=True, limited_by="the criterion", in_pp_v=0.4, out_pp_v=8.0,
        out_std_v=0.1, side="upper", grid_current=False,
    )  # fmt: skip
    lines = headroom_text(found, 8.0)
    assert "onset at 400 mV in, 8 V +- 200 mV out, peak to peak" in lines
    assert "flattens first: upper side of the output" in lines
    assert "power there into 8 ohm, taken as exact: 1 W +- 49 mW" in lines
    assert "flattens first: both sides of the output" in headroom_text(replace(found, side="both"), None)


def test_balance_of_an_inverter():
    found = Balance(
        first="V3.2", second="V3.7", ratio=0.9, ratio_std=0.01, from_opposite_deg=1.0, std_deg=0.1,
        verdict="unbalanced", opposite=True,
    )  # fmt: skip
    (line,) = balance_text(found)
    assert line.startswith("balance: V3.7 is 0.9000 +- 0.0196 of V3.2, +1.00 +- 0.20 deg from opposite: unbalanced")


def test_a_pair_of_output_tubes():
    difference = Budget(name="difference", unit="", value=0.1, std=0.02, dof=math.inf, rows=())
    found = MatchedPair(
        first="V4", second="V5", match=PairMatch(difference=difference, verdict="unmatched"),
        first_a=InputQuantity(name="V4", value=0.038, std=0.0),
        second_a=InputQuantity(name="V5", value=0.042, std=0.0),
    )  # fmt: skip
    (line,) = pair_text(found)
    assert line.startswith("pair: V4 38 mA, V5 42 mA at the cathodes, +10.0 +- 3.9 %")
