"""Simulated hands: what the lead touches, and when."""

import numpy as np
import pytest

from acquisition.clock import FakeClock
from acquisition.simulated.hands import Hands


@pytest.fixture
def hands(wiring):
    wiring.clock = FakeClock(10.0)
    return Hands(wiring, seed=4, slip_rate=0.0)


def test_touch_bounces_then_holds(hands, wiring):
    holds_s = hands.touch("A")
    assert 10.25 < holds_s < 11.0
    assert wiring.lead.touched(10.2) is None
    assert wiring.lead.touched(holds_s) == wiring.lead.touched(holds_s + 60) == "A"
    contacts = [wiring.lead.touched(t) for t in np.arange(10.2, holds_s, 0.0005)]
    assert contacts.count("A") > 0
    assert contacts[-1] is None  # the last bounce ends where the contact begins to hold


def test_next_point_lifts_first(hands, wiring):
    first_s = hands.touch("A")
    wiring.clock.now_s = first_s + 1.0
    second_s = hands.touch("OUT")
    seen = [wiring.lead.touched(t) for t in np.arange(first_s, second_s + 0.01, 0.0005)]
    assert seen[0] == "A"
    assert seen[-1] == "OUT"
    assert None in seen


def test_lift(hands, wiring):
    wiring.clock.now_s = hands.touch("A") + 1.0
    lifted_s = hands.lift()
    assert wiring.lead.touched(lifted_s - 0.01) == "A"
    assert wiring.lead.touched(lifted_s + 5.0) is None


def test_same_seed_same_hands_and_slips_happen(wiring):
    wiring.clock = FakeClock(10.0)
    first, second = (Hands(wiring, seed=7, slip_rate=0.5).touch("A") for _ in range(2))
    assert first == second
    slow = [Hands(wiring, seed=seed, slip_rate=1.0).touch("A") for seed in range(20)]
    quick = [Hands(wiring, seed=seed, slip_rate=0.0).touch("A") for seed in range(20)]
    assert np.mean(slow) > np.mean(quick) + 0.3


def test_long_surveys_do_not_grow_the_plan(hands, wiring):
    for _ in range(500):
        wiring.clock.now_s = hands.touch("A") + 0.5
        hands.lift()
        wiring.clock.now_s += 1.0
    assert len(wiring.lead.times_s) < 120
