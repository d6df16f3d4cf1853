"""Parts of the detector by themselves: the scale of the samples, and the lift after a reading."""

import math

import pytest

from acquisition.instruments import Sample
from acquisition.steady import Rules
from acquisition.steady.lift import IN_BAND_S, Lift
from acquisition.steady.scale import Scale

PERIOD_S = 0.1
LIFT_S = Rules().lift_s


def off_at(values, *, level_v=100.0, scatter_v=0.01, quietest_v=0.05, start_s=PERIOD_S):
    """Time from the reading until the lift is seen; None where it never is."""
    lift = Lift(Rules())
    lift.begin(0.0, level_v, scatter_v)
    for index, value_v in enumerate(values):
        t_s = start_s + index * PERIOD_S
        if lift.is_off(t_s, value_v, band_v=0.5, quietest_v=quietest_v, noise_v=1e-4, period_s=PERIOD_S):
            return t_s
    return None


def test_a_tip_is_off_after_air_for_long_enough_and_not_for_a_chatter():
    off_s = off_at([100.0] * 3 + [0.01] * 20)
    assert off_s == pytest.approx(0.4 + LIFT_S - PERIOD_S, abs=1.5 * PERIOD_S)
    assert off_at([100.0, 0.01, 100.0, 0.01, 0.01, 100.0] * 5) is None


def test_another_pin_is_off_too_and_one_sample_never_is():
    assert off_at([190.0] * 20) is not None
    assert off_at([0.0]) is None


def test_what_was_unseen_between_does_not_count_as_air():
    lift = Lift(Rules())
    lift.begin(0.0, 100.0, 0.01)
    facts = {"band_v": 0.5, "quietest_v": None, "noise_v": 1e-4, "period_s": PERIOD_S}
    assert not lift.is_off(0.1, 0.0, **facts)
    lift.unseen()
    assert not lift.is_off(5.0, 0.0, **facts)
    assert lift.is_off(5.0 + LIFT_S, 0.0, **facts)


def test_within_the_band_the_wander_of_the_free_lead_tells_and_else_the_time():
    assert off_at([0.1] * 20, level_v=0.1) is None
    assert off_at([0.2] * 20, level_v=0.1) is not None
    assert off_at([0.1] * 40, level_v=0.1, quietest_v=None) == pytest.approx(IN_BAND_S, abs=1.5 * PERIOD_S)


def test_a_scale_is_another_one_where_range_or_digit_is():
    scale = Scale()

    def changed(**facts):
        return scale.is_changed_by(Sample(t_s=0.0, value_v=5.0, **facts))

    assert changed(range_v=100.0, resolution_v=1e-3)
    assert not changed(range_v=100.0, resolution_v=1e-3)
    assert (scale.range_v, scale.digit_v) == (100.0, 1e-3)
    assert changed(range_v=100.0, resolution_v=1e-2)
    assert changed(range_v=10.0, resolution_v=0.0)
    assert scale.digit_v == pytest.approx(1e-5), "six digits"
    assert changed(range_v=math.inf, resolution_v=0.0)
    assert scale.digit_v == pytest.approx(5e-6)
