"""How a chassis at rest moves with every value: exact slopes by the adjoint network.

Where ``F(x, p) = 0`` are the currents that meet at the nodes, ``dx/dp = -J^-1 dF/dp``: one row of the inverse, the
adjoint network of that node, gives the slopes by all values at once (S. Director, R. Rohrer, IEEE Trans. Circuit
Theory 16 (1969) 318; from memory). ``dF/dp`` comes from the elements themselves, one value moved a little, the
volts held.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from functools import cached_property
from typing import Any

import numpy as np

from .dense import NUDGE
from .elements import GROUND, SHORT_S, Array, Supply, Table
from .grouping import wide
from .network import Circuit
from .rectifier import Rectifier, charge
from .supplied import Supplied
from .terms import Term, Terms

NUDGE_LOAD = 1e-3
"""How far the load of a rectifier is moved, as a share of itself; and the least, ampere."""
LEAST_LOAD_A = 1e-6

NUDGE_V = 1e-3
"""How far the volts of a tube are moved to see its slopes bend."""

LIGHT = 2e-3
"""A meter that takes no more than this share of a reading: what a move changes in that share is left out."""

Moves = Mapping[str, Array]
"""Key to the change of its value that counts as one unit, shape (S,)."""


class RestSlopes:
    """Slopes of the operating point.

    Parameters
    ----------
    circuit : Circuit
        Topology.
    table : mapping
        Values by key, rectified rails as the EMF behind the slope of their load line.
    volts : ndarray, shape (N, S)
        Where the circuit rests, nodes in `DenseNetwork.order`.
    moves : mapping of str to ndarray
        K values that move, each with its unit.
    loads : tuple of (places, siemens), optional
        A meter for each sample: its row in `DenseNetwork.order`, shape (S,), and its conductance.
    rails : sequence of RailMoves
        How the rectified rails move.
    """

    def __init__(
        self,
        circuit: Circuit,
        table: Table,
        volts: Array,
        moves: Moves,
        loads: tuple[Array, float] | None = None,
        rails: Sequence[RailMoves] = (),
    ) -> None:
        self.circuit, self.network, self.table, self.moves = circuit, circuit.dense, table, moves
        self.keys = {key: place for place, key in enumerate(moves)}
        self.volts = volts
        self.count = volts.shape[1]
        network = self.network
        drawn, _, _ = network.draw(network.specimens(table), volts[network.linear :])
        self.tubes = network.by_section(drawn, self.count)
        self._whole = network.slopes(table, self.tubes.slopes, self.count)
        rectified = {rail.key: rail for rail in rails}
        for supply in circuit.supplies:
            if (rail := rectified.get(supply.key)) and supply.a != GROUND:
                place = network.places([supply.a])[0]
                self._whole[:, place, place] += rail.siemens - supply.dc(table)
        if loads is not None:
            self._whole[np.arange(self.count), loads[0], loads[0]] += loads[1]
        self._conducting = Terms(list(self._of_branches()), (self.count,))
        branches = self._conducting
        flow = branches.change * branches.across(volts.T).T
        terms: list[Term] = list(zip(branches.move, branches.a, branches.b, flow, strict=True))
        terms.extend(self._of_tubes(drawn))
        for supply in circuit.supplies:
            terms.extend(self._of_supply(supply, rectified.get(supply.key)))
        self._into = Terms(terms, (self.count,))

    def _of_tubes(self, drawn: Sequence[Any]) -> Iterator[Term]:
        """What the moves of the tubes' own values change in the currents from the electrodes to the cathodes."""
        network, count = self.network, self.count
        grounded = np.concatenate([self.volts[network.linear :], np.zeros((1, count))])
        for group, (before, _) in zip(network.groups, drawn, strict=True):
            # One evaluation for all values of a section that move: a case each.
            moving = group.moving(self.moves)
            if not moving:
                continue
            cases = len(moving)
            table: dict[str, Array] = {}
            for ending in group.endings:
                for key in (f"{key}.{ending}" for key in group.keys):
                    values = np.empty((cases, count))
                    values[:] = self.table[key]
                    if key in self.moves:
                        values[moving.index(ending)] += NUDGE * self.moves[key]
                    table[key] = values.ravel()
            after, _ = group.drawn(group.specimen(table), np.tile(grounded, cases))
            shape = (len(group.keys), count)
            ends = network.linear + group.electrodes, network.linear + group.cathodes
            for electrode, (new, old) in enumerate(zip(after, before, strict=True)):
                rise = np.reshape(wide(new, (shape[0], cases * count)), (shape[0], cases, count))
                rise = (rise - wide(old, shape)[:, None]) / NUDGE
                for row, key in enumerate(group.keys):
                    for case, ending in enumerate(moving):
                        if (move := self.keys.get(f"{key}.{ending}")) is not None and rise[row, case].any():
                            yield move, ends[0][row, electrode], ends[1][row], rise[row, case]

    def _of_supply(self, supply: Supply, rail: RailMoves | None) -> Iterator[Term]:
        if supply.a == GROUND:
            return
        place, last = int(self.network.places([supply.a])[0]), len(self.network.order)
        if rail is not None:
            for key, into_a in rail.current_a.items():
                yield self.keys[key], place, last, -into_a
            return
        before = supply.current(self.table) - supply.dc(self.table) * self.volts[place]
        for key in self.network.keys(supply, self.table) & self.moves.keys():
            moved = {**self.table, key: self.table[key] + NUDGE * self.moves[key]}
            after = supply.current(moved) - supply.dc(moved) * self.volts[place]
            yield self.keys[key], place, last, (before - after) / NUDGE

    def _of_branches(self) -> Iterator[Term]:
        """Change of the conductance of each branch that a move reaches."""
        for key, _, (a, b), change in self.network.moved(self.moves, self.table):
            yield self.keys[key], a, b, change

    @cached_property
    def inverse(self) -> Array:
        """Volts at a node (first axis) for one ampere into another, shape (S, N, N)."""
        return np.linalg.inv(self._whole)

    @cached_property
    def slopes(self) -> Array:
        """Slopes of the volts of all nodes, shape (S, N, K)."""
        return self._moved(self.inverse)

    @cached_property
    def tube_moves(self) -> tuple[Array, Array, Array, Array]:
        """Slopes of the tubes: electrodes of current and volts, cathode, shape (E,); their moves (S, E, K)."""
        network, count, size = self.network, self.count, len(self.circuit.nodes)
        grounded = np.concatenate([self.volts[network.linear :], np.zeros((1, count))])
        moving = np.concatenate([self.slopes[:, network.linear :], np.zeros((count, 1, len(self.moves)))], axis=1)
        numbers: list[tuple[int, int, int]] = []
        rises: list[Array] = []
        for group in network.groups:
            endings = group.moving(self.moves)
            bends = group.bends(self.table, self.moves, grounded, NUDGE_V, NUDGE)
            for place, number in enumerate(group.numbers):
                tube, cathode = self.circuit.tubes[number], group.cathodes[place]
                own = {
                    self.keys[f"{tube.key}.{e}"]: n for n, e in enumerate(endings) if f"{tube.key}.{e}" in self.keys
                }
                across = moving[:, group.electrodes[place]] - moving[:, [cathode]]
                alone = f"{tube.key}.slope"
                times = self.table.get(alone)
                for (i, j), (by_volts, by_value) in bends.items():
                    rise = np.einsum("es,sek->sk", by_volts[:, place], across)
                    for key, ending in own.items():
                        rise[:, key] += by_value[ending, place]
                    if times is not None:
                        rise *= times[:, None]
                    if alone in self.keys and (slope := self.tubes.slopes[number][i][j]) is not None:
                        rise[:, self.keys[alone]] += slope * self.moves[alone]
                    numbers.append((tube.electrodes[i], tube.electrodes[j], tube.cathode))
                    rises.append(rise)
        if not numbers:
            none = np.zeros(0, dtype=int)
            return none, none, none, np.zeros((count, 0, len(self.moves)))
        ends = np.where(np.array(numbers) == GROUND, size, np.array(numbers))
        return ends[:, 0], ends[:, 1], ends[:, 2], np.stack(rises, axis=1)

    def one_each(self, places: Array) -> Array:
        """Slopes of the volts of one node for every sample, shape (S, K).

        Parameters
        ----------
        places : ndarray of int, shape (S,)
            Rows in `DenseNetwork.order`.
        """
        into = np.zeros((self.count, len(self.network.order), 1))
        into[np.arange(self.count), places] = 1.0
        adjoint = np.linalg.solve(self._whole.transpose(0, 2, 1), into)
        return self._moved(adjoint.transpose(0, 2, 1))[:, 0]

    def _moved(self, adjoint: Array) -> Array:
        """Slopes of volts, shape (S, P, K), from their rows of the inverse, shape (S, P, N)."""
        into = self._into
        return -into.by_move(into.across(adjoint) * into.change.T[:, None], len(self.moves))

    def read(self, places: Array, siemens: float, shown: Array) -> Array:
        """Slopes of readings with a meter on each node in turn, shape (S, P, K).

        Parameters
        ----------
        places : ndarray of int, shape (P,)
            Rows in `DenseNetwork.order`.
        siemens : float
            Conductance of the meter.
        shown : ndarray, shape (S, P)
            What the meter shows. Its current bends the tubes no further than their slopes here.
        """
        own = self.inverse[:, places, places]
        share = 1.0 / (1.0 + siemens * own)
        result = self.slopes[:, places] * share[..., None]
        taken = np.flatnonzero((np.abs(siemens * own) > LIGHT).any(axis=0))
        at, branches = places[taken], self._conducting
        to_meter, from_meter = self.inverse[:, at], self.inverse[:, :, at].transpose(0, 2, 1)
        terms = branches.across(to_meter) * branches.across(from_meter) * branches.change.T[:, None]
        further = (siemens * shown * share)[:, taken, None]
        result[:, taken] += branches.by_move(terms, len(self.moves)) * further
        return np.asarray(result)


