"""Tubes by other laws than the product's, tied to the printed sheet at one point, for cases made with ngspice.

Triodes: the three-halves law with a contact potential; N. Koren's first form (Glass Audio 8(5), 1996) without one;
K. Dempwolf and U. Zoelzer (DAFx-11, 2011). Pentodes: N. Koren's with the arctangent knee; the three-halves law of
the screen's volts with an exponential knee and a plate resistance. Plate current, mu and transconductance of the
sheet's first point fix scale and steepness of each; the exponents are drawn by chance about those of the sources.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from analysis.chassis import ChassisModel
from analysis.chassis.nodes import wired_sections
from analysis.tubes import Point

STRENGTH_SIGMA, MU_SIGMA = 0.15, 0.075


@dataclass(frozen=True, kw_only=True)
class Specimen:
    """One section: its law as a function of terminal volts (ngspice text), and what it has of its own."""

    plate_a: Callable[[str, str, str], str]
    screen_a: Callable[[str, str, str], str] | None
    strength: float
    usual_a: float
    gas_a: float
    grid: tuple[float, float, float]


def amperes(text: str, **volts: float) -> float:
    """Value of a source's text at given volts."""
    known = {"exp": math.exp, "ln": math.log, "abs": abs, "max": max, "sqrt": math.sqrt, "atan": math.atan}
    return eval(text, {"__builtins__": {}}, {**known, "pwr": lambda x, y: max(x, 0.0) ** y, **volts})


def _soft(x: str) -> str:
    return f"(max({x},0)+ln(1+exp(-abs({x}))))"


def _softplus(x: float) -> float:
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))


def _solve(miss: Callable[[float], float], low: float, high: float) -> float:
    """Root in the logarithm; the better end where there is none."""
    a, b = miss(low), miss(high)
    if a * b > 0:
        return low if abs(a) < abs(b) else high
    return float(math.exp(brentq(lambda x: miss(math.exp(x)), math.log(low), math.log(high), xtol=1e-9)))


def _steepness(current: Callable[[float, float], float], vg: float, parameter: float) -> float:
    """Relative slope by the grid."""
    return (math.log(current(vg + 0.01, parameter)) - math.log(current(vg - 0.01, parameter))) / 0.02


def _sheet(point: Point) -> tuple[float, float, float, float]:
    """Plate volts, grid volts, plate current and transconductance as printed."""
    grid = point.grid_v
    if grid is None:
        grid = -point.cathode_ohm * (point.plate_a + (point.screen_a or 0.0))
    return point.plate_v, grid, point.plate_a, point.gm_s


def triode(point: Point, mu_factor: float, rng: np.random.Generator) -> Callable[[str, str, str], str]:
    """Plate current of a triode of one law by chance; takes plate and grid volts."""
    vp, vg, ip, gm = _sheet(point)
    mu = point.mu
    wide = mu * mu_factor
    law = rng.integers(3)
    if law == 0:
        ex = float(rng.uniform(1.4, 1.6))
        u = ex * ip / gm
        k, d = ip / u**ex, u - vg - vp / mu
        # Without the last factor, the knee, current would flow to a plate below the cathode.
        return lambda p, g, s: (
            f"({k:.9g}*pwr(max({g}+max({p},0)/{wide:.9g}+{d:.9g},0),{ex:.9g})*(1-exp(-max({p},0))))"
        )
    if law == 1:
        ex, kvb = float(rng.uniform(1.3, 1.45)), float(rng.uniform(100, 500))
        root = math.sqrt(kvb + vp * vp)

        def koren(grid: float, kp: float) -> float:
            return (vp / kp * _softplus(kp * (1 / mu + grid / root))) ** ex

        kp = _solve(lambda kp: _steepness(koren, vg, kp) - gm / ip, 20.0, 5000.0)
        scale = ip / koren(vg, kp)
        return lambda p, g, s: (
            f"({scale:.9g}*pwr(max({p},0)/{kp:.9g}*"
            + _soft(f"({kp:.9g}*({1 / wide:.9g}+{g}/sqrt({kvb:.9g}+{p}*{p})))")
            + f",{ex:.9g}))"
        )
    gamma = float(rng.uniform(1.25, 1.4))

    def dempwolf(grid: float, c: float) -> float:
        return (_softplus(c * (vp / mu + grid)) / c) ** gamma

    c = _solve(lambda c: _steepness(dempwolf, vg, c) - gm / ip, 0.05, 8.0)
    scale = ip / dempwolf(vg, c)
    return lambda p, g, s: (
        f"({scale:.9g}*pwr("
        + _soft(f"({c:.9g}*(max({p},0)/{wide:.9g}+{g}))")
        + f"/{c:.9g},{gamma:.9g})*(1-exp(-max({p},0))))"
    )


