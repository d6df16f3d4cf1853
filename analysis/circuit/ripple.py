"""Hum at any node: rectifier pulses, rails that ripple, heaters that leak to their cathodes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .ac import SmallSignal
from .elements import GROUND, Array, Leak, Supply, Table
from .network import Circuit
from .rectifier import Rectifier
from .sections import TubeSlopes
from .supplied import Supplied

LINES = 6
"""Lines of a rectifier's pulses that are followed."""

HEATER_PEAK_V = 3.15 * np.sqrt(2.0)
"""Heater against chassis as its cathode sees it: half of 6.3 V, one side grounded (common practice, no source)."""

PHASES = 96
"""Instants of one mains period at which the lines are added up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RipplingRail:
    """A rail whose EMF carries a sine at twice the mains.

    Parameters
    ----------
    key : str
        The rail.
    ratio : float
        Amplitude of the ripple over the EMF.
    """

    key: str
    ratio: float


class Ripple:
    """Hum of a chassis at rest, shapes (S, lines).

    Parameters
    ----------
    circuit : Circuit
        Topology.
    supplied : Supplied
        The chassis at rest.
    rectifiers : tuple of Rectifier
        Rectified rails.
    rippling : tuple of RipplingRail
        Rails with a given ripple.
    mains_hz : float
        Frequency of the mains.
    """

    def __init__(
        self,
        circuit: Circuit,
        supplied: Supplied,
        rectifiers: tuple[Rectifier, ...],
        rippling: tuple[RipplingRail, ...],
        mains_hz: float,
    ) -> None:
        self.circuit, self.supplied, self.mains_hz = circuit, supplied, mains_hz
        self.rectifiers, self._rippling = rectifiers, rippling
        multiples = {1, 2} if rippling or not rectifiers else {1}
        for rectifier in rectifiers:
            first = 2 if rectifier.full_wave else 1
            multiples |= {first * line for line in range(1, LINES + 1)}
        self.multiples = sorted(multiples)
        table = dict(supplied.table)
        for rectifier, state in zip(rectifiers, supplied.charging, strict=True):
            with np.errstate(divide="ignore"):
                table[f"{rectifier.key}.source"] = 1.0 / state.conducting_s
        self.table = table
        flows: dict[int, Array] = {}
        for rectifier, state in zip(rectifiers, supplied.charging, strict=True):
            self._add(flows, rectifier.node, self.lines_of(rectifier, state.driven_a))
        for supply, ratio in self.given():
            self._add(flows, supply.a, self.line(2, ratio * supply.current(table)))
        keys = {f"{tube.key}.heater_leak" for tube in circuit.tubes}
        self.heater_leaks = [b for b in circuit.branches if isinstance(b, Leak) and b.key in keys]
        for leak in self.heater_leaks:
            flow = self.line(1, table[leak.key] * HEATER_PEAK_V)
            self._add(flows, leak.a, flow)
            self._add(flows, leak.b, -flow)
        self.flows = flows

    def small_at(self, *freq_hz: float) -> SmallSignal:
        """Linearized circuit, its rectifiers conducting for their share of the period.

        Parameters
        ----------
        *freq_hz : float
            Frequencies above zero.
        """
        return SmallSignal(self.circuit, self.table, self.supplied.rest.slopes, np.array(freq_hz))

    @staticmethod
    def _add(flows: dict[int, Array], node: int, current: Array) -> None:
        if node != GROUND:
            flows[node] = flows[node] + current if node in flows else current

    def given(self) -> list[tuple[Supply, float]]:
        """Rails with a given ripple, and its amplitude over the EMF."""
        ratio = {rail.key: rail.ratio for rail in self._rippling}
        return [(supply, ratio[supply.key]) for supply in self.circuit.supplies if supply.key in ratio]

    def line(self, multiple: int, amplitude: Array) -> Array:
        """A sine as its lines, shape (S, lines).

        Parameters
        ----------
        multiple : int
            Which line, in multiples of the mains.
        amplitude : ndarray, shape (S,)
            Its peak.
        """
        return np.asarray(amplitude[..., None] * (np.array(self.multiples) == multiple))

    def lines_of(self, rectifier: Rectifier, current_a: Array) -> Array:
        """Lines of what a rectifier drives into the node of its rail, shape (S, lines).

        Parameters
        ----------
        rectifier : Rectifier
            Whose.
        current_a : ndarray, shape (ANGLES, S)
            Over one ripple period; that of a negative rail flows out of its node.
        """
        emf_v = self.table[f"{rectifier.key}.emf"] * self.table["mains"]
        first = 2 if rectifier.full_wave else 1
        spectrum = np.fft.rfft(current_a, axis=0) * (2.0 / current_a.shape[0])
        none = np.zeros(current_a.shape[1:], dtype=complex)
        lines = [spectrum[m // first] if m % first == 0 and m // first <= LINES else none for m in self.multiples]
        return np.stack(lines, axis=-1) * np.where(emf_v < 0.0, -1.0, 1.0)[:, None]

    def peak_to_peak_v(self, nodes: Sequence[int]) -> dict[int, Array]:
        """Hum at nodes, volts peak to peak, arrays of shape (S,) or (1,); nodes without hum are left out.

        Parameters
        ----------
        nodes : sequence of int
            Nodes to know.
        """
        small = self.small_at(*(self.mains_hz * multiple for multiple in self.multiples))
        found = small.volts(self.flows, nodes)
        return {
            node: np.asarray(np.ptp(np.real(found[node] @ self.turns), axis=-1)) for node in nodes if node in found
        }

    @property
    def turns(self) -> Array:
        """What turns a phasor of each line to the instants of a period, shape (lines, PHASES)."""
        return np.asarray(np.exp(1j * np.outer(self.multiples, np.arange(PHASES) * (2.0 * np.pi / PHASES))))


def rail_transfer(
    circuit: Circuit, table: Table, slopes: Sequence[TubeSlopes], supply: Supply, freq_hz: float
) -> float:
    """Ripple at a rail for one volt of ripple in its EMF, nominal chassis.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping of str to ndarray
        Values by key, one sample.
    slopes : sequence
        Slopes of the tubes.
    supply : Supply
        The rail.
    freq_hz : float
        Frequency of the ripple.
    """
    small = SmallSignal(circuit, table, slopes, np.array([freq_hz]))
    found = small.volts({supply.a: supply.dc(table)[..., None]}, [supply.a])
    return float(np.abs(found[supply.a]).flat[0])