class RailMoves:
    """How the load line of a rectified rail moves.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    supplied : Supplied
        The chassis at rest.
    own : int
        Which of its rectifiers.
    table : mapping
        Values by key, with the EMF and source of the wave itself.
    moves : mapping of str to ndarray
        See `RestSlopes`.

    Attributes
    ----------
    key : str
        Of the rail.
    siemens : ndarray, shape (S,)
        Slope of the load line.
    current_a : dict of str to ndarray
        Change of the current into the rail's node, its volts held, for each move that reaches it.
    pulses_a : dict of str to ndarray
        Change of what it drives into its node over a ripple period, its load held, for each of these moves, shape
        (ANGLES, S).
    """

    def __init__(self, rectifier: Rectifier, supplied: Supplied, own: int, table: Table, moves: Moves) -> None:
        self.key = rectifier.key
        state = supplied.charging[own]
        count = supplied.count
        emf = table[f"{rectifier.key}.emf"] * table["mains"]
        sign = np.broadcast_to(np.where(emf < 0.0, -1.0, 1.0), (count,))
        rail_v, load_a, start_v = (
            np.broadcast_to(v, (count,)) for v in (state.mean_v, np.maximum(state.mean_a, 0.0), state.start_v)
        )
        of_wave = [f"{rectifier.key}.emf", f"{rectifier.key}.source", "mains"]
        names = [*of_wave, *rectifier.reservoirs, *(f"{key}.esr" for key in rectifier.reservoirs)]
        keys = [key for key in names if key in moves]
        cases = 2 + len(keys)
        wide: dict[str, Array] = {}
        for name in names:
            values = np.tile(np.broadcast_to(table[name], (count,)), (cases, 1)).astype(float)
            if name in moves:
                values[2 + keys.index(name)] += NUDGE * moves[name]
            wide[name] = values.ravel()
        more_a = np.maximum(NUDGE_LOAD * load_a, LEAST_LOAD_A)
        loads = np.tile(load_a, (cases, 1))
        loads[1] += more_a
        at_v = np.tile(rail_v, (cases, 1))
        found = charge(rectifier, wide, loads.ravel(), at_v.ravel(), np.tile(start_v, cases))
        mean_v, mean_a = found.mean_v.reshape(cases, count), found.mean_a.reshape(cases, count)
        # What hangs on the rail takes its share of every change; the load line is what is left at a held load.
        ohm = np.maximum((mean_v[0] - mean_v[1]) / (mean_a[1] - mean_a[0]), 1.0 / SHORT_S)
        self.siemens = 1.0 / ohm
        self.current_a = {
            key: sign * (mean_v[row] - mean_v[0] + ohm * (mean_a[row] - mean_a[0])) / NUDGE / ohm
            for row, key in enumerate(keys, start=2)
        }
        # The share of the period in which it conducts is held: more of it drives more, and takes more back.
        pulse_a, wave_v = (wave.reshape(-1, cases, count) for wave in (found.current_a, found.rail_v))
        driven_a = pulse_a + state.conducting_s * wave_v
        self.pulses_a = {key: (driven_a[:, row] - driven_a[:, 0]) / NUDGE for row, key in enumerate(keys, start=2)}
        self._pulses_by_load = (driven_a[:, 1] - driven_a[:, 0]) / more_a
        self._sign, self._behind_s = sign, np.broadcast_to(rectifier.load_s(load_a, rail_v), (count,))

    def pulses_with(self, rail: Array, moves: Moves) -> tuple[Array, Array]:
        """What all moves do to the pulses by way of the load.

        Parameters
        ----------
        rail : ndarray, shape (S, K)
            Slopes of the rail's volts.
        moves : mapping of str to ndarray
            See `RestSlopes`.

        Returns
        -------
        by_load : ndarray, shape (ANGLES, S)
            Change of what is driven for one ampere more behind the reservoir.
        load : ndarray, shape (S, K)
            Those amperes for each move.
        """
        up = self._sign[:, None] * rail
        load = -(self.siemens + self._behind_s)[:, None] * up
        for column, key in enumerate(moves):
            if key in self.current_a:
                load[:, column] += self._sign * self.current_a[key]
        return self._pulses_by_load, load

    def picked(self, rows: Array) -> RailMoves:
        """The same for some of the samples.

        Parameters
        ----------
        rows : ndarray of int
            Which.
        """
        some = copy(self)
        some.siemens = self.siemens[rows]
        some.current_a = {key: into[rows] for key, into in self.current_a.items()}
        return some
