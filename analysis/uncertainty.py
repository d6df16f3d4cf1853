"""Standard uncertainty of a result from those of its input quantities, with the budget that a report prints.

First-order propagation of JCGM 100:2008 (clause 5) with correlated inputs, effective degrees of freedom (annex G)
and, for results of several components such as a complex gain, the covariance matrix of JCGM 102:2011.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.records import Reading

Correlations = Mapping[tuple[str, str], float]

_STEP = float(np.finfo(float).eps) ** (1.0 / 3.0)


NOISE = {
    "dc_v": (0.005, 0.002), "pp_v": (0.03, 0.0003), "rms_v": (0.03, 0.0001), "gain": (0.03, 0.0005),
    "phase_deg": (0.0, 2.0), "ripple_pp_v": (0.03, 0.0003), "thd_pct": (0.1, 0.05),
    "cold_ohm": (0.005, 0.2),
}  # fmt: skip
"""Standard uncertainty where a reading states none: relative part and absolute part in the unit of the quantity.
Bench practice E13 and E15: 0.5 % + 2 digits on DC, 3 % of a scope."""

FAR_OHM = 50e6
"""A resistance of so many ohms is known within a factor of two, and of what lies beyond it little but that it is
large: the range of a meter ends there or soon after (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputQuantity:
    """One quantity that a result depends on.

    Parameters
    ----------
    name : str
        Unique within a budget; printed.
    value, std : float
        Estimate and standard uncertainty (k = 1), both in ``unit``.
    unit : str
        SI unit, empty for a pure number.
    dof : float
        Degrees of freedom of ``std``; infinite for a limit taken from a specification.
    """

    name: str
    value: float
    std: float
    unit: str = ""
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.std) and self.std >= 0):
            raise ValueError(f"{self.name}: value {self.value} and std {self.std} must be finite, std not negative")
        if not self.dof > 0:
            raise ValueError(f"{self.name}: degrees of freedom {self.dof} must be positive")


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One line of a budget: an input, how strongly it acts, and what it contributes.

    Parameters
    ----------
    name, value, std, unit, dof
        As in `InputQuantity`.
    sensitivity : float
        Partial derivative of the result with respect to the input.
    contribution : float
        ``sensitivity * std``, signed, in the unit of the result.
    """

    name: str
    value: float
    std: float
    unit: str
    dof: float
    sensitivity: float
    contribution: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A result with its uncertainty and where it comes from.

    Parameters
    ----------
    name, unit : str
        Of the result.
    value, std : float
        Result and combined standard uncertainty (k = 1).
    dof : float
        Effective degrees of freedom (Welch-Satterthwaite).
    rows : tuple of BudgetRow
        One an input, in the order given.
    correlation_variance : float
        Sum of the cross terms ``2 r ci cj ui uj``; negative where errors cancel.
    """

    name: str
    unit: str
    value: float
    std: float
    dof: float
    rows: tuple[BudgetRow, ...]
    correlation_variance: float = 0.0

    def expanded(self, probability: float = 0.95) -> float:
        """Half-width of the interval that holds the result with the given probability.

        Parameters
        ----------
        probability : float
            Level of confidence, between 0 and 1.
        """
        return coverage_factor(probability, self.dof) * self.std

    def lines(self) -> list[str]:
        """Write the budget as text, one input a line, largest contribution first."""
        head = f"{'component':<38}{'value':>12}{'std (k=1)':>12}{'sensitivity':>13}{'contribution':>14}  unit"
        out = [f"budget of {self.name}" + (f" in {self.unit}" if self.unit else ""), head]
        for row in sorted(self.rows, key=lambda r: -abs(r.contribution)):
            out.append(
                f"{row.name:<38}{row.value:>12.5g}{row.std:>12.3g}{row.sensitivity:>13.4g}"
                f"{row.contribution:>14.3g}  {row.unit}"
            )
        if self.correlation_variance:
            size = math.copysign(math.sqrt(abs(self.correlation_variance)), self.correlation_variance)
            out.append(f"{'shared errors (root of cross terms)':<38}{'':>37}{size:>14.3g}")
        dof = f", {self.dof:.0f} degrees of freedom" if self.dof < 1000 else ""
        unit = f" {self.unit}" if self.unit else ""
        factor = coverage_factor(0.95, self.dof)
        out.append(
            f"{self.name} = {self.value:.6g}{unit}, std {self.std:.2g}{unit}; "
            f"95 %: +-{factor * self.std:.2g}{unit} (k = {factor:.2f}{dof})"
        )
        return out


