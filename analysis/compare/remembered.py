"""A chassis model that is asked the same more than once in a comparison."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from acquisition.records import Measurand


class Remembered:
    """A chassis model that keeps what it predicted.

    Whatever is laid to a control, or to several parts in turn, the same healthy chassis and the same faults of the
    replaced parts are looked at again; distortion makes each of these looks cost seconds.

    Parameters
    ----------
    model : ChassisModel
        The chassis.

    Attributes
    ----------
    parameters, chassis
        Of the model.
    """

    def __init__(self, model: Any) -> None:
        self._model, self.parameters, self.chassis = model, model.parameters, model.chassis
        self._told: dict[tuple[object, ...], np.ndarray] = {}

    def draw(self, count: int, rng: np.random.Generator, measured: Any = None) -> dict[str, np.ndarray]:
        """As `ChassisModel.draw`.

        Parameters
        ----------
        count, rng, measured
            As there.
        """
        return dict(self._model.draw(count, rng, measured))

    def predict(self, values: Mapping[str, np.ndarray], measurands: Sequence[Measurand]) -> np.ndarray:
        """As `ChassisModel.predict`, shape (S, M); not to be written to.

        Parameters
        ----------
        values : mapping of str to ndarray
            Samples of parameter values.
        measurands : sequence of Measurand
            M measurands.
        """
        key = (*measurands, *((name, value.tobytes()) for name, value in sorted(values.items())))
        if key not in self._told:
            self._told[key] = np.array(self._model.predict(values, measurands), dtype=float)
            self._told[key].flags.writeable = False
        return self._told[key]
