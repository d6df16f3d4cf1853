"""What varies from one healthy chassis to the next, and how much."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..chassis import ChassisModel, Parameter
from ..faults import class_of

CONTACT_SIGMA_V = 0.15
"""Spread of the contact potential, section to section, with what the curves miss at low plate volts. Evidence: the
fits of model_points section 4 leave it open by 0.2 V; biases of sixty measured ECC88 spread 0.25 V (section 6), to
which strength and mu contribute; published 12AX7 sets differ at 100 V, -1 V as if by 0.1 to 0.5 V (section 2)."""

TRIODE_STRENGTH_SIGMA = 0.27
"""Spread of a triode's current at given volts with contact potential and mu apart. Evidence: sixty measured ECC88
spread 36 % in current at 90 V, 15 mA; 0.15 V of contact potential give 12 % and 10 % of mu give 23 %, which leaves
0.27."""

SCREEN_SIGMA = 0.2
"""Spread of screen against plate current: fits miss published screen currents by 0 to 28 % (model_points
section 5)."""

SLOPE_SIGMA, FOOT_SIGMA = 0.08, 0.25
"""Spread of the small-signal slopes of a tube against what its curve at DC implies, and how much that grows for
each factor e that its current lies below the usual one. Fitted curves miss published gm by 0 to 5 % at a second
point (model_points section 2), measured gm at fixed current spreads 8.6 % (section 6, ECC88); and at the foot of
the curves every law is off: published laws that agree at one point of the sheet differ in gm at equal current by
0.25, 0.56 and 0.87 (logarithm) where that is e, e**2 and e**3 times lower
(`tests/outside/test_foot_of_the_curves.py`)."""

KNEE_SIGMA, KNEE_MOST = 0.02, 50.0
"""How much the spread of a triode's current and slopes grows where it is left few plate volts: times what it had
over what it has, less one, and where that stops. With the grid at or above the cathode published laws that agree at
one point of the sheet differ in current by 0.2, 0.3, 0.6 and 1.3 (logarithm) at a fifth, tenth, twentieth and
fiftieth of the usual plate volts (`tests/outside/test_foot_of_the_curves.py`): so stands a stage that is coupled
straight to the plate of a dead tube."""

AGE_SIGMA, AGING_FROM = 0.05, 0.05
"""What all carbon resistors of a chassis drift by together, and the tolerance from which one is taken for such: old
ones have risen by 5 to 15 %, each besides what tells it from the next (common practice, no source)."""

FILM_LEAK_S, FILM_LEAK_SIGMA = 3000.0, 1.6
"""Insulation of sound film capacitors as a time constant in seconds, and spread of its logarithm: new ones hold
for 1000 to 10000 s (IEC 60384-2, from memory), aged paper for minutes. Wider than one healthy kind would need, so
that neither is a fault."""

PLATE_GRID_LEAK_S, PLATE_GRID_LEAK_SIGMA = 2e-11, 1.2
"""Insulation of a sound socket and tube from plate to grid, and spread of its logarithm. Common practice, no
source. Where a grid has lost its return it decides, with the gas current, which way the grid drifts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """One healthy parameter that varies.

    Parameters
    ----------
    key : str
        Of the model.
    centre : float
        Value at z = 0.
    sigma : float
        Spread of the logarithm, or of the value itself where ``additive``.
    additive : bool
        The value is ``centre + sigma z`` instead of ``centre exp(sigma z)``.
    section : str
        Section key for tubes.
    """

    key: str
    centre: float
    sigma: float
    additive: bool = False
    section: str = ""

    def value(self, z: np.ndarray) -> np.ndarray:
        """Value of the parameter for each z, same shape."""
        return self.centre + self.sigma * z if self.additive else self.centre * np.exp(self.sigma * z)

    def z_of(self, value: float) -> float:
        """The z at which the parameter has this value, of the same sign."""
        return (value - self.centre) / self.sigma if self.additive else math.log(value / self.centre) / self.sigma

    def move(self, value: np.ndarray) -> np.ndarray:
        """Derivative of the value by z where it has this value, same shape."""
        return np.full(value.shape, self.sigma) if self.additive else self.sigma * value


def unknowns_of(model: ChassisModel, measured: Mapping[str, tuple[float, float]]) -> tuple[Unknown, ...]:
    """What varies from one healthy chassis to the next.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measured : mapping of str to (value, std)
        Parameters measured with power off: they replace nominal value and tolerance.
    """
    result = []
    for key, parameter in model.parameters.items():
        if key in measured:
            value, std = measured[key]
            result.append(Unknown(key=key, centre=value, sigma=max(std / value, 1e-4), section=parameter.section))
        elif key.endswith(".leak") and class_of(parameter, model.chassis) == "film":
            centre = model.chassis.parts[parameter.part].value / FILM_LEAK_S
            result.append(Unknown(key=key, centre=centre, sigma=FILM_LEAK_SIGMA))
        elif key.endswith(".strength") and f"{parameter.section}.screen" not in model.parameters:
            result.append(Unknown(key=key, centre=1.0, sigma=TRIODE_STRENGTH_SIGMA, section=parameter.section))
        elif parameter.sigma > 0:
            centre = parameter.nominal * math.exp(parameter.shift)
            result.append(Unknown(key=key, centre=centre, sigma=parameter.sigma, section=parameter.section))
        else:
            result += _beside_the_drawing(parameter)
    return tuple(result)


def aging_of(model: ChassisModel, unknowns: Sequence[Unknown], measured: Container[str]) -> np.ndarray:
    """How far each unknown goes with the age of the chassis, in its own standard deviations, shape (P,).

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    unknowns : sequence of Unknown
        From `unknowns_of`.
    measured : container of str
        Parameters measured with power off: these are known as they are.
    """
    ages = {
        part.name
        for part in model.chassis.parts.values()
        if part.kind == "resistor" and part.tolerance[1] >= AGING_FROM and part.name not in measured
    }
    return np.array([AGE_SIGMA / unknown.sigma if unknown.key in ages else 0.0 for unknown in unknowns])


def _beside_the_drawing(parameter: Parameter) -> list[Unknown]:
    """Unknowns the model takes as fixed: what tubes have of themselves, and what the curves miss."""
    key, ending, section = parameter.key, parameter.key.partition(".")[2], parameter.section
    if ending == "offset":
        return [Unknown(key=key, centre=0.0, sigma=CONTACT_SIGMA_V, additive=True, section=section)]
    if ending == "screen":
        return [Unknown(key=key, centre=1.0, sigma=SCREEN_SIGMA, section=section)]
    if ending == "slope":
        return [Unknown(key=key, centre=1.0, sigma=SLOPE_SIGMA, section=section)]
    if ending == "leak_PG":
        return [Unknown(key=key, centre=PLATE_GRID_LEAK_S, sigma=PLATE_GRID_LEAK_SIGMA, section=section)]
    return []
