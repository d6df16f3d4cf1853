"""Searches that ask for predictions, answered together: one solution of the circuit serves all that ask at once.

A model solves many samples nearly as fast as one. A search is a generator: it yields questions and is sent their
answers.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """What a search asks for.

    Parameters
    ----------
    samples : ndarray, shape (S, P)
        Unknowns.
    sloped : bool
        Ask for slopes too.
    """

    samples: np.ndarray
    sloped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """What the samples of a question would read.

    Parameters
    ----------
    shown : ndarray, shape (S, M)
        Readings in the compared variable; NaN where nothing works.
    slopes : ndarray, shape (S, M, P)
        Their derivatives by the unknowns; empty unless asked for.
    """

    shown: np.ndarray
    slopes: np.ndarray


Asking = Generator[tuple[Question, ...], tuple[Answer, ...], T]
"""Yields questions, is sent as many answers, and returns a result."""

Asked = Mapping[int, tuple[Question, ...]]
"""What each task asks for, by its place."""

Answered = Mapping[int, tuple[Answer, ...]]
"""What each task is answered, by its place."""


def ask(samples: np.ndarray) -> Asking[np.ndarray]:
    """What samples would read, shape (S, M).

    Parameters
    ----------
    samples : ndarray, shape (S, P)
        Unknowns.
    """
    (answer,) = yield (Question(samples=samples),)
    return answer.shown


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
        answers = iter((yield tuple(question for questions in asked.values() for question in questions)))
        told = {place: tuple(next(answers) for _ in questions) for place, questions in asked.items()}
        asked = _next(tasks, told, done)
    return [done[place] for place in range(len(tasks))]


def answered(tasks: Sequence[Asking[T]], answer: Callable[[Asked], Answered]) -> list[T]:
    """Run tasks at once to their end.

    Parameters
    ----------
    tasks : sequence of generators
        In the order of the results; each over unknowns of its own.
    answer : callable
        Answers what all tasks ask for at one time.
    """
    done: dict[int, T] = {}
    asked = _next(tasks, dict.fromkeys(range(len(tasks))), done)
    while asked:
        asked = _next(tasks, answer(asked), done)
    return [done[place] for place in range(len(tasks))]


def _next(
    tasks: Sequence[Asking[T]], answers: Mapping[int, tuple[Answer, ...] | None], done: dict[int, T]
) -> dict[int, tuple[Question, ...]]:
    """What the tasks ask for next; results of those that end are put into ``done``."""
    asked = {}
    for place, told in answers.items():
        try:
            asked[place] = next(tasks[place]) if told is None else tasks[place].send(told)
        except StopIteration as end:
            done[place] = end.value
    return asked
