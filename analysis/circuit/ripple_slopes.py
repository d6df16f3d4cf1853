"""How the hum at a node moves with every value, by the adjoint network over its lines (`admitting`).

A value moves the admittances, the pulses of the rectifiers (by its own hand and by the load it makes), the ripple
of the other rails, and what heaters leak.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from .admitting import Admitting
from .dense import NUDGE
from .elements import GROUND, Array
from .ripple import HEATER_PEAK_V, Ripple
from .sensitivity import RailMoves, RestSlopes


class RippleSlopes:
    """Hum of a chassis at rest with its slopes.

    Parameters
    ----------
    rest : RestSlopes
        The operating point with its moves.
    hum : Ripple
        Of the same chassis.
    rails : sequence of RailMoves
        How its rectified rails move, in the order of the rectifiers.
    """

    def __init__(self, rest: RestSlopes, hum: Ripple, rails: Sequence[RailMoves]) -> None:
        self._rest, self._hum, self._rails = rest, hum, rails
        freq_hz = hum.mains_hz * np.array(hum.multiples, dtype=float)
        self._net = Admitting(rest, hum.table, freq_hz, frozenset(rail.key for rail in rails))
        shape = (rest.count, freq_hz.size)
        self._volts = np.zeros((*shape, len(rest.circuit.nodes)), dtype=complex)
        for node, flow in hum.flows.items():
            self._volts += self._net.inverse[..., node] * np.broadcast_to(flow, shape)[..., None]

    def look(self, nodes: Sequence[int], probe_s: complex) -> tuple[Array, Array]:
        """Hum at nodes with a probe on each in turn, and its slopes.

        Parameters
        ----------
        nodes : sequence of int
            P nodes, none of them ground.
        probe_s : complex
            Admittance of the probe at twice the mains.

        Returns
        -------
        shown : ndarray, shape (S, P)
            Volts peak to peak.
        slopes : ndarray, shape (S, P, K)
            Derivatives by each move, the instants of crest and trough held.
        """
        places, turns, inverse = np.array(nodes), self._hum.turns, self._net.inverse
        count, lines = self._volts.shape[:2]
        there = self._volts[:, :, places].transpose(0, 2, 1)  # (S, P, L)
        wave = np.real(there @ turns)
        between = turns.T[wave.argmax(axis=-1)] - turns.T[wave.argmin(axis=-1)]
        bare = np.ptp(wave, axis=-1)
        adjoint = between[..., None] * inverse[:, :, places].transpose(0, 2, 1, 3)  # (S, P, L, N)
        # One column for each line of each node; the lines are summed when all is done.
        line = np.tile(np.arange(lines), len(places))
        flat = adjoint.reshape(count, line.size, -1)
        moved = self._net.moved(line, flat, self._volts[:, line])
        slopes = -moved.real.reshape(count, len(places), lines, -1).sum(axis=2)
        for node, column, flow in self._flows():
            slopes[:, :, column] += np.einsum("spl,sl...->sp...", adjoint[..., node], flow).real
        twice = self._hum.multiples.index(2)
        own = inverse[:, twice, places, places]
        row, taken = inverse[:, twice, places], inverse[:, twice][:, :, places].transpose(0, 2, 1)
        on = 1.0 / (1.0 + probe_s * own)
        rise = self._net.moved(np.full(len(places), twice), row, taken)
        share = np.abs(on)
        shown = bare * share
        return shown, slopes * share[..., None] + shown[..., None] * np.real(probe_s * on[..., None] * rise)

    def _flows(self) -> Iterator[tuple[int, int | slice, Array]]:
        """Node, one move or all, and the change of what flows into it, shape (S, lines) or (S, lines, K)."""
        rest, hum, table = self._rest, self._hum, self._hum.table
        count = rest.count
        for rectifier, rail in zip(hum.rectifiers, self._rails, strict=True):
            if rectifier.node != GROUND:
                for key, pulses_a in rail.pulses_a.items():
                    yield rectifier.node, rest.keys[key], hum.lines_of(rectifier, pulses_a)
                place = int(rest.network.places([rectifier.node])[0])
                by_load, load = rail.pulses_with(rest.slopes[:, place], rest.moves)
                yield rectifier.node, slice(None), hum.lines_of(rectifier, by_load)[..., None] * load[:, None]
        for supply, rail_ratio in hum.given():
            if supply.a == GROUND:
                continue
            before = supply.current(table)
            for key in rest.network.keys(supply, table) & rest.moves.keys():
                moved = {**table, key: table[key] + NUDGE * rest.moves[key]}
                rise = rail_ratio * (supply.current(moved) - before) / NUDGE
                yield supply.a, rest.keys[key], hum.line(2, np.broadcast_to(rise, (count,)))
        for leak in hum.heater_leaks:
            if leak.key in rest.moves:
                rise = hum.line(1, np.broadcast_to(rest.moves[leak.key] * HEATER_PEAK_V, (count,)))
                for node, flow in ((leak.a, rise), (leak.b, -rise)):
                    if node != GROUND:
                        yield node, rest.keys[leak.key], flow
