"""Channels of the signal: which input the generator feeds for a reading, and what reaches a stage from there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acquisition.errors import OutsideModel
from analysis.circuit.ac import SmallSignal
from analysis.circuit.elements import GROUND, conductance
from analysis.circuit.network import Circuit
from analysis.circuit.supplied import Supplied

from .compiling import GENERATOR
from .description import Chassis, Signal
from .predicting import DEFAULT_FREQ_HZ


class Channels:
    """What of a signal at each input reaches each node of the nominal chassis.

    Parameters
    ----------
    chassis : Chassis
        For its inputs.
    circuit : Circuit
        Its parts between nodes.
    home : Supplied
        The nominal chassis at rest.
    """

    def __init__(self, chassis: Chassis, circuit: Circuit, home: Supplied) -> None:
        self._chassis, self._circuit, self._home = chassis, circuit, home
        self._heard: dict[str, dict[int, float]] = {}

    @property
    def signal(self) -> Signal:
        """Inputs and outputs of the file.

        Raises
        ------
        OutsideModel
            The file has no signal entry.
        """
        if self._chassis.signal is None:
            raise OutsideModel(
                f"{self._chassis.path}: no signal entry, so there is no input to drive", hint="add signal"
            )
        return self._chassis.signal

    def input_of(self, nodes: Sequence[int]) -> str:
        """The input of the channel that a reading belongs to.

        Parameters
        ----------
        nodes : sequence of int
            Where it is taken; the first that carries signal decides.

        Returns
        -------
        str
            Of several inputs the one from which most reaches the node.

        Raises
        ------
        OutsideModel
            The file has no signal entry.
        """
        inputs = self.signal.inputs
        if len(inputs) > 1:
            for node in nodes:
                reached = {name: self.heard(name, node) for name in inputs}
                if any(reached.values()):
                    return max(reached, key=lambda name: reached[name])
        return inputs[0]

    def heard(self, name: str, node: int) -> float:
        """Volts at a node for one volt of the generator at an input, at 1 kHz.

        Parameters
        ----------
        name : str
            The input.
        node : int
            The node.
        """
        if name not in self._heard:
            table = self._home.table
            small = SmallSignal(self._circuit, table, self._home.rest.slopes, np.array([DEFAULT_FREQ_HZ]))
            fed = self._circuit.node(self._chassis.node_names[name])
            nodes = [n for n in range(len(self._circuit.nodes)) if n != GROUND]
            volts = small.volts({fed: conductance(table[GENERATOR])[..., None]}, nodes)
            self._heard[name] = {n: float(np.abs(found).flat[0]) for n, found in volts.items()}
        return self._heard[name].get(node, 0.0)