def meter_std(reading: Reading) -> float:
    """Standard uncertainty of a reading in its own unit, a usual one where none is stated.

    Parameters
    ----------
    reading : Reading
        As recorded.
    """
    if reading.std is not None and reading.std > 0:
        return reading.std
    relative, absolute = NOISE[reading.quantity]
    if reading.quantity == "cold_ohm":  # leads and contacts; and beyond some megohms damp, fingers and "open"
        relative = min(relative + reading.value / FAR_OHM, 2.0)
    return math.hypot(relative * reading.value, absolute)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known only to lie within limits (JCGM 100, 4.3.7).

    Parameters
    ----------
    half_width : float
        Half the width of the interval; any unit.
    """
    return abs(half_width) / math.sqrt(3.0)


def coverage_factor(probability: float, dof: float = math.inf) -> float:
    """Two-sided coverage factor of Student's t (JCGM 100, G.3).

    Parameters
    ----------
    probability : float
        Level of confidence, between 0 and 1.
    dof : float
        Effective degrees of freedom; truncated to whole numbers below 1000 as G.4.1 advises.

    Examples
    --------
    >>> round(coverage_factor(0.95), 3), round(coverage_factor(0.95, 4), 2), round(coverage_factor(0.99, 16), 2)
    (1.96, 2.78, 2.92)
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability {probability} is not between 0 and 1")
    if dof >= 1000:
        from statistics import NormalDist

        return NormalDist().inv_cdf(0.5 + probability / 2.0)
    from scipy.special import stdtrit

    return float(stdtrit(max(1.0, math.floor(dof)), 0.5 + probability / 2.0))


def covariance_matrix(inputs: Sequence[InputQuantity], correlations: Correlations | None = None) -> np.ndarray:
    """Covariance matrix of a set of inputs.

    Parameters
    ----------
    inputs : sequence of InputQuantity
        N of them.
    correlations : mapping of (name, name) to float, optional
        Correlation coefficients from -1 to 1, either order; pairs left out are independent.

    Returns
    -------
    ndarray, shape (N, N)

    Raises
    ------
    ValueError
        A name is unknown or doubled, or the coefficients contradict each other.
    """
    places = {item.name: index for index, item in enumerate(inputs)}
    if len(places) != len(inputs):
        raise ValueError("two input quantities have the same name")
    matrix = np.eye(len(inputs))
    for (first, second), coefficient in (correlations or {}).items():
        if first not in places or second not in places or first == second:
            raise ValueError(f"correlation of {first!r} with {second!r}: no such pair of inputs")
        matrix[places[first], places[second]] = matrix[places[second], places[first]] = coefficient
    # Checked on the coefficients, not on the covariances, whose sizes may lie many decades apart.
    if np.abs(matrix).max(initial=0.0) > 1.0 + 1e-12 or np.linalg.eigvalsh(matrix).min(initial=1.0) < -1e-9:
        raise ValueError("the correlation coefficients contradict each other")
    std = np.array([item.std for item in inputs])
    return matrix * np.outer(std, std)


