"""Balance of inverters and matching of pairs."""

import math

import numpy as np
import pytest

from analysis.balance import balance_of, match_pair
from analysis.gain import Gain, NoisePart
from analysis.uncertainty import InputQuantity


def between(ratio, std=0.002):
    return Gain(
        from_point="V2.1",
        to_point="V2.6",
        freq_hz=1000.0,
        drive_pp_v=0.1,
        gain=complex(ratio),
        noise=(NoisePart(name="noise", covariance=np.eye(2) * std**2, dof=1000.0),),
        fixed=(),
        in_pp_v=1.0,
        out_pp_v=abs(ratio),
        in_extremes_v=1.0,
        out_extremes_v=abs(ratio),
    )


def test_balanced_unbalanced_unclear():
    assert balance_of(between(-1.01)).verdict == "balanced"
    assert balance_of(between(-0.80)).verdict == "unbalanced"
    assert balance_of(between(-1.05)).verdict == "unclear"
    assert balance_of(between(-1.01, std=0.1)).verdict == "unclear"


def test_phase_is_counted_from_exact_opposition():
    found = balance_of(between(-np.exp(1j * math.radians(2.0))))
    assert found.from_opposite_deg == pytest.approx(2.0)
    assert found.opposite
    assert not balance_of(between(1.0)).opposite


def test_pair_matching_with_a_shared_meter():
    # Two cathode resistors of 10 ohm read on one range: its gain error is common and cancels.
    first = InputQuantity(name="first", value=0.0476, std=0.0005, unit="A")
    second = InputQuantity(name="second", value=0.0500, std=0.0005, unit="A")
    apart = match_pair(first, second)
    assert apart.difference.value == pytest.approx(2 * 0.0024 / 0.0976)
    assert apart.verdict == "matched"
    shared = match_pair(first, second, {("first", "second"): 1.0})
    assert shared.difference.std < 0.1 * apart.difference.std
    hot = InputQuantity(name="second", value=0.0600, std=0.0005, unit="A")
    assert match_pair(first, hot).verdict == "unmatched"
    edge = InputQuantity(name="second", value=0.0525, std=0.0005, unit="A")
    assert match_pair(first, edge).verdict == "unclear"


def test_a_pair_without_current_is_refused():
    dead = InputQuantity(name="a", value=0.0, std=1e-4)
    with pytest.raises(ValueError, match="without current"):
        match_pair(dead, InputQuantity(name="b", value=0.0, std=1e-4))
