"""The rule for many comparisons."""

import numpy as np
import pytest
from scipy import stats

from analysis.compare.significance import LEVEL, holm, two_sided


def test_probabilities_of_the_normal_distribution():
    for z in (0.0, 0.5, 2.0, 5.0):
        assert two_sided(z) == pytest.approx(2 * stats.norm.sf(z))


def test_adjusted_probabilities_worked_by_hand():
    # Step-down: 4 x 0.005, 3 x 0.01, 2 x 0.03, then never below the one before; Holm 1979, section 2 (from memory).
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == [1.0, 1.0]


def test_never_stricter_than_dividing_by_the_number():
    rng = np.random.default_rng(1)
    for _ in range(50):
        p = list(rng.uniform(0, 0.05, 20))
        assert all(q <= min(1.0, 20 * one) + 1e-12 for one, q in zip(p, holm(p), strict=True))
        assert np.array_equal(np.argsort(p), np.argsort(holm(p), kind="stable")) or len(set(holm(p))) < 20


@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_false_alarms_stay_below_the_level_whatever_the_correlation(correlation):
    rng = np.random.default_rng(2)
    alarms = 0
    for _ in range(2000):
        z = np.sqrt(correlation) * rng.standard_normal() + np.sqrt(1 - correlation) * rng.standard_normal(30)
        alarms += min(holm([two_sided(one) for one in z])) < LEVEL
    assert alarms / 2000 < LEVEL + 0.015
