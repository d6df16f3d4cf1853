"""Tube sections as currents at nodes, with their exact slopes; what differs between samples is a `Specimen`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.tubes.equations import (
    PentodeCurrents,
    PentodeParameters,
    TriodeCurrents,
    TriodeParameters,
    pentode_currents,
    triode_currents,
)

from .elements import Array, Table

TubeSlopes = tuple[tuple[Array | None, ...], ...]
"""Slopes of one tube: rows are electrode currents, columns electrode voltages to the cathode."""

GAS_HALF_A = 1e-5
"""Plate current at which half of the gas current flows, ampere: no electrons, no ions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """The samples of one section.

    Parameters
    ----------
    law : TriodeParameters or PentodeParameters
        With strength and mu of the samples.
    gas_a : ndarray
        Current that ions carry into the grid while the tube conducts, ampere.
    adrift_v : tuple of ndarray
        Volts below the cathode at which plate and grid (of a triode the grid alone) stand because their contact is
        open; 0 where they are connected.
    """

    law: Any
    gas_a: Array
    adrift_v: tuple[Array, ...]

    def mapped(self, change: Callable[[Array], Array]) -> Specimen:
        """Apply a change of shape to everything that differs between samples.

        Parameters
        ----------
        change : callable
            From array to array.
        """
        changed = {name: change(np.asarray(getattr(self.law, name))) for name in self.law.VARIES}
        return Specimen(
            law=replace(self.law, **changed),
            gas_a=change(self.gas_a),
            adrift_v=tuple(change(value) for value in self.adrift_v),
        )

    @property
    def arrays(self) -> tuple[Array, ...]:
        """What differs between samples."""
        return (*(np.asarray(getattr(self.law, name)) for name in self.law.VARIES), self.gas_a, *self.adrift_v)

    @property
    def connected(self) -> bool:
        """Whether every electrode of every sample has its contact."""
        return not any(value.any() for value in self.adrift_v)


def _ions(gas_a: Array, ia: Array, slopes: tuple[Array, ...]) -> tuple[Array, tuple[Array, ...]]:
    """Gas current and its slopes from plate current and its slopes."""
    whole = ia + GAS_HALF_A
    return gas_a * ia / whole, tuple(gas_a * GAS_HALF_A / whole**2 * slope for slope in slopes)


CurrentsAndSlopes = tuple[tuple[Array, ...], TubeSlopes]
"""Currents into the electrodes, and slopes by the electrode voltages to the cathode (rows: currents)."""


