"""One chassis read in more than one standing: as it is, and with tubes out of their sockets or parts lifted.

A part that is at fault is so in every standing, and every part is the same specimen: hypotheses and unknowns are
those of the chassis with the least out. What differs is the circuit that a reading was taken in. A reading of
another standing carries that behind its point, ``V3.2 (V4 out)``, so that nothing takes the two for one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from acquisition.records import Measurand, Reading
from analysis.circuit.supplied import Start, Supplied

from ..chassis import Chassis, ChassisModel
from .variables import columns_to_variables, difference

Taken = TypeVar("Taken", Measurand, Reading)


def tail_of(chassis: Chassis, pulled: Sequence[str]) -> str:
    """What stands behind the points of a standing; empty for that of the chassis itself.

    Parameters
    ----------
    chassis : Chassis
        That of the hypotheses.
    pulled : sequence of str
        What is out of circuit in the standing.

    Examples
    --------
    >>> tail_of(Chassis(path="", title=""), ["V3", "V4"]), tail_of(Chassis(path="", title=""), ["RL=16"])
    (' (V3, V4 out)', ' (RL=16)')
    """
    more = [name for name in pulled if name not in chassis.pulled]
    out = ", ".join(name for name in more if "=" not in name)
    words = [*([f"{out} out"] if out else []), *(name for name in more if "=" in name)]
    return f" ({', '.join(words)})" if words else ""


def told_apart(one: Taken, tail: str) -> Taken:
    """A reading or measurand with its standing behind its point.

    Parameters
    ----------
    one : Measurand or Reading
        By the name of its point alone.
    tail : str
        From `tail_of`.
    """
    return replace(one, point=one.point + tail) if tail else one


class Standing:
    """The circuit that some of the measurands of a panel are read in.

    Parameters
    ----------
    model : ChassisModel
        The chassis as it stands.
    tail : str
        From `tail_of`.
    plain : mapping of int to Measurand
        Columns of the panel that are read in it, and their measurands by the names of the points alone.
    """

    def __init__(self, model: ChassisModel, tail: str, plain: Mapping[int, Measurand]) -> None:
        self.model, self.tail, self.plain = model, tail, plain
        self._rests = Start(volts=np.zeros((0, 0)), lines=())

    @property
    def rests_v(self) -> np.ndarray:
        """Where every hypothesis rested last, by node, shape (N, C)."""
        return self._rests.volts

    def bring_home(self, count: int) -> None:
        """Let every hypothesis begin at the rest of the nominal chassis.

        Parameters
        ----------
        count : int
            C hypotheses.
        """
        home = self.model.supplied({}).start()
        self._rests = Start(
            volts=np.repeat(home.volts, count, axis=1),
            lines=tuple(np.repeat(line, count, axis=1) for line in home.lines),
        )

    def among(self, columns: np.ndarray) -> tuple[list[int], tuple[Measurand, ...]]:
        """Which of some columns belong to this standing, and their plain measurands.

        Parameters
        ----------
        columns : ndarray of int
            Of the panel.
        """
        places = [place for place, column in enumerate(columns.tolist()) if column in self.plain]
        return places, tuple(self.plain[int(columns[place])] for place in places)

    def known(self, values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Those of some values that the circuit has: a tube or part that is out has none.

        Parameters
        ----------
        values : mapping of str to ndarray
            By key.
        """
        if not self.tail:
            return dict(values)
        return {key: value for key, value in values.items() if key in self.model.parameters}

    def supplied(self, values: Mapping[str, np.ndarray], rows: np.ndarray, alone: np.ndarray) -> Supplied:
        """The rest of some samples, each found from where its hypothesis rested last.

        Parameters
        ----------
        values : mapping of str to ndarray, shape (S,)
            From `known`.
        rows : ndarray of int, shape (S,)
            Hypothesis of each: of a pair, that of its first fault.
        alone : ndarray of bool, shape (S,)
            Whether it is no pair: the rest of a pair is not kept.
        """
        supplied = self.model.supplied(values, self._rests.picked(rows))
        once = np.unique(rows, return_index=True)[1]
        rested = np.broadcast_to(supplied.rest.culprit < 0, (len(rows),))
        keep = np.array([i for i in once if rested[i] and alone[i]], dtype=int)
        found = supplied.start()
        for old, new in ((self._rests.volts, found.volts), *zip(self._rests.lines, found.lines, strict=True)):
            old[:, rows[keep]] = np.broadcast_to(new, (len(new), len(rows)))[:, keep]
        return supplied


def standings_of(
    model: ChassisModel, beside: Sequence[ChassisModel], measurands: Sequence[Measurand]
) -> tuple[Standing, ...]:
    """The standings of a panel, that of its hypotheses first.

    Parameters
    ----------
    model : ChassisModel
        The chassis of the hypotheses.
    beside : sequence of ChassisModel
        The same chassis with more out of circuit.
    measurands : sequence of Measurand
        All of the panel.
    """
    stands = {"": model} | {tail_of(model.chassis, other.chassis.pulled): other for other in beside}
    plain: dict[str, dict[int, Measurand]] = {tail: {} for tail in stands}
    for column, one in enumerate(measurands):
        tail = next((tail for tail in stands if tail and one.point.endswith(tail)), "")
        plain[tail][column] = replace(one, point=one.point.removesuffix(tail)) if tail else one
    return tuple(Standing(other, tail, plain[tail]) for tail, other in stands.items())


def read_in(
    standings: Sequence[Standing], columns: np.ndarray
) -> Iterator[tuple[Standing, list[int], tuple[Measurand, ...]]]:
    """The standings that some columns are read in, with their places among them and plain measurands.

    Parameters
    ----------
    standings : sequence of Standing
        Of a panel.
    columns : ndarray of int
        Of the panel.
    """
    for standing in standings:
        places, measurands = standing.among(columns)
        if places:
            yield standing, places, measurands


def moved_by_standing(standings: Sequence[Standing], centre: np.ndarray) -> np.ndarray:
    """How far what is out of circuit moves each reading of the median healthy chassis, shape (M,).

    The model may miss that as it may miss what a fault moves. Zero for readings of the chassis itself.

    Parameters
    ----------
    standings : sequence of Standing
        Of a panel, that of the chassis itself first.
    centre : ndarray, shape (M,)
        Compared variables of the median healthy chassis, each as it stood; NaN where the model does not know it.
    """
    moved = np.zeros(len(centre))
    for standing in standings[1:]:
        rows, same = list(standing.plain), list(standing.plain.values())
        if rows:
            whole = columns_to_variables(same, standings[0].model.predict({}, same))[0]
            off = difference(np.array([m.quantity for m in same]), centre[rows], whole)
            moved[rows] = np.nan_to_num(np.abs(off))
    return moved
