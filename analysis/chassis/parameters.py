"""Every value of a chassis that may vary, and how far healthy ones do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

MAINS_SIGMA = 0.03
"""Healthy mains: the limits +-6 % (ANSI C84.1 range, +-10 % in IEC 60038) two standard deviations out."""

EMF_SIGMA = 0.015
"""One rail against the others at given mains: windings and rectifiers (common practice, no source)."""

SOURCE_SIGMA = 0.1
"""Source resistance of a rail (common practice, no source)."""

STRENGTH_SIGMA = 0.2
PENTODE_STRENGTH_SIGMA = 0.15
MU_SIGMA = 0.06
STRENGTH_MU_CORRELATION = 0.0

HEATER_LEAK_S, HEATER_LEAK_SIGMA = 1.0 / 300e6, 1.0
"""Heater to cathode of a good hot tube: some hundreds of megohm (common practice, no source)."""

TRANSFORMER_SIGMA: Mapping[str, float] = {
    "primary_ohms": 0.1, "secondary_ohms": 0.1, "primary_henries": 0.2, "leakage_henries": 0.3, "turns": 0.01,
}  # fmt: skip
"""Output transformers (common practice, no source): copper by weight, inductance by how the core is stacked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One element value that may vary.

    Parameters
    ----------
    key : str
        ``R1``, ``C1``, ``C1.leak``, ``V1a.strength`` ...: see DEVELOPERS.md.
    part : str
        Part, rail or socket it belongs to; ``mains`` for the mains.
    kind : str
        ``resistor capacitor inductor potentiometer transformer rail tube mains generator``.
    unit : str
        ``ohm F S H V A``, or empty for a multiplier.
    nominal : float
        Value of the healthy drawing.
    section : str
        Section key (``V1a``) for tube parameters, else empty.
    sigma : float
        Healthy standard deviation of ``log(value / nominal)``; 0 where a healthy chassis does not vary it.
    shift : float
        Mean of that logarithm: electrolytics sit above their marked value.
    """

    key: str
    part: str
    kind: str
    unit: str
    nominal: float
    section: str = ""
    sigma: float = 0.0
    shift: float = 0.0
