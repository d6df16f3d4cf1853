"""How small-signal volts move with every value, by the adjoint network over frequency (`admitting`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .admitting import Admitting
from .elements import Array
from .sensitivity import RestSlopes


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One small-signal quantity: volts at a node, or the ratio of two, probes in place.

    Parameters
    ----------
    freq : int
        Which of the frequencies.
    nodes : tuple of int
        One node, or input and output; none of them ground, and not twice the same.
    source : int
        Node the generator feeds.
    """

    freq: int
    nodes: tuple[int, ...]
    source: int


class SignalSlopes:
    """A chassis linearized at its operating point, with the slopes of what a scope shows.

    Parameters
    ----------
    rest : RestSlopes
        The operating point with its moves.
    freq_hz : ndarray, shape (F,)
        Frequencies above zero.
    source_s : ndarray
        Conductance of the generator, shape (S,) or (1,).
    probe_s : ndarray, shape (F,)
        Admittance of a probe, one on every node of a `Seen`.
    rectified : frozenset of str
        Rails whose line comes from a rectifier: what moves them does not move their slope noticeably.
    """

    def __init__(
        self,
        rest: RestSlopes,
        freq_hz: Array,
        source_s: Array,
        probe_s: Array,
        rectified: frozenset[str] = frozenset(),
    ) -> None:
        self.source_s, self.probe_s = source_s, probe_s
        self._net = Admitting(rest, rest.table, freq_hz, rectified)

    def look(self, wanted: Sequence[Seen]) -> tuple[Array, Array]:
        """Complex values and the slopes of their logarithms.

        Parameters
        ----------
        wanted : sequence of Seen
            C quantities.

        Returns
        -------
        values : ndarray, shape (S, C)
            Volts for one volt from the generator, or the ratio of output to input.
        slopes : ndarray, shape (S, C, K)
            ``d ln(value)`` by each move: the real part is relative, the imaginary part radians; zero where nothing
            is left of a signal.
        """
        freq = np.array([seen.freq for seen in wanted], dtype=int)
        source = np.array([seen.source for seen in wanted], dtype=int)
        # A single node is a pair whose input weighs nothing.
        ends = np.array([[seen.nodes[0], seen.nodes[-1]] for seen in wanted], dtype=int).reshape(-1, 2).T
        paired = (ends[0] != ends[1]).astype(float)
        y, z = self.probe_s[freq], self._net.inverse
        bare = z[:, freq, :, source] * np.broadcast_to(self.source_s, z.shape[:1])[:, None]
        bare = bare.transpose(1, 0, 2)
        volts_at = [np.take_along_axis(bare, end[None, :, None], axis=2)[..., 0] for end in ends]
        own = [[z[:, freq, i, j] for j in ends] for i in ends]
        with np.errstate(divide="ignore", invalid="ignore"):
            # Of both probes, [[1 + y*zaa, y*zab], [y*zba, 1 + y*zbb]], inverted.
            both = paired * y
            down = (1.0 + y * own[1][1]) * (1.0 + both * own[0][0]) - both * y * own[0][1] * own[1][0]
            probed = [
                [(1.0 + y * own[1][1]) / down, -y * own[0][1] / down],
                [-both * own[1][0] / down, (1.0 + both * own[0][0]) / down],
            ]
            at = [row[0] * volts_at[0] + row[1] * volts_at[1] for row in probed]
            rows = [z[:, freq, end] for end in ends]
            seen_from = [row[0][..., None] * rows[0] + row[1][..., None] * rows[1] for row in probed]
            columns = [z[:, freq, :, end].transpose(1, 0, 2) for end in ends]
            volts = bare - (both * at[0])[..., None] * columns[0] - (y * at[1])[..., None] * columns[1]
            adjoint = seen_from[1] / at[1][..., None]
            adjoint = adjoint - np.where(paired[:, None] > 0.0, seen_from[0] / at[0][..., None], 0.0)
            values = np.where(paired > 0.0, at[1] / at[0], at[1])
            slopes = -self._net.moved(freq, adjoint, volts)
        return values, np.where(np.isfinite(slopes), slopes, 0.0)
