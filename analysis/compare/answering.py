"""Readings of all that several searches ask for at one time, from one solution of the circuit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..chassis import ChassisModel
from ..circuit.supplied import Start
from ..suspects.panel import BATCH, Change
from ..suspects.variables import columns_to_variables
from .likelihood import Search


class Answers:
    """A chassis model that answers searches.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    searches : sequence of Search
        All that will ask; each has unknowns and readings of its own.
    """

    def __init__(self, model: ChassisModel, searches: Sequence[Search]) -> None:
        self._model, self._searches = model, searches
        self._nominal = model.nominal()
        self._rests = [model.supplied({}).start()] * len(searches)

    def __call__(self, asked: Mapping[int, np.ndarray]) -> dict[int, np.ndarray]:
        """Readings of the samples of each search in the compared variable.

        Parameters
        ----------
        asked : mapping of int to ndarray, shape (S, P)
            Unknowns by the place of the search.
        """
        searches = [self._searches[place] for place in asked]
        measurands = list(dict.fromkeys(m for search in searches for m in search.measurands))
        owner = np.repeat(np.arange(len(searches)), [len(samples) for samples in asked.values()])
        values = self._values(searches, list(asked.values()))
        # Every sample is looked for from where its search has rested.
        starts = [self._rests[place] for place in asked]
        near = Start(
            volts=np.concatenate([start.volts for start in starts], axis=1),
            lines=tuple(np.concatenate(lines, axis=1) for lines in zip(*(s.lines for s in starts), strict=True)),
        )
        table, rests = np.empty((owner.size, len(measurands))), []
        for first in range(0, owner.size, BATCH):
            rows = slice(first, first + BATCH)
            some = {key: value[rows] for key, value in values.items()}
            supplied = self._model.supplied(some, near.picked(owner[rows]))
            shown = self._model.predict(some, measurands, supplied=supplied)
            table[rows] = columns_to_variables(measurands, shown)
            rests.append(supplied.start())
        column = {measurand: index for index, measurand in enumerate(measurands)}
        answers, first = {}, 0
        for (place, samples), search in zip(asked.items(), searches, strict=True):
            answers[place] = table[first : first + len(samples)][:, [column[m] for m in search.measurands]]
            nearest = int(np.abs(samples - search.peak.at).sum(axis=1).argmin())
            if np.isfinite(answers[place][nearest]).all():
                chunk, row = divmod(first + nearest, BATCH)
                self._rests[place] = rests[chunk].picked(np.array([row]))
            first += len(samples)
        return answers

    def _values(self, searches: Sequence[Search], samples: Sequence[np.ndarray]) -> dict[str, np.ndarray]:
        """Parameter values of all samples; what a search does not vary is nominal in its own."""
        own = [s.panel.values([Change()] * len(z), z) for s, z in zip(searches, samples, strict=True)]
        return {
            key: np.concatenate(
                [
                    values.get(key, np.full(len(z), self._nominal[key]))
                    for values, z in zip(own, samples, strict=True)
                ]
            )
            for key in dict.fromkeys(key for values in own for key in values)
        }
