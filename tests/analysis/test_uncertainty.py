"""Propagation of uncertainty: budget, correlation, degrees of freedom, complex results."""

import math

import numpy as np
import pytest

from analysis.uncertainty import (
    InputQuantity,
    covariance_matrix,
    coverage_factor,
    evaluate,
    polar_std,
    propagate,
    rectangular,
)


def quantity(name, value, std, **more):
    return InputQuantity(name=name, value=value, std=std, **more)


def test_ratio_adds_relative_uncertainties_in_squares():
    budget = evaluate("ratio", lambda x: x[1] / x[0], [quantity("a", 2.0, 0.02), quantity("b", 8.0, 0.16)])
    assert budget.value == 4.0
    assert budget.std == pytest.approx(4.0 * math.hypot(0.01, 0.02), rel=1e-7)
    assert [row.sensitivity for row in budget.rows] == pytest.approx([-2.0, 0.5], rel=1e-8)
    assert budget.rows[0].contribution < 0 < budget.rows[1].contribution
    assert budget.dof == math.inf


def test_fully_shared_error_cancels_in_a_ratio():
    inputs = [quantity("a", 2.0, 0.06), quantity("b", 8.0, 0.24)]
    budget = evaluate("ratio", lambda x: x[1] / x[0], inputs, {("b", "a"): 1.0})
    assert budget.std == pytest.approx(0.0, abs=1e-7)
    assert budget.correlation_variance < 0
    assert any("shared errors" in line for line in budget.lines())


def test_difference_of_two_readings_on_one_meter():
    # 300.0 V and 196.0 V, 0.5 % common: only the difference carries the gain error (bench practice).
    inputs = [quantity("b", 300.0, 0.8660), quantity("p", 196.0, 0.5658)]
    apart = evaluate("drop", lambda x: x[0] - x[1], inputs)
    shared = evaluate("drop", lambda x: x[0] - x[1], inputs, {("b", "p"): 1.0})
    assert apart.std == pytest.approx(math.hypot(0.8660, 0.5658))
    assert shared.std == pytest.approx(104.0 * 0.005 / math.sqrt(3), rel=1e-3)


def test_budget_text_names_every_component_largest_first():
    inputs = [
        quantity("small", 1.0, 0.001, unit="V"),
        quantity("large", 1.0, 0.1, unit="V", dof=9),
        quantity("none", 1.0, 0.0, unit="V"),
    ]
    lines = evaluate("sum", lambda x: float(np.sum(x)), inputs, unit="V").lines()
    assert [line.split()[0] for line in lines[2:5]] == ["large", "small", "none"]
    assert "sum = 3 V, std 0.1 V" in lines[-1]
    assert "9 degrees of freedom" in lines[-1]
    assert "k = 2.26" in lines[-1]


def test_sensitivity_near_zero_uses_the_scale_of_the_uncertainty():
    budget = evaluate("square", lambda x: (1.0 + x[0]) ** 2, [quantity("error", 0.0, 1e-9)])
    assert budget.rows[0].sensitivity == pytest.approx(2.0, rel=1e-5)


@pytest.mark.parametrize(
    ("correlations", "match"),
    [
        ({("a", "x"): 0.5}, "no such pair"),
        ({("a", "a"): 1.0}, "no such pair"),
        ({("a", "b"): 1.5}, "contradict"),
        ({("a", "b"): 1.0, ("b", "c"): 1.0, ("a", "c"): -1.0}, "contradict"),
    ],
)
def test_impossible_correlations_are_refused(correlations, match):
    inputs = [quantity(name, 1.0, 1.0) for name in "abc"]
    with pytest.raises(ValueError, match=match):
        covariance_matrix(inputs, correlations)


def test_bad_inputs_are_refused():
    with pytest.raises(ValueError, match="finite"):
        quantity("a", math.nan, 1.0)
    with pytest.raises(ValueError, match="not negative"):
        quantity("a", 1.0, -1.0)
    with pytest.raises(ValueError, match="degrees"):
        quantity("a", 1.0, 1.0, dof=0)
    with pytest.raises(ValueError, match="same name"):
        covariance_matrix([quantity("a", 1.0, 1.0)] * 2)
    with pytest.raises(ValueError, match="between"):
        coverage_factor(1.0)


def test_complex_result_keeps_the_covariance_of_its_parts():
    # z = r exp(j phi): the covariance in rectangular form turns back into the polar uncertainties it came from.
    def rectangular_form(x):
        return np.array([x[0] * np.cos(x[1]), x[0] * np.sin(x[1])])

    values = np.array([5.0, 2.1])
    parts, covariance = propagate(rectangular_form, values, np.diag([0.01**2, 0.002**2]))
    assert covariance[0, 1] != 0.0
    modulus, angle = polar_std(complex(*parts), covariance)
    assert (modulus, angle) == pytest.approx((0.01, 0.002), rel=1e-6)


def test_angle_of_nothing_is_any_angle():
    assert polar_std(0j, np.eye(2)) == (1.0, math.pi / math.sqrt(3))
    assert polar_std(0.01 + 0j, np.eye(2))[1] == math.pi / math.sqrt(3)


def test_rectangular():
    assert rectangular(0.03) == pytest.approx(0.01732, rel=1e-3)


def test_the_last_line_of_a_budget_gives_the_interval_of_95_percent():
    inputs = [quantity("a", 1.0, 3.0), quantity("b", 2.0, 4.0)]
    lines = evaluate("sum", lambda x: float(np.sum(x)), inputs, unit="V").lines()
    assert lines[-1] == "sum = 3 V, std 5 V; 95 %: +-9.8 V (k = 1.96)"