def _adrift(
    law: Callable[[tuple[Array, ...]], CurrentsAndSlopes], volts: tuple[Array, ...], adrift_v: Mapping[int, Array]
) -> CurrentsAndSlopes:
    """Let electrodes whose contact is open stand where they drift to: their nodes draw nothing and move nothing.

    An insulated electrode takes up electrons until it stands so far below the cathode that as many leave as arrive.
    """
    on = {place: value == 0.0 for place, value in adrift_v.items()}
    reached = tuple(
        np.where(on[place], value, -adrift_v[place]) if place in on else value for place, value in enumerate(volts)
    )
    currents, slopes = law(reached)
    return (
        tuple(current * on[place] if place in on else current for place, current in enumerate(currents)),
        tuple(
            tuple(
                None if slope is None else slope * on.get(i, True) * on.get(j, True) for j, slope in enumerate(row)
            )
            for i, row in enumerate(slopes)
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Triode:
    """A triode section between three nodes.

    Parameters
    ----------
    key : str
        Section key: ``V1a``.
    plate, grid, cathode : int
        Nodes.
    parameters : TriodeParameters
        Of the healthy average tube.
    """

    key: str
    plate: int
    grid: int
    cathode: int
    parameters: TriodeParameters

    @property
    def nodes(self) -> tuple[int, ...]:
        """Every node the section touches."""
        return (self.plate, self.grid, self.cathode)

    @property
    def electrodes(self) -> tuple[int, ...]:
        """Nodes that draw current, cathode left out: plate, grid."""
        return (self.plate, self.grid)

    def specimen(self, table: Table) -> Specimen:
        """Samples of the table."""
        law = self.parameters.varied(
            strength=table[f"{self.key}.strength"],
            mu_factor=table[f"{self.key}.mu"],
            offset_v=table[f"{self.key}.offset"],
        )
        return Specimen(law=law, gas_a=table[f"{self.key}.gas"], adrift_v=(table[f"{self.key}.grid_adrift"],))

    def currents(self, specimen: Specimen, volts: tuple[Array, ...]) -> CurrentsAndSlopes:
        """Currents into the electrodes, and slopes by the electrode voltages to the cathode (rows: currents)."""
        if not specimen.connected:
            return _adrift(lambda reached: self._drawn(specimen, reached), volts, {1: specimen.adrift_v[0]})
        return self._drawn(specimen, volts)

    def _drawn(self, specimen: Specimen, volts: tuple[Array, ...]) -> CurrentsAndSlopes:
        now: TriodeCurrents = triode_currents(specimen.law, volts[0], volts[1])
        by_plate = (now.d_ia_dva, now.d_ia_dvg)
        if not specimen.gas_a.any():
            return (now.ia, now.ig), (by_plate, (None, now.d_ig_dvg))
        gas, (gas_a, gas_g) = _ions(specimen.gas_a, now.ia, by_plate)
        return (now.ia, now.ig - gas), (by_plate, (-gas_a, now.d_ig_dvg - gas_g))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pentode:
    """A pentode or beam tube between four nodes; the suppressor is at the cathode.

    Parameters
    ----------
    key : str
        Section key: ``V2``.
    plate, grid, cathode, screen : int
        Nodes.
    parameters : PentodeParameters
        Of the healthy average tube.
    """

    key: str
    plate: int
    grid: int
    cathode: int
    screen: int
    parameters: PentodeParameters

    @property
    def nodes(self) -> tuple[int, ...]:
        """Every node the section touches."""
        return (self.plate, self.grid, self.screen, self.cathode)

    @property
    def electrodes(self) -> tuple[int, ...]:
        """Nodes that draw current, cathode left out: plate, grid, screen."""
        return (self.plate, self.grid, self.screen)

    def specimen(self, table: Table) -> Specimen:
        """Samples of the table."""
        law = self.parameters.varied(
            strength=table[f"{self.key}.strength"],
            mu_factor=table[f"{self.key}.mu"],
            offset_v=table[f"{self.key}.offset"],
            screen=table[f"{self.key}.screen"],
        )
        adrift_v = (table[f"{self.key}.plate_adrift"], table[f"{self.key}.grid_adrift"])
        return Specimen(law=law, gas_a=table[f"{self.key}.gas"], adrift_v=adrift_v)

    def currents(self, specimen: Specimen, volts: tuple[Array, ...]) -> CurrentsAndSlopes:
        """Currents into the electrodes, and slopes by the electrode voltages to the cathode (rows: currents)."""
        if not specimen.connected:
            return _adrift(
                lambda reached: self._drawn(specimen, reached), volts, dict(enumerate(specimen.adrift_v))
            )
        return self._drawn(specimen, volts)

    def _drawn(self, specimen: Specimen, volts: tuple[Array, ...]) -> CurrentsAndSlopes:
        now: PentodeCurrents = pentode_currents(specimen.law, volts[0], volts[2], volts[1])
        by_plate = (now.d_ia_dva, now.d_ia_dvg1, now.d_ia_dvg2)
        by_screen = (now.d_ig2_dva, now.d_ig2_dvg1, now.d_ig2_dvg2)
        if not specimen.gas_a.any():
            return (now.ia, now.ig1, now.ig2), (by_plate, (None, now.d_ig1_dvg1, None), by_screen)
        gas, (gas_a, gas_g, gas_s) = _ions(specimen.gas_a, now.ia, by_plate)
        return (now.ia, now.ig1 - gas, now.ig2), (by_plate, (-gas_a, now.d_ig1_dvg1 - gas_g, -gas_s), by_screen)


Tube = Triode | Pentode
