"""Current into grid 1 of any tube.

K. Dempwolf and U. Zoelzer, "A physically-motivated triode model for circuit simulations", DAFx-11, 2011, without
its constant: ``Ig = G*(ln(1 + exp(C*Vg))/C)^xi``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Value = float | NDArray[np.float64]
Currents = NDArray[np.float64]

GRID_CURRENT_FROM_V = -4.0
"""Where every grid is more negative than this, in volt, grid current (below 1e-28 A) is taken as zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GridCurrent:
    """Constants of the grid-current law.

    Parameters
    ----------
    perveance : float or ndarray
        G in A/V^xi.
    sharpness : float or ndarray
        C in 1/V; the larger, the sooner the current dies below zero volt.
    exponent : float or ndarray
        xi, above 1.
    """

    perveance: Value
    sharpness: Value
    exponent: Value


def grid_current(
    grid: GridCurrent | None, strength: Value, vg: Value, shape: tuple[int, ...]
) -> tuple[Currents, Currents]:
    """Compute the current of grid 1 and its slope.

    Parameters
    ----------
    grid : GridCurrent or None
        Constants of the law; without them none flows.
    strength : float or ndarray
        Multiplies the current, as it does those of the other electrodes.
    vg : float or ndarray
        Grid voltage to the cathode, volt.
    shape : tuple of int
        Of what is returned.

    Returns
    -------
    tuple of ndarray
        Current in ampere into the grid, and its derivative in siemens.

    Examples
    --------
    >>> current_a, _ = grid_current(grid_current_of(2.0 / 1673.5), 1.0, 0.5, ())
    >>> print(f"{current_a * 1e3:.2f} mA")
    0.20 mA
    """
    if grid is None or np.max(vg) < GRID_CURRENT_FROM_V:
        none = np.zeros(shape)
        return none, none
    z = grid.sharpness * np.asarray(vg)
    small = np.exp(-np.abs(z))
    soft = (np.log1p(small) + np.maximum(z, 0.0)) / grid.sharpness
    slope = np.where(z >= 0.0, 1.0, small) / (1.0 + small)
    power = strength * grid.perveance * soft ** (grid.exponent - 1.0)
    return np.broadcast_to(soft * power, shape), np.broadcast_to(grid.exponent * power * slope, shape)


def grid_current_of(cathode_perveance: Value) -> GridCurrent:
    """Scale the measured grid-current law to a tube.

    Parameters
    ----------
    cathode_perveance : float or ndarray
        Constant k of ``Ik = k*E1^ex`` of the tube: 2/kg1 for a triode, 1/kg1 + 1/kg2 for a pentode.

    Returns
    -------
    GridCurrent
        Of that tube.

    Notes
    -----
    The reference is the middle of the three 12AX7 that Dempwolf and Zoelzer measured (geometric mean of G, mean of
    xi and C; -5 to +3 V), at the cathode perveance of the 12AX7 of the published points. That grid current grows
    with the perveance of the cathode is our own rule, no source: the same cloud of electrons, met by grid wires
    instead of crossing them. Onset near zero volt is that of the specimens measured; sheets that define grid
    current by 0.3 uA print -0.9 to -1.3 V, so currents below a microampere are understated.
    """
    return GridCurrent(
        perveance=_MEASURED_G / _MEASURED_CATHODE * cathode_perveance,
        sharpness=_MEASURED_C,
        exponent=_MEASURED_XI,
    )


_MEASURED_G = 4.92e-4  # geometric mean of 6.177e-4, 5.911e-4 and 3.263e-4
_MEASURED_C = 11.22  # mean of 9.901, 11.76 and 11.99
_MEASURED_XI = 1.276  # mean of 1.314, 1.358 and 1.156
_MEASURED_CATHODE = 2.0 / 1673.5
