"""Parts as admittances between nodes, and tubes as currents at nodes.

An element knows the keys of its values and turns a table of values into admittance, at DC and over frequency.
Nodes are numbers; ground is `GROUND`. Zero is a legal resistance and so is infinity: a short is `SHORT_S`.
"""

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
)  # fmt: skip

Array = np.ndarray[Any, Any]
Table = Mapping[str, Array]

GROUND = -1
SHORT_S = 100.0
"""Conductance of a dead short, siemens: ten milliohm of wire and joints."""


def conductance(ohm: Array) -> Array:
    """Turn resistance into conductance; zero ohm gives `SHORT_S`, infinity gives 0.

    Parameters
    ----------
    ohm : ndarray
        Resistance in ohm, zero to infinity.
    """
    return 1.0 / np.maximum(ohm, 1.0 / SHORT_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """Two nodes joined by an admittance.

    Parameters
    ----------
    part : str
        Name of the part on the drawing.
    a, b : int
        Its nodes.
    """

    part: str
    a: int
    b: int = GROUND

    def dc(self, table: Table) -> Array | None:
        """Conductance in siemens, shape (S,) or (1,); None where nothing can flow."""
        raise NotImplementedError

    def ac(self, table: Table, s: Array) -> Array | None:
        """Admittance in siemens, shape (S, F) or broadcasting to it, at ``s = j*omega`` of shape (F,)."""
        value = self.dc(table)
        return None if value is None else value[..., None]

    def terms(self, table: Table) -> list[tuple[int, Array | float]]:
        """Nodes whose weighted voltages sum to the voltage across the branch."""
        return [(self.a, 1.0), (self.b, -1.0)]

    @property
    def nodes(self) -> tuple[int, ...]:
        """Every node the branch touches."""
        return (self.a, self.b)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor(Branch):
    """Resistance; also a generator's.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Its ohms: ``R1``.
    """

    key: str

    def dc(self, table: Table) -> Array:
        return conductance(table[self.key])


@dataclass(frozen=True, slots=True, kw_only=True)
class Track(Branch):
    """One side of a potentiometer's track: ``at`` is the wiper's place, 1 at the first end.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        The whole track: ``P1``, with ``P1.at``.
    from_wiper : bool
        The side from the wiper to the second end, which vanishes at 0.
    """

    key: str
    from_wiper: bool

    def dc(self, table: Table) -> Array:
        at = table[f"{self.key}.at"]
        return conductance(table[self.key] * (at if self.from_wiper else 1.0 - at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak(Branch):
    """Conductance that is zero when healthy.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Its siemens: ``V1a.heater_leak``.
    """

    key: str

    def dc(self, table: Table) -> Array | None:
        value = table[self.key]
        return None if value.size == 1 and not value.any() else np.minimum(value, SHORT_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitor(Branch):
    """Capacitance with series resistance, leakage in parallel.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Its farads: ``C1``, with ``C1.leak`` and ``C1.esr``.
    """

    key: str

    def dc(self, table: Table) -> Array | None:
        value = table[f"{self.key}.leak"]
        return None if value.size == 1 and not value.any() else np.minimum(value, SHORT_S)

    def ac(self, table: Table, s: Array) -> Array:
        through: Array = s * table[self.key][..., None]
        through = through / (1.0 + through * table[f"{self.key}.esr"][..., None])
        leak = self.dc(table)
        return through if leak is None else through + leak[..., None]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrayCapacitance(Branch):
    """A fixed capacitance of a tube, between electrodes.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    farad : float
        The capacitance.
    """

    farad: float

    def dc(self, table: Table) -> None:
        return None

    def ac(self, table: Table, s: Array) -> Array:
        return np.asarray(s * self.farad)[None, :]


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingCapacitance(Branch):
    """Capacitance across a winding.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Its farads: ``T1.primary_farads``.
    """

    key: str

    def dc(self, table: Table) -> None:
        return None

    def ac(self, table: Table, s: Array) -> Array:
        return np.asarray(s * table[self.key][..., None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Inductor(Branch):
    """Inductance with series resistance.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Its henries: ``L1``, with ``L1.ohms``.
    """

    key: str

    def dc(self, table: Table) -> Array:
        return conductance(table[f"{self.key}.ohms"])

    def ac(self, table: Table, s: Array) -> Array:
        ohm = np.maximum(table[f"{self.key}.ohms"], 1.0 / SHORT_S)
        return np.asarray(1.0 / (ohm[..., None] + s * table[self.key][..., None]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding(Branch):
    """One winding of a transformer: resistance and leakage inductance against the EMF of a common core.

    The core is a node of its own whose "voltage" is volts per turn of the secondary, so that a winding of n turns
    carries ``(va - vb - n*core)/(r + s*l)`` and the core sees n times that current. At DC the core is at rest.

    Parameters
    ----------
    part, a, b
        As in `Branch`; a is the first end.
    core : int
        Node of the core.
    key : str
        Name of the transformer: its keys are ``T1.turns``, ``T1.primary_ohms`` and so on.
    share : float
        Part of the primary this winding is, 1 or 0.5; 0 for the secondary.
    open_key : str
        Key of the ohms added in series by a broken winding.
    ratio : float
        Nominal turns ratio primary to secondary.
    """

    core: int
    key: str
    share: float
    open_key: str
    ratio: float

    def _ohm(self, table: Table) -> Array:
        whole = table[f"{self.key}.{'primary' if self.share else 'secondary'}_ohms"]
        return np.maximum(whole * (self.share or 1.0) + table[self.open_key], 1.0 / SHORT_S)

    def turns(self, table: Table) -> Array | float:
        """Turns against one turn of the secondary."""
        return table[f"{self.key}.turns"] * (self.ratio * self.share) if self.share else 1.0

    def dc(self, table: Table) -> Array:
        return 1.0 / self._ohm(table)

    def ac(self, table: Table, s: Array) -> Array:
        # Half of the leakage sits on either side, as in the usual equivalent circuit; it scales with turns squared.
        leakage = table[f"{self.key}.leakage_henries"] * 0.5
        leakage = leakage * self.share if self.share else leakage / (table[f"{self.key}.turns"] * self.ratio) ** 2
        return 1.0 / (self._ohm(table)[..., None] + s * leakage[..., None])

    def terms(self, table: Table) -> list[tuple[int, Array | float]]:
        return [(self.a, 1.0), (self.b, -1.0), (self.core, -np.asarray(self.turns(table)))]

    @property
    def nodes(self) -> tuple[int, ...]:
        return (self.a, self.b, self.core)


@dataclass(frozen=True, slots=True, kw_only=True)
class Core(Branch):
    """Magnetizing inductance of a transformer, and the load of shorted turns, per turn of the secondary.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Name of the transformer.
    ratio : float
        Nominal turns ratio primary to secondary.
    """

    key: str
    ratio: float

    def dc(self, table: Table) -> Array:
        return np.ones(1)  # at rest: any conductance to ground will do

    def ac(self, table: Table, s: Array) -> Array:
        squared = (table[f"{self.key}.turns"] * self.ratio)[..., None] ** 2
        magnetizing = squared / (s * table[f"{self.key}.primary_henries"][..., None])
        return np.asarray(magnetizing + squared * table[f"{self.key}.shorted_turns"][..., None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply(Branch):
    """An EMF behind a source resistance, from a node to ground.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        Rail: its keys are ``HT1.emf`` and ``HT1.source``; the EMF follows ``mains``.
    """

    key: str

    def dc(self, table: Table) -> Array:
        return conductance(table[f"{self.key}.source"])

    def current(self, table: Table) -> Array:
        """Short-circuit current into the node, ampere, shape (S,) or (1,)."""
        return table[f"{self.key}.emf"] * table["mains"] * self.dc(table)


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
    """

    law: Any
    gas_a: Array

    def mapped(self, change: Callable[[Array], Array]) -> Specimen:
        """Apply a change of shape to everything that differs between samples.

        Parameters
        ----------
        change : callable
            From array to array.
        """
        changed = {name: change(np.asarray(getattr(self.law, name))) for name in self.law.VARIES}
        return Specimen(law=replace(self.law, **changed), gas_a=change(self.gas_a))

    @property
    def arrays(self) -> tuple[Array, ...]:
        """What differs between samples."""
        return (*(np.asarray(getattr(self.law, name)) for name in self.law.VARIES), self.gas_a)


def _ions(gas_a: Array, ia: Array, slopes: tuple[Array, ...]) -> tuple[Array, tuple[Array, ...]]:
    """Gas current and its slopes from plate current and its slopes."""
    whole = ia + GAS_HALF_A
    return gas_a * ia / whole, tuple(gas_a * GAS_HALF_A / whole**2 * slope for slope in slopes)


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
        return Specimen(law=law, gas_a=table[f"{self.key}.gas"])

    def currents(
        self, specimen: Specimen, volts: tuple[Array, ...]
    ) -> tuple[tuple[Array, ...], tuple[tuple[Array | None, ...], ...]]:
        """Currents into the electrodes, and slopes by the electrode voltages to the cathode (rows: currents)."""
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
        return Specimen(law=law, gas_a=table[f"{self.key}.gas"])

    def currents(
        self, specimen: Specimen, volts: tuple[Array, ...]
    ) -> tuple[tuple[Array, ...], tuple[tuple[Array | None, ...], ...]]:
        """Currents into the electrodes, and slopes by the electrode voltages to the cathode (rows: currents)."""
        now: PentodeCurrents = pentode_currents(specimen.law, volts[0], volts[2], volts[1])
        by_plate = (now.d_ia_dva, now.d_ia_dvg1, now.d_ia_dvg2)
        by_screen = (now.d_ig2_dva, now.d_ig2_dvg1, now.d_ig2_dvg2)
        if not specimen.gas_a.any():
            return (now.ia, now.ig1, now.ig2), (by_plate, (None, now.d_ig1_dvg1, None), by_screen)
        gas, (gas_a, gas_g, gas_s) = _ions(specimen.gas_a, now.ia, by_plate)
        return (now.ia, now.ig1 - gas, now.ig2), (by_plate, (-gas_a, now.d_ig1_dvg1 - gas_g, -gas_s), by_screen)


Tube = Triode | Pentode
