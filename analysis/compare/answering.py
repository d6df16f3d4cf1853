"""Answers to all that several searches ask for at one time, from one solution of the circuit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from acquisition.records import Measurand

from ..chassis import ChassisModel
from ..chassis.sensitivities import slopes_of
from ..circuit.supplied import Start, Supplied
from ..inference.changes import Change
from ..inference.panel import BATCH
from ..inference.variables import columns_to_variables, slopes_to_variables
from .asking import Answer, Question
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

    def __call__(self, asked: Mapping[int, tuple[Question, ...]]) -> dict[int, tuple[Answer, ...]]:
        """Answer the questions of each search.

        Parameters
        ----------
        asked : mapping of int to tuple of Question
            By the place of the search.
        """
        flat = [(place, question) for place, questions in asked.items() for question in questions]
        told: dict[int, Answer] = {}
        for sloped in (False, True):
            rows = [row for row, (_, question) in enumerate(flat) if question.sloped == sloped]
            if rows:
                some = [(flat[row][0], flat[row][1].samples) for row in rows]
                told |= dict(zip(rows, self._answers(some, sloped), strict=True))
        answers = iter(told[row] for row in range(len(flat)))
        return {place: tuple(next(answers) for _ in questions) for place, questions in asked.items()}

    def _answers(self, asked: Sequence[tuple[int, np.ndarray]], sloped: bool) -> list[Answer]:
        """Answers to questions of one kind: places of searches, and samples of shape (S, P)."""
        searches = [self._searches[place] for place, _ in asked]
        measurands = tuple(dict.fromkeys(m for search in searches for m in search.measurands))
        owner = np.repeat(np.arange(len(asked)), [len(samples) for _, samples in asked])
        values = self._values(searches, [samples for _, samples in asked])
        moves = self._moves(searches, owner, values) if sloped else {}
        # Every sample is looked for from where its search has rested.
        starts = [self._rests[place] for place, _ in asked]
        near = Start(
            volts=np.concatenate([start.volts for start in starts], axis=1),
            lines=tuple(np.concatenate(lines, axis=1) for lines in zip(*(s.lines for s in starts), strict=True)),
        )
        table, rests = np.empty((owner.size, len(measurands))), []
        slopes = np.zeros((*table.shape, len(moves)))
        for first in range(0, owner.size, BATCH):
            rows = slice(first, first + BATCH)
            some = {key: value[rows] for key, value in values.items()}
            supplied = self._model.supplied(some, near.picked(owner[rows]))
            if sloped:
                some_moves = {key: move[rows] for key, move in moves.items()}
                table[rows], slopes[rows] = self._looked(some, some_moves, measurands, supplied)
            else:
                shown = self._model.predict(some, measurands, supplied=supplied)
                table[rows] = columns_to_variables(measurands, shown)
            rests.append(supplied.start())
        column = {measurand: index for index, measurand in enumerate(measurands)}
        place_of = {key: index for index, key in enumerate(moves)}
        answers, first = [], 0
        for (place, samples), search in zip(asked, searches, strict=True):
            rows = slice(first, first + len(samples))
            mine = [column[m] for m in search.measurands]
            shown, by = table[rows][:, mine], np.zeros((0, len(mine), samples.shape[1]))
            if sloped:
                keys = [place_of[unknown.key] for unknown in search.panel.unknowns]
                by = slopes[rows][:, mine][:, :, keys]
            answers.append(Answer(shown=shown, slopes=by))
            nearest = int(np.abs(samples - search.peak.at).sum(axis=1).argmin())
            if np.isfinite(shown[nearest]).all():
                chunk, row = divmod(first + nearest, BATCH)
                self._rests[place] = rests[chunk].picked(np.array([row]))
            first += len(samples)
        return answers

    def _looked(
        self,
        values: dict[str, np.ndarray],
        moves: dict[str, np.ndarray],
        measurands: Sequence[Measurand],
        supplied: Supplied,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Compared variables and their derivatives, shapes (S, M) and (S, M, K)."""
        shown, by = slopes_of(self._model, values, moves, measurands, supplied)
        slopes = np.nan_to_num(by * slopes_to_variables(measurands, shown)[..., None])
        return columns_to_variables(measurands, shown), slopes

    def _moves(
        self, searches: Sequence[Search], owner: np.ndarray, values: dict[str, np.ndarray]
    ) -> dict[str, np.ndarray]:
        """How far each unknown moves its value in every sample; nothing where a search does not vary it."""
        moves: dict[str, np.ndarray] = {}
        for number, search in enumerate(searches):
            for unknown in search.panel.unknowns:
                rows = owner == number
                move = moves.setdefault(unknown.key, np.zeros(owner.size))
                move[rows] = unknown.move(values[unknown.key][rows])
        return moves

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