def propagate(
    model: Callable[[np.ndarray], np.ndarray], values: np.ndarray, covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Value and covariance of a result of several components (JCGM 102:2011, 6.2).

    Parameters
    ----------
    model : callable
        Takes an array of shape (N,), returns an array of shape (M,); smooth near ``values``.
    values : ndarray, shape (N,)
        Input estimates.
    covariance : ndarray, shape (N, N)
        Of the inputs.

    Returns
    -------
    result : ndarray, shape (M,)
    covariance : ndarray, shape (M, M)
    """
    values = np.asarray(values, dtype=np.float64)
    jacobian = _jacobian(model, values, np.sqrt(np.diag(covariance)))
    spread = jacobian @ covariance @ jacobian.T
    return np.asarray(model(values), dtype=np.float64), 0.5 * (spread + spread.T)


def evaluate(
    name: str,
    model: Callable[[np.ndarray], float],
    inputs: Sequence[InputQuantity],
    correlations: Correlations | None = None,
    unit: str = "",
) -> Budget:
    """Result of a model of measurement with its full uncertainty budget.

    Parameters
    ----------
    name, unit : str
        Of the result.
    model : callable
        Takes an array with one value an input, in the order of ``inputs``, and returns the result.
    inputs : sequence of InputQuantity
        At least one.
    correlations : mapping, optional
        As `covariance_matrix`.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        As `covariance_matrix`.

    Notes
    -----
    Combined variance of JCGM 100, equation (13); effective degrees of freedom by equation (G.2b), which holds for
    independent inputs: where inputs are correlated it is used as the usual approximation.

    Examples
    --------
    >>> volts = InputQuantity(name="drop", value=1.5, std=0.003, unit="V")
    >>> ohms = InputQuantity(name="resistor", value=1500.0, std=15.0, unit="ohm")
    >>> budget = evaluate("current", lambda x: x[0] / x[1], [volts, ohms], unit="A")
    >>> f"{budget.value:.4g} {budget.std:.3g}"
    '0.001 1.02e-05'
    """
    values = np.array([item.value for item in inputs], dtype=np.float64)
    std = np.array([item.std for item in inputs], dtype=np.float64)
    covariance = covariance_matrix(inputs, correlations)
    sensitivities = _jacobian(lambda x: np.array([model(x)]), values, std)[0]
    contributions = sensitivities * std
    variance = max(0.0, float(sensitivities @ covariance @ sensitivities))
    own = float(np.sum(contributions**2))
    finite = sum(float(c) ** 4 / item.dof for c, item in zip(contributions, inputs, strict=True))
    rows = tuple(
        BudgetRow(
            name=item.name,
            value=item.value,
            std=item.std,
            unit=item.unit,
            dof=item.dof,
            sensitivity=float(sensitivity),
            contribution=float(contribution),
        )
        for item, sensitivity, contribution in zip(inputs, sensitivities, contributions, strict=True)
    )
    return Budget(
        name=name,
        unit=unit,
        value=float(model(values)),
        std=math.sqrt(variance),
        dof=variance**2 / finite if finite > 0 else math.inf,
        rows=rows,
        correlation_variance=variance - own if correlations else 0.0,
    )


def polar_std(value: complex, covariance: np.ndarray) -> tuple[float, float]:
    """Standard uncertainties of modulus and angle of a complex result.

    Parameters
    ----------
    value : complex
        The result.
    covariance : ndarray, shape (2, 2)
        Of its real and imaginary part.

    Returns
    -------
    modulus_std : float
        In the unit of ``value``.
    angle_std_rad : float
        In radians; never above that of an angle that could be anything, pi / sqrt(3).
    """
    size = abs(value)
    unknown = math.pi / math.sqrt(3.0)
    if size == 0.0:
        return math.sqrt(max(0.0, float(np.trace(covariance)) / 2.0)), unknown
    along = np.array([value.real, value.imag]) / size
    across = np.array([-along[1], along[0]])
    modulus = math.sqrt(max(0.0, float(along @ covariance @ along)))
    return modulus, min(unknown, math.sqrt(max(0.0, float(across @ covariance @ across))) / size)


def _jacobian(model: Callable[[np.ndarray], np.ndarray], values: np.ndarray, std: np.ndarray) -> np.ndarray:
    # Central differences; the step follows the size of the value, or its uncertainty where the value is near zero
    # (an error of expectation zero), where a step of one would leave the range in which the model is straight.
    columns = []
    for index in range(values.size):
        step = max(_STEP * abs(values[index]), 0.01 * std[index]) or _STEP
        up, down = values.copy(), values.copy()
        up[index] += step
        down[index] -= step
        width = up[index] - down[index]
        columns.append((np.asarray(model(up)) - np.asarray(model(down))) / width)
    return np.stack(columns, axis=1)
