"""Searches that ask for predictions, answered together: one solution of the circuit serves all that ask at once.

A model solves many samples nearly as fast as one. A search is a generator: it yields samples and is sent their
readings.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from typing import TypeVar

import numpy as np

T = TypeVar("T")

Asking = Generator[np.ndarray, np.ndarray, T]
"""Yields unknowns of S samples, shape (S, P), is sent their readings, shape (S, M), and returns a result."""

Asked = Mapping[int, np.ndarray]
"""What each task asks for, or is answered, by its place."""


def side_by_side(tasks: Sequence[Asking[T]]) -> Asking[list[T]]:
    """Run tasks over the same unknowns at once; what they ask for is asked for together.

    Parameters
    ----------
    tasks : sequence of generators
        In the order of the results.
    """
    done: dict[int, T] = {}
    asked = _next(tasks, dict.fromkeys(range(len(tasks))), done)
    while asked:
        shown = yield np.concatenate(list(asked.values()))
        ends = np.cumsum([len(samples) for samples in asked.values()])[:-1]
        asked = _next(tasks, dict(zip(asked, np.split(shown, ends), strict=True)), done)
    return [done[place] for place in range(len(tasks))]


def answered(tasks: Sequence[Asking[T]], answer: Callable[[Asked], Asked]) -> list[T]:
    """Run tasks at once to their end.

    Parameters
    ----------
    tasks : sequence of generators
        In the order of the results; each over unknowns of its own.
    answer : callable
        Gives the readings of what all tasks ask for at one time.
    """
    done: dict[int, T] = {}
    asked = _next(tasks, dict.fromkeys(range(len(tasks))), done)
    while asked:
        asked = _next(tasks, answer(asked), done)
    return [done[place] for place in range(len(tasks))]


def _next(
    tasks: Sequence[Asking[T]], answers: Mapping[int, np.ndarray | None], done: dict[int, T]
) -> dict[int, np.ndarray]:
    """What the tasks ask for next; results of those that end are put into ``done``."""
    asked = {}
    for place, shown in answers.items():
        try:
            asked[place] = next(tasks[place]) if shown is None else tasks[place].send(shown)
        except StopIteration as end:
            done[place] = end.value
    return asked
