"""Fit the constants of a tube to its published operating points.

Least squares on logarithms: a point gives plate current (1 %), screen current (3 %), transconductance (3 %) and
plate resistance (5 % for a triode, 10 % for a pentode). The amplification factor is not fitted, being gm*rp. One or
two points cannot fix six numbers, so weak expectations are added: mu as published +-8 % (of grid 1 to screen for
a pentode), ex 1.40 +-0.10, kp 6 times (triode) or 5 times (pentode) the published mu within a factor e^0.5, kvb
300 V^2 within e^1.5, vct 0.40 +-0.20 V. How a screen shares the current (alpha_s, beta) does not show in such
points and is held: 4.5 and 0.25 for a small pentode, 5 and 0.12 for a power pentode, 8 and 0.07 for a beam tube.
Rectifiers have one constant, the mean of its logarithm over the points.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acquisition.errors import FitFailed

from .equations import (
    PentodeParameters,
    RectifierParameters,
    TriodeParameters,
    pentode_currents,
    rectifier_current,
    triode_currents,
)
from .types import Parameters, Point

Build = Callable[[NDArray[np.float64]], Parameters]

WEIGHTS: Mapping[str, float] = {"plate_a": 0.01, "screen_a": 0.03, "gm_s": 0.03}
"""Relative standard deviation given to each published figure; that of rp is in ``RP_WEIGHT``."""

RP_WEIGHT: Mapping[str, float] = {"triode": 0.05, "pentode": 0.10}

SHARING: Mapping[str, tuple[Literal["RR", "RX"], float, float]] = {
    "small pentode": ("RR", 4.5, 0.25),
    "power pentode": ("RR", 5.0, 0.12),
    "beam tube": ("RX", 8.0, 0.07),
}
"""Law, alpha_s and beta of each kind of pentode."""

SMALLEST_A = 2e-5
"""Lower bound of the constant A, 1/V: a plate current always rises a little with plate voltage."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointError:
    """How a model meets one published point.

    Parameters
    ----------
    point : Point
        As printed.
    model : mapping of str to float
        Model values of ``plate_a``, ``screen_a``, ``gm_s`` and ``rp_ohm``.
    relative : mapping of str to float
        Model over published minus one, of those that are printed.
    """

    point: Point
    model: Mapping[str, float]
    relative: Mapping[str, float]


def point_error(params: Parameters, point: Point) -> PointError:
    """Compare a model with a published point.

    Parameters
    ----------
    params : TriodeParameters, PentodeParameters or RectifierParameters
        Scalar constants.
    point : Point
        Of the same kind of tube; ``triode-connected`` points of a pentode are solved with the screen at the plate.
    """
    model = _model_values(params, point)
    published = {name: getattr(point, name) for name in model}
    relative = {name: model[name] / value - 1.0 for name, value in published.items() if value}
    return PointError(point=point, model=model, relative=relative)


def _model_values(params: Parameters, point: Point) -> dict[str, float]:
    if isinstance(params, RectifierParameters):
        return {"plate_a": float(rectifier_current(params, point.plate_v)[0])}
    if isinstance(params, TriodeParameters):
        now = triode_currents(params, point.plate_v, point.bias_v)
        return {"plate_a": float(now.ia), "gm_s": float(now.d_ia_dvg), "rp_ohm": 1.0 / float(now.d_ia_dva)}
    screen_v = point.plate_v if point.connection == "triode-connected" else point.screen_v
    if screen_v is None:
        raise ValueError("a pentode point needs screen_v")
    at = pentode_currents(params, point.plate_v, screen_v, point.bias_v)
    if point.connection == "triode-connected":
        slope = at.d_ia_dva + at.d_ia_dvg2 + at.d_ig2_dva + at.d_ig2_dvg2
        return {
            "plate_a": float(at.ia + at.ig2),
            "gm_s": float(at.d_ia_dvg1 + at.d_ig2_dvg1),
            "rp_ohm": 1.0 / float(slope),
        }
    return {
        "plate_a": float(at.ia),
        "screen_a": float(at.ig2),
        "gm_s": float(at.d_ia_dvg1),
        "rp_ohm": 1.0 / float(at.d_ia_dva),
    }


