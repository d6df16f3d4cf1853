"""Parts as admittances between nodes.

An element knows the keys of its values and turns a table of values into admittance, at DC and over frequency.
Nodes are numbers; ground is `GROUND`. Zero is a legal resistance and so is infinity: a short is `SHORT_S`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
Table = Mapping[str, Array]

GROUND = -1
SHORT_S = 100.0
"""Conductance of a dead short, siemens: ten milliohm of wire and joints."""

LEAKAGE_S = 1e-12
"""Leakage of sockets and boards from every node to ground, siemens: no node floats, however many parts are open."""


def conductance(ohm: Array) -> Array:
    """Turn resistance into conductance; zero ohm gives `SHORT_S`, infinity gives 0.

    Parameters
    ----------
    ohm : ndarray
        Resistance in ohm, zero to infinity.
    """
    return 1.0 / np.maximum(ohm, 1.0 / SHORT_S)


class _Recorder(dict[str, Array]):
    """A table that remembers which keys were asked for."""

    def __init__(self, table: Table) -> None:
        super().__init__(table)
        self.asked: set[str] = set()

    def __getitem__(self, key: str) -> Array:
        self.asked.add(key)
        return super().__getitem__(key)


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

    def keys(self, table: Table, over_frequency: bool = False) -> frozenset[str]:
        """Keys that its conductance depends on, or its admittance and weights.

        Parameters
        ----------
        table : mapping
            Values by key; any will do.
        over_frequency : bool
            The admittance.
        """
        recorder = _Recorder(table)
        if over_frequency:
            self.ac(recorder, np.full(1, 1j))
            self.terms(recorder)
        else:
            self.dc(recorder)
        return frozenset(recorder.asked)


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


def wiper_place(at: Array | float, turned: Array | float) -> Array | float:
    """Place of a wiper on its track, 1 at the first end; a stop stays one.

    Parameters
    ----------
    at : ndarray or float
        Place that the chassis file gives.
    turned : ndarray or float
        How many times the ratio of both sides of the track is that of ``at``.

    Examples
    --------
    >>> wiper_place(0.5, 4.0), wiper_place(1.0, 4.0)
    (0.8, 1.0)
    """
    return at * turned / (at * turned + 1.0 - at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track(Branch):
    """One side of a potentiometer's track: ``at`` is the wiper's place, 1 at the first end.

    Parameters
    ----------
    part, a, b
        As in `Branch`.
    key : str
        The whole track: ``P1``, with ``P1.at`` and ``P1.turned``, as `wiper_place`.
    from_wiper : bool
        The side from the wiper to the second end, which vanishes at 0.
    """

    key: str
    from_wiper: bool

    def dc(self, table: Table) -> Array:
        at = wiper_place(table[f"{self.key}.at"], table[f"{self.key}.turned"])
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
        Part of the primary this winding is, 1, 0.5 or less beside a tap; 0 for the secondary.
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

    def keys(self, table: Table, over_frequency: bool = False) -> frozenset[str]:
        own = super(Supply, self).keys(table, over_frequency)
        return own if over_frequency else own | {f"{self.key}.emf", "mains"}

    def current(self, table: Table) -> Array:
        """Short-circuit current into the node, ampere, shape (S,) or (1,)."""
        return table[f"{self.key}.emf"] * table["mains"] * self.dc(table)
