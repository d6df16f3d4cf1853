"""Currents of a tube and their exact derivatives, over arrays of any shape that broadcasts.

All voltages are in volt to the cathode of the section, all currents in ampere into the electrode. Parameters
and voltages may be floats or arrays; everything broadcasts.

Laws
----
KV, triodes: N. Koren, "Improved vacuum-tube models for SPICE simulations", Glass Audio 8(5), 1996, in the author's
later form with a contact potential (also I. Cohen and T. Helie, AES 129th Convention, 2010). With
``u = Vg + vct`` and ``S = sqrt(kvb + V^2)``::

    E1(V, Vg) = V/kp * ln(1 + exp(kp*(1/mu + u/S)))        Ia = 2*E1(Va, Vg)^ex / kg1

RR (pentode) and RX (beam tube): D. Reefman, "Spice models for vacuum tubes", 2016, with the same contact
potential. ``I0 = E1(Vg2, Vg1)^ex``; the published constant ``a = 1 - kg1/kg2*(1 + alpha_s)`` makes the plate
current vanish at zero plate voltage, which leaves the shorter form used here::

    Ia  = I0*((1/kg1 - 1/kg2)*(1 - s) + A*Va/kg1)          s = 1/(1 + beta*Va)           RR
    Ig2 = I0/kg2*(1 + alpha_s*s)                           s = exp(-(beta*Va)^1.5)       RX

Grid current: see `grid_current`.

Below the voltages the laws were made for: with V <= 0 (plate of a triode, screen of a pentode) no current flows;
E1 goes to zero as V there, and ex > 1, so current and slope are continuous. The plate voltage of a pentode
enters through a cubic that leaves it alone above ``KNEE_V`` and meets zero with zero slope, so that Newton's method
sees no corner where the plate falls to the cathode.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal, NamedTuple, Self

import numpy as np

from .grid_current import Currents, GridCurrent, Value, grid_current

KNEE_V = 1.0
"""Plate voltage, in volt, above which the pentode laws hold unaltered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriodeParameters:
    """Constants of the triode law KV.

    Parameters
    ----------
    mu, ex, kg1, kp, kvb, vct : float or ndarray
        As in the published law; currents in ampere, kvb in volt squared, vct in volt.
    grid : GridCurrent, optional
        Grid current; none flows when left out.
    strength : float or ndarray
        Multiplies every current (emission): 1 healthy, 0 dead. At fixed current the tube then needs less bias.
    mu_factor : float or ndarray
        Multiplies mu in the law. kp stays, so the width of the cut-off region in grid volts stays.
    VARIES : tuple of str
        Names of the fields that differ between specimens.
    """

    mu: Value
    ex: Value
    kg1: Value
    kp: Value
    kvb: Value
    vct: Value
    grid: GridCurrent | None = None
    strength: Value = 1.0
    mu_factor: Value = 1.0
    VARIES: ClassVar[tuple[str, ...]] = ("strength", "mu_factor", "vct")
    _scale: Value = field(init=False, repr=False, compare=False)
    _at_cut_off: Value = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_scale", 2.0 * self.strength / self.kg1)
        object.__setattr__(self, "_at_cut_off", self.kp / (self.mu * self.mu_factor))

    def varied(self, *, strength: Value = 1.0, mu_factor: Value = 1.0, offset_v: Value = 0.0) -> Self:
        """Return a specimen that differs from this one.

        Parameters
        ----------
        strength, mu_factor : float or ndarray
            As in the class; they multiply what is there.
        offset_v : float or ndarray
            Added to the contact potential, volt.
        """
        return replace(
            self, strength=self.strength * strength, mu_factor=self.mu_factor * mu_factor, vct=self.vct + offset_v
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PentodeParameters:
    """Constants of the pentode law RR or the beam-tube law RX.

    Parameters
    ----------
    law : {"RR", "RX"}
        How plate and screen share the cathode current.
    mu, ex, kg1, kg2, kp, kvb, vct, alpha_s, a, beta : float or ndarray
        As in the published law; ``a`` is A in 1/V, beta in 1/V.
    grid : GridCurrent, optional
        Grid current; none flows when left out.
    strength, mu_factor : float or ndarray
        As in `TriodeParameters`; mu is that of grid 1 to screen.
    VARIES : tuple of str
        As in `TriodeParameters`.
    """

    law: Literal["RR", "RX"]
    mu: Value
    ex: Value
    kg1: Value
    kg2: Value
    kp: Value
    kvb: Value
    vct: Value
    alpha_s: Value
    a: Value
    beta: Value
    grid: GridCurrent | None = None
    strength: Value = 1.0
    mu_factor: Value = 1.0
    VARIES: ClassVar[tuple[str, ...]] = ("strength", "mu_factor", "vct", "kg2")
    _share: Value = field(init=False, repr=False, compare=False)
    _rise: Value = field(init=False, repr=False, compare=False)
    _screen: Value = field(init=False, repr=False, compare=False)
    _at_cut_off: Value = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.law not in ("RR", "RX"):
            raise ValueError(f"law {self.law!r} is neither RR nor RX")
        object.__setattr__(self, "_share", self.strength * (1.0 / self.kg1 - 1.0 / self.kg2))
        object.__setattr__(self, "_rise", self.strength * self.a / self.kg1)
        object.__setattr__(self, "_screen", self.strength / self.kg2)
        object.__setattr__(self, "_at_cut_off", self.kp / (self.mu * self.mu_factor))

    def varied(
        self, *, strength: Value = 1.0, mu_factor: Value = 1.0, offset_v: Value = 0.0, screen: Value = 1.0
    ) -> Self:
        """Return a specimen that differs from this one.

        Parameters
        ----------
        strength, mu_factor : float or ndarray
            As in the class; they multiply what is there.
        offset_v : float or ndarray
            Added to the contact potential, volt.
        screen : float or ndarray
            Multiplies the screen current, above zero; what the screen takes the plate loses.
        """
        return replace(
            self,
            strength=self.strength * strength,
            mu_factor=self.mu_factor * mu_factor,
            vct=self.vct + offset_v,
            kg2=self.kg2 / screen,
        )


class TriodeCurrents(NamedTuple):
    """Currents of a triode in ampere and slopes in siemens, each of the broadcast shape."""

    ia: Currents
    ig: Currents
    d_ia_dva: Currents
    d_ia_dvg: Currents
    d_ig_dvg: Currents


class PentodeCurrents(NamedTuple):
    """Currents of a pentode in ampere and slopes in siemens, each of the broadcast shape."""

    ia: Currents
    ig2: Currents
    ig1: Currents
    d_ia_dva: Currents
    d_ia_dvg2: Currents
    d_ia_dvg1: Currents
    d_ig2_dva: Currents
    d_ig2_dvg2: Currents
    d_ig2_dvg1: Currents
    d_ig1_dvg1: Currents


def triode_currents(params: TriodeParameters, va: Value, vg: Value) -> TriodeCurrents:
    """Compute plate and grid current of a triode with all slopes.

    Parameters
    ----------
    params : TriodeParameters
        Constants, floats or arrays.
    va, vg : float or ndarray
        Plate and grid voltage to the cathode, volt.

    Returns
    -------
    TriodeCurrents
        Plate current depends on both voltages, grid current on the grid alone.

    Examples
    --------
    >>> tube = TriodeParameters(mu=103.02, ex=1.4042, kg1=1673.5, kp=752.7, kvb=398.3, vct=0.556)
    >>> now = triode_currents(tube, 250.0, -2.0)
    >>> print(f"{now.ia * 1e3:.2f} mA, {now.d_ia_dvg * 1e3:.2f} mA/V, {1e-3 / now.d_ia_dva:.1f} kohm")
    1.20 mA, 1.59 mA/V, 62.9 kohm
    """
    space, d_space_dva, d_space_dvg = _space_current(params, va, vg)
    scale = params._scale
    ig, d_ig_dvg = grid_current(params.grid, params.strength, vg, np.broadcast_shapes(space.shape, np.shape(scale)))
    return TriodeCurrents(scale * space, ig, scale * d_space_dva, scale * d_space_dvg, d_ig_dvg)


def pentode_currents(params: PentodeParameters, va: Value, vg2: Value, vg1: Value) -> PentodeCurrents:
    """Compute plate, screen and grid current of a pentode or beam tube with all slopes.

    Parameters
    ----------
    params : PentodeParameters
        Constants, floats or arrays.
    va, vg2, vg1 : float or ndarray
        Plate, screen and grid voltage to the cathode, volt; the suppressor is at the cathode.

    Returns
    -------
    PentodeCurrents
        Grid current depends on grid 1 alone.

    Examples
    --------
    >>> tube = PentodeParameters(law="RR", mu=19.95, ex=1.4314, kg1=249.1, kg2=2577.0, kp=124.2, kvb=286.9,
    ...                          vct=0.376, alpha_s=5.0, a=0.000424, beta=0.12)
    >>> now = pentode_currents(tube, 250.0, 250.0, -7.3)
    >>> print(f"{now.ia * 1e3:.1f} mA, {now.ig2 * 1e3:.1f} mA, {now.d_ia_dvg1 * 1e3:.1f} mA/V")
    48.0 mA, 5.5 mA, 11.3 mA/V
    """
    space, d_space_dvg2, d_space_dvg1 = _space_current(params, vg2, vg1)
    plate_v, d_plate_v = _rounded(va)
    x = params.beta * plate_v
    if params.law == "RR":
        s = 1.0 / (1.0 + x)
        d_s = -params.beta * s * s
    else:
        root = np.sqrt(x)
        s = np.exp(-x * root)
        d_s = -1.5 * params.beta * root * s
    to_plate = params._share * (1.0 - s) + params._rise * plate_v
    d_to_plate = (params._rise - params._share * d_s) * d_plate_v
    to_screen = params._screen * (1.0 + params.alpha_s * s)
    d_to_screen = params._screen * params.alpha_s * d_s * d_plate_v
    ia = space * to_plate
    ig1, d_ig1_dvg1 = grid_current(params.grid, params.strength, vg1, ia.shape)
    return PentodeCurrents(
        ia, space * to_screen, ig1,
        space * d_to_plate, d_space_dvg2 * to_plate, d_space_dvg1 * to_plate,
        space * d_to_screen, d_space_dvg2 * to_screen, d_space_dvg1 * to_screen,
        d_ig1_dvg1,
    )  # fmt: skip


def _space_current(
    params: TriodeParameters | PentodeParameters, v: Value, vg: Value
) -> tuple[Currents, Currents, Currents]:
    """Return E1^ex and its derivatives by v (the electrode that draws) and vg."""
    drawing = np.maximum(v, 0.0)
    u = vg + params.vct
    square = drawing * drawing
    s2 = square + params.kvb
    inverse = 1.0 / np.sqrt(s2)
    z = params._at_cut_off + params.kp * u * inverse
    # ln(1 + e^z) and its slope from one exponential of a negative number: nothing can overflow.
    small = np.exp(-np.abs(z))
    soft = np.log1p(small) + np.maximum(z, 0.0)
    slope = np.where(z >= 0.0, 1.0, small) / (1.0 + small)
    height = soft / params.kp
    e1 = drawing * height
    power = e1 ** (params.ex - 1.0)
    gain = params.ex * power
    d_e1_dvg = drawing * slope * inverse
    d_e1_dv = height - square * slope * u * inverse / s2
    return e1 * power, gain * d_e1_dv, gain * d_e1_dvg


def _rounded(va: Value) -> tuple[Value, Value]:
    """Return the plate voltage with its corner at zero rounded off, and the slope of that."""
    if np.min(va) >= KNEE_V:
        return va, 1.0
    x = np.clip(va, 0.0, KNEE_V) / KNEE_V
    low = np.less(va, KNEE_V)
    rounded = np.where(low, KNEE_V * x * x * (2.0 - x), va)
    return rounded, np.where(low, x * (4.0 - 3.0 * x), 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RectifierParameters:
    """Constant of the three-halves law of Child and Langmuir, one plate.

    Parameters
    ----------
    perveance : float or ndarray
        P in A/V^1.5, so that ``I = P*V^1.5``.
    strength : float or ndarray
        Multiplies the current: 1 healthy, 0 dead.
    """

    perveance: Value
    strength: Value = 1.0


def rectifier_current(params: RectifierParameters, v: Value) -> tuple[Currents, Currents]:
    """Compute the current of one rectifier plate and its slope.

    Parameters
    ----------
    params : RectifierParameters
        Constant of the law.
    v : float or ndarray
        Plate voltage to the cathode, volt.

    Returns
    -------
    tuple of ndarray
        Current in ampere, zero for v <= 0, and its derivative in siemens.

    Examples
    --------
    >>> current_a, _ = rectifier_current(RectifierParameters(perveance=2.69e-4), 60.0)
    >>> print(f"{current_a:.3f} A")
    0.125 A
    """
    forward = np.maximum(v, 0.0)
    root = params.strength * params.perveance * np.sqrt(forward)
    return forward * root, 1.5 * root