def pentode(point: Point, mu_factor: float, rng: np.random.Generator) -> tuple[Callable, Callable]:
    """Plate and screen current of a pentode of one law by chance; take plate, grid and screen volts."""
    vp, vg, ip, gm = _sheet(point)
    vs, mu = point.screen_v, point.screen_mu
    wide = mu * mu_factor
    share = ip / (ip + point.screen_a)
    if rng.integers(2):
        ex, knee = float(rng.uniform(1.25, 1.4)), float(rng.uniform(0.04, 0.1)) * vp

        def koren(grid: float, kp: float) -> float:
            return (vs / kp * _softplus(kp * (1 / mu + grid / vs))) ** ex

        kp = _solve(lambda kp: _steepness(koren, vg, kp) - gm / ip, 8.0, 2000.0)
        scale = ip / koren(vg, kp) / math.atan(vp / knee)
        other = point.screen_a / koren(vg, kp) / (1 + 2 * math.exp(-vp / (3 * knee)))

        def drawn(g: str, s: str) -> str:
            inner = _soft(f"({kp:.9g}*({1 / wide:.9g}+{g}/max({s},1)))")
            return f"pwr(max({s},0)/{kp:.9g}*{inner},{ex:.9g})"

        return (
            lambda p, g, s: f"({scale:.9g}*{drawn(g, s)}*atan(max({p},0)/{knee:.9g}))",
            lambda p, g, s: f"({other:.9g}*{drawn(g, s)}*(1+2*exp(-max({p},0)/{3 * knee:.9g})))",
        )
    ex, knee = float(rng.uniform(1.4, 1.6)), float(rng.uniform(0.03, 0.08)) * vp
    u = ex * ip / gm
    k, d = (ip + point.screen_a) / u**ex, u - vg - vs / mu
    rp = point.rp_ohm or point.rp_above_ohm or 1e6
    slope = 1.0 / (rp * ip)
    plate = share / (1 - math.exp(-vp / knee)) / (1 + slope * vp)

    def whole(g: str, s: str) -> str:
        return f"({k:.9g}*pwr(max({g}+max({s},0)/{wide:.9g}+{d:.9g},0),{ex:.9g}))"

    def part(p: str) -> str:
        return f"{plate:.9g}*(1-exp(-max({p},0)/{knee:.9g}))*(1+{slope:.9g}*max({p},0))"

    return (
        lambda p, g, s: f"({whole(g, s)}*{part(p)})",
        lambda p, g, s: f"({whole(g, s)}*max(1-{part(p)},0.02))",
    )


def draw_specimen(model: ChassisModel, rng: np.random.Generator) -> dict[str, Specimen]:
    """One healthy tube for every section of a chassis; the sections of a twin have one law."""
    tubes, laws = {}, {}
    for socket, tube, section, _ in wired_sections(model.chassis.sockets, model.chassis.node_names):
        seed = laws.setdefault(socket, int(rng.integers(1 << 31)))
        mu_factor = math.exp(MU_SIGMA * rng.standard_normal())
        known = np.random.default_rng(seed)
        point = next(p for p in tube.points if p.connection == section.kind and p.gm_s and p.plate_a)
        if section.kind == "pentode":
            # Where the sheet gives none of grid 1 to screen: the one the fit took from the triode connection.
            point = point if point.screen_mu else replace(point, screen_mu=section.model.mu)
            plate, screen = pentode(point, mu_factor, known)
        else:
            plate, screen = triode(point, mu_factor, known), None
        tubes[f"{socket}{section.name}"] = Specimen(
            plate_a=plate,
            screen_a=screen,
            strength=math.exp(STRENGTH_SIGMA * rng.standard_normal()),
            usual_a=0.5 * point.plate_a,
            gas_a=0.0,
            grid=(float(rng.uniform(3e-4, 7e-4)), float(rng.uniform(9, 12)), float(rng.uniform(1.15, 1.4))),
        )
    return tubes


def tube_lines(tubes: Mapping[str, Specimen], key: str, p: str, g: str, k: str, s: str | None) -> list[str]:
    """Sources of one section; grid current after Dempwolf and Zoelzer, gas in step with the plate."""

    def volts(node: str) -> str:
        return "(0" + ("" if node == "0" else f"+v({node})") + ("" if k == "0" else f"-v({k})") + ")"

    tube = tubes[key]
    vp, vg, vs = volts(p), volts(g), volts(s) if s is not None else "0"
    plate = f"{tube.strength:.9g}*{tube.plate_a(vp, vg, vs)}"
    perveance, sharp, exponent = tube.grid
    lines = [f"B{key}p {p} {k} I={plate}"]
    soft = _soft(f"({sharp:.9g}*{vg})")
    lines.append(f"B{key}g {g} {k} I={tube.strength * perveance:.9g}*pwr({soft}/{sharp:.9g},{exponent:.9g})")
    if tube.screen_a is not None:
        lines.append(f"B{key}s {s} {k} I={tube.strength:.9g}*{tube.screen_a(vp, vg, vs)}")
    if tube.gas_a:
        lines.append(f"B{key}i {k} {g} I={tube.gas_a / tube.usual_a:.9g}*{plate}")
    return lines
