"""Every value of a chassis that may vary, and how far healthy ones do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

Values = Mapping[str, np.ndarray | float]
"""Key to values of shape (S,), or scalars; keys left out are nominal. Keys: `ChassisModel.parameters`."""

MAINS_SIGMA = 0.03
"""Healthy mains: +-6 % two standard deviations out. ANSI C84.1 has +-5 % for range A, about +5.8 and -8.3 % for
range B; IEC 60038 has +-10 % (all from memory)."""

EMF_SIGMA = 0.015
"""One rail against the others at given mains: windings and rectifiers (common practice, no source)."""

SOURCE_SIGMA = 0.1
"""Source resistance of a rail (common practice, no source)."""

STRENGTH_SIGMA, MU_SIGMA, STRENGTH_MU_CORRELATION = 0.35, 0.10, 0.3
"""Spread of triode sections, chosen so that an ECC88 in a 200 V / 22 k / 470 ohm stage spreads as 54 measured
sections do: plate 5.6 %, cathode 4.9 %, gain 9 % with bypass, 5.7 % without (so: 5.4, 4.6, 6.9 and 4.5 %)."""

POWER_STRENGTH_SIGMA = 0.2
"""Power tubes: twenty-eight measured EL34 spread 5.4 % in bias and 16 % in slope at fixed current."""

POWER_FROM_W = 5.0
"""Plate dissipation from which a tube counts as a power tube."""

GAS_A, POWER_GAS_A, GAS_SIGMA = 3e-9, 1e-7, 1.3
"""Reverse grid current of good tubes, small and power (common practice, no source)."""

HEATER_LEAK_S, HEATER_LEAK_SIGMA = 1.0 / 100e6, 1.2
"""Heater to cathode of a good hot tube: tens to hundreds of megohm (common practice, no source)."""

FILM_LEAK_S, FILM_LEAK_SIGMA = 300.0, 1.3
ELECTROLYTIC_LEAK_S, ELECTROLYTIC_LEAK_SIGMA = 100.0, 1.0
"""Insulation of good capacitors in service as a time constant, seconds: an aged film or paper capacitor holds for
minutes; an electrolytic leaks 0.01 uA per uF and volt, the usual limit of data sheets (from memory)."""

ELECTROLYTIC_ESR_S, ELECTROLYTIC_ESR_SIGMA = 15e-6, 0.8
"""Series resistance of a good electrolytic times its capacitance, seconds: about 1 ohm for 22 uF in the audio range
(common practice, no source)."""

TRANSFORMER_SIGMA: Mapping[str, float] = {
    "primary_ohms": 0.1, "secondary_ohms": 0.1, "primary_henries": 0.2, "leakage_henries": 0.5,
    "primary_farads": 0.5, "turns": 0.01,
}  # fmt: skip
"""Output transformers (common practice, no source): copper by weight, inductance by how the core is stacked."""

TURNED_SIGMA = 0.8
"""Where a control stands against what the file says, as the logarithm of the ratio of both sides of its track:
half way is anything from a sixth to five sixths. A knob is read by eye, and half the turn of an audio taper is a
tenth to a fifth of the track (common practice, no source). At a stop it is exact."""


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
