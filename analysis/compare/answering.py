"""Answers to all that several searches ask for at one time, from one solution of the circuit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from acquisition.records import Measurand

from ..chassis import ChassisModel
from ..chassis.sensitivities import slopes_of
from ..circuit.supplied import Start, Supplied
from ..suspects.panel import BATCH, SLOW, Change
from ..suspects.variables import columns_to_variables, difference, slopes_to_variables
from .asking import Answer, Question
from .likelihood import Search

STEP = 0.03
"""Step for slopes by differences, in standard deviations: the most probable state may sit in a narrow valley."""


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
            table[rows] = columns_to_variables(measurands, self._model.predict(some, measurands, supplied=supplied))
            if sloped:
                some_moves = {key: move[rows] for key, move in moves.items()}
                slopes[rows] = self._slopes(some, some_moves, measurands, supplied)
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
                by = self._with_slow(search, place, samples, slopes[rows][:, mine][:, :, keys])
            answers.append(Answer(shown=shown, slopes=by))
            nearest = int(np.abs(samples - search.peak.at).sum(axis=1).argmin())
            if np.isfinite(shown[nearest]).all():
                chunk, row = divmod(first + nearest, BATCH)
                self._rests[place] = rests[chunk].picked(np.array([row]))
            first += len(samples)
        return answers

    def _slopes(
        self,
        values: dict[str, np.ndarray],
        moves: dict[str, np.ndarray],
        measurands: Sequence[Measurand],
        supplied: Supplied,
    ) -> np.ndarray:
        """Derivatives of quick quantities, zero for the others, shape (S, M, K)."""
        quick = [column for column, m in enumerate(measurands) if m.quantity not in SLOW]
        some = [measurands[column] for column in quick]
        shown, by = slopes_of(self._model, values, moves, some, supplied)
        result = np.zeros((len(shown), len(measurands), len(moves)))
        result[:, quick] = np.nan_to_num(by * slopes_to_variables(some, shown)[..., None])
        return result

    def _with_slow(self, search: Search, place: int, samples: np.ndarray, slopes: np.ndarray) -> np.ndarray:
        """Put in the slopes of slow quantities: the healthy chassis's, but by differences for the part's values."""
        slow = np.isin(search.data.quantities, SLOW)
        if not slow.any():
            return slopes
        slopes[:, slow] = search.panel.healthy_slopes[search.data.columns[slow]]
        moved = np.repeat(samples[:, None], len(search.own) + 1, axis=1)
        moved[:, np.arange(1, len(search.own) + 1), search.own] += STEP
        values = self._values([search], [moved.reshape(-1, samples.shape[1])])
        wanted = [m for m, late in zip(search.measurands, slow, strict=True) if late]
        supplied = self._model.supplied(values, self._rests[place])
        table = columns_to_variables(wanted, self._model.predict(values, wanted, supplied=supplied))
        table = table.reshape(*moved.shape[:2], -1)
        rise = difference(search.data.quantities[slow], table[:, 1:], table[:, :1]) / STEP
        for place_of, column in enumerate(search.own):
            slopes[:, slow, column] = np.nan_to_num(rise[:, place_of])
        return slopes

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
