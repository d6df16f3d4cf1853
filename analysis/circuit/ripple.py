"""Hum at any node: rectifier pulses, rails that ripple, heaters that leak to their cathodes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .ac import SmallSignal
from .elements import GROUND, Array, Supply, Table
from .network import Circuit, TubeSlopes
from .rectifier import Charging, Rectifier, Supplied

LINES = 6
"""Lines of a rectifier's pulses that are followed."""

HEATER_RMS_V = 3.15
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
    peak_v : float
        Amplitude of the EMF's ripple at nominal mains.
    """

    key: str
    peak_v: float


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
    wanted : sequence of int
        Nodes to know.
    """

    def __init__(
        self,
        circuit: Circuit,
        supplied: Supplied,
        rectifiers: tuple[Rectifier, ...],
        rippling: tuple[RipplingRail, ...],
        mains_hz: float,
        wanted: Sequence[int],
    ) -> None:
        multiples = {1, 2} if rippling or not rectifiers else {1}
        for rectifier in rectifiers:
            first = 2 if rectifier.full_wave else 1
            multiples |= {first * line for line in range(1, LINES + 1)}
        self.multiples = sorted(multiples)
        table = dict(supplied.table)
        for rectifier in rectifiers:
            # While it feeds its pulses as a current, the rectifier itself conducts nothing back.
            table[f"{rectifier.key}.source"] = np.full(1, np.inf)
        self.table = table
        freq_hz = mains_hz * np.array(self.multiples, dtype=float)
        self.small = SmallSignal(circuit, table, supplied.rest.slopes, freq_hz)
        flows: dict[int, Array] = {}
        for rectifier, state in zip(rectifiers, supplied.charging, strict=True):
            self._add(flows, rectifier.node, self._pulses(rectifier, state))
        for supply in circuit.supplies:
            for rail in rippling:
                if rail.key == supply.key:
                    self._add(flows, supply.a, self._line(2, rail.peak_v * table["mains"] * supply.dc(table)))
        for tube in circuit.tubes:
            leak = table[f"{tube.key}.heater_leak"]
            self._add(flows, tube.cathode, self._line(1, leak * (HEATER_RMS_V * np.sqrt(2.0))))
        self._volts = self.small.volts(flows, wanted)

    @staticmethod
    def _add(flows: dict[int, Array], node: int, current: Array) -> None:
        if node != GROUND:
            flows[node] = flows[node] + current if node in flows else current

    def _line(self, multiple: int, amplitude: Array) -> Array:
        return np.asarray(amplitude[..., None] * (np.array(self.multiples) == multiple))

    def _pulses(self, rectifier: Rectifier, state: Charging) -> Array:
        first = 2 if rectifier.full_wave else 1
        spectrum = np.fft.rfft(state.current_a, axis=0) * (2.0 / state.current_a.shape[0])
        none = np.zeros(state.mean_v.shape, dtype=complex)
        lines = [spectrum[m // first] if m % first == 0 and m // first <= LINES else none for m in self.multiples]
        return np.stack(lines, axis=-1)

    def peak_to_peak_v(self, node: int, loading: Array | float = 1.0) -> Array:
        """Hum at a node, volts peak to peak, shape (S,).

        Parameters
        ----------
        node : int
            One of the nodes wanted.
        loading : ndarray
            Factor by which a probe changes the voltage.
        """
        if node not in self._volts:
            return np.zeros(1)
        angles = np.outer(self.multiples, np.arange(PHASES) * (2.0 * np.pi / PHASES))
        wave = np.real(self._volts[node] @ np.exp(1j * angles))
        return np.asarray(np.ptp(wave, axis=-1) * loading)


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
