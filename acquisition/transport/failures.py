"""Turns exceptions of other libraries into the program's own, by one table for each transport."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from ..errors import ConnectionLost, InstrumentNotFound, TransportTimeout


def _one_line(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno and "[Errno" in str(error):
        return os.strerror(error.errno)  # the address stands before it already, and numbers help nobody
    return " ".join(str(error).split()) or type(error).__name__


@dataclass(frozen=True, slots=True)
class Failure:
    """What one foreign exception means.

    Parameters
    ----------
    kind : type
        The exception, with its subclasses unless an earlier row has them.
    means : str
        ``late`` for a deadline that passed, ``lost`` for a link that is gone.
    hint : str
        What the person can do.
    says : callable
        Gives the reason in one line.
    """

    kind: type[BaseException]
    means: Literal["late", "lost"]
    hint: str
    says: Callable[[BaseException], str] = _one_line


@contextmanager
def mapped(
    table: Sequence[Failure], resource: str, *, opening: bool = False, timeout_s: float = 0.0
) -> Iterator[None]:
    """Raise the program's own error in place of any exception of the table.

    Parameters
    ----------
    table : sequence of Failure
        First match counts.
    resource : str
        For the message.
    opening : bool
        While opening, everything means that the instrument was not found.
    timeout_s : float
        Deadline in force, for the message.

    Raises
    ------
    InstrumentNotFound, TransportTimeout, ConnectionLost
        As the table says.
    """
    try:
        yield
    except tuple(row.kind for row in table) as error:
        row = next(row for row in table if isinstance(error, row.kind))
        reason = row.says(error)
        if opening:
            raise InstrumentNotFound(
                f"{resource}: cannot be opened: {reason}", hint=row.hint, tried={resource: reason}
            ) from error
        if row.means == "late":
            raise TransportTimeout(
                f"{resource}: not done within {timeout_s:.3g} s: {reason}",
                hint=row.hint,
                resource=resource,
                timeout_s=timeout_s,
                received=b"",
            ) from error
        raise ConnectionLost(f"{resource}: the link is lost: {reason}", hint=row.hint, resource=resource) from error