def fit_triode(points: list[Point], mu: float) -> TriodeParameters:
    """Fit the triode law to published points.

    Parameters
    ----------
    points : list of Point
        One or more.
    mu : float
        Published amplification factor.

    Raises
    ------
    FitFailed
        No points, or no minimum found.
    """

    def build(x: NDArray[np.float64]) -> TriodeParameters:
        mu_, kg1, kp, kvb = np.exp(x[:4]).tolist()
        return TriodeParameters(mu=mu_, kg1=kg1, kp=kp, kvb=kvb, ex=float(x[4]), vct=float(x[5]))

    def residuals(x: NDArray[np.float64]) -> list[float]:
        params = build(x)
        return _expected(params, mu, 6.0) + [r for point in points for r in _misses(params, point)]

    start = [math.log(mu), math.log(1000.0), math.log(6.0 * mu), math.log(300.0), 1.4, 0.4]
    return build(_minimise(residuals, _with_current(build, start, points), None))


def fit_pentode(points: list[Point], mu: float, kind: str) -> PentodeParameters:
    """Fit the pentode or beam-tube law to published points.

    Parameters
    ----------
    points : list of Point
        One or more, with screen currents.
    mu : float
        Published amplification factor of grid 1 to screen, or of the triode connection where only that is printed.
    kind : str
        A key of ``SHARING``.

    Raises
    ------
    FitFailed
        No points, or no minimum found.
    """
    law, alpha_s, beta = SHARING[kind]

    def build(x: NDArray[np.float64]) -> PentodeParameters:
        mu_, kg1, kp, kvb = np.exp(x[:4]).tolist()
        kg2, a = np.exp(x[6:8]).tolist()
        return PentodeParameters(
            law=law, mu=mu_, kg1=kg1, kg2=kg2, kp=kp, kvb=kvb, ex=float(x[4]), vct=float(x[5]),
            alpha_s=alpha_s, beta=beta, a=a,
        )  # fmt: skip

    def residuals(x: NDArray[np.float64]) -> list[float]:
        params = build(x)
        return _expected(params, mu, 5.0) + [r for point in points for r in _misses(params, point)]

    start = [math.log(mu), math.log(500.0), math.log(5.0 * mu), math.log(300.0), 1.4, 0.4, math.log(5000.0), -7.5]
    lower = np.full(8, -np.inf)
    lower[7] = math.log(SMALLEST_A)
    return build(_minimise(residuals, _with_current(build, start, points), lower))


def fit_rectifier(points: list[Point]) -> RectifierParameters:
    """Fit the three-halves law to published voltage drops.

    Parameters
    ----------
    points : list of Point
        One or more, of one plate.

    Raises
    ------
    FitFailed
        No points.
    """
    logs = [math.log(point.plate_a / point.plate_v**1.5) for point in points if point.plate_a]
    if not logs:
        raise FitFailed("a rectifier needs at least one point with its current", reason="no points")
    return RectifierParameters(perveance=math.exp(sum(logs) / len(logs)))


def _expected(params: TriodeParameters | PentodeParameters, mu: float, kp_over_mu: float) -> list[float]:
    return [
        math.log(float(params.mu) / mu) / 0.08,
        (float(params.ex) - 1.40) / 0.10,
        math.log(float(params.kp) / (kp_over_mu * mu)) / 0.5,
        math.log(float(params.kvb) / 300.0) / 1.5,
        (float(params.vct) - 0.40) / 0.20,
    ]


def _misses(params: Parameters, point: Point) -> list[float]:
    kind = "triode" if isinstance(params, TriodeParameters) else "pentode"
    weights = {**WEIGHTS, "rp_ohm": RP_WEIGHT[kind]}
    model = _model_values(params, point)
    return [
        math.log(max(model[name], 1e-300) / published) / sigma
        for name, sigma in weights.items()
        if (published := getattr(point, name)) is not None
    ]


def _with_current(build: Build, start: list[float], points: list[Point]) -> list[float]:
    # A start that already has the printed current at the first point: kg1 is the second unknown.
    if not points or points[0].plate_a is None:
        raise FitFailed("the first point needs its plate current", reason="no points")
    current = _model_values(build(np.array(start)), points[0])["plate_a"]
    shift = math.log(max(current, 1e-12) / points[0].plate_a)
    return [value + shift if index in (1, 6) else value for index, value in enumerate(start)]


def _minimise(
    residuals: Callable[[NDArray[np.float64]], list[float]], start: list[float], lower: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    from scipy.optimize import least_squares

    bounds = (-np.inf if lower is None else lower, np.inf)
    result = least_squares(residuals, start, bounds=bounds, x_scale=0.1, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    if not result.success:
        raise FitFailed("the fit to the published points did not settle", reason=result.message)
    solution: NDArray[np.float64] = result.x
    return solution
