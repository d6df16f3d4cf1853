"""Errors of the whole program, each with a hint for the person at the bench.

The tree (a test compares it with the classes)::

    BenchError(Exception)                    .hint: what the technician can do now
      ConfigError(ValueError)                .problems: (path, line, field, text) of every mistake found
      StoreError                             unreadable, damaged, full, or written by a newer version
      AcquisitionError
        InstrumentNotFound                   .tried: resource -> reason
        TransportError                       .resource
          TransportTimeout(TimeoutError)     .timeout_s .received
          ConnectionLost(ConnectionError)
        ProtocolError
          CommandRefused                     we were about to send something illegal
          ReplyMalformed                     .raw .expected
          InstrumentReported                 its error queue said so: .code .text
        MeasurementError
          OverRange                          .limit_v
          RecordVoid                         take it again
        SafetyStop                           a step lacks its confirmation, or a value passes a rating
      AnalysisError
        NoOperatingPoint                     .tube .residual_a
        OutsideModel
        FitFailed                            .reason
        MissingReading                       .point .quantity

Exit codes of the command: ``ConfigError``, ``StoreError``, ``SafetyStop`` and ``AnalysisError`` end with 2
(the user can mend it), every other ``AcquisitionError`` with 3 (an instrument has to be looked at).
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar, cast


class BenchError(Exception):
    """Base of every error this program raises on purpose.

    Parameters
    ----------
    message : str
        One line: what happened, where, what was expected.
    hint : str
        What the person can do now; may be empty.
    **facts : object
        Stored as attributes of the same name. A class lists the facts it always has in ``FACTS``.
    """

    FACTS: ClassVar[tuple[str, ...]] = ()
    exit_code: ClassVar[int] = 2

    def __init__(self, message: str, *, hint: str = "", **facts: object) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        for name in self.FACTS:
            setattr(self, name, facts.pop(name, None))
        if facts:
            raise TypeError(f"{type(self).__name__} knows no fact called {', '.join(sorted(facts))}")

    def __str__(self) -> str:
        return self.message

    def __reduce__(self) -> tuple[object, ...]:
        # Facts are keyword arguments, which the default of Exception would lose on unpickling.
        facts = {name: getattr(self, name) for name in self.FACTS}
        return (_rebuild, (type(self), self.message, {"hint": self.hint, **facts}))


def _rebuild(kind: type[BenchError], message: str, keywords: dict[str, object]) -> BenchError:
    return kind(message, **keywords)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a file somebody wrote.

    Parameters
    ----------
    path : str
        The file as the user named it; empty where it is the command line that is wrong.
    line : int
        Line in that file, counted from 1; 0 where no line applies.
    field : str
        Dotted name of the field, empty for the whole file.
    text : str
        What is wrong, what was expected, what to do.
    """

    path: str
    line: int
    field: str
    text: str

    def __str__(self) -> str:
        where = f"{self.path}:{self.line}" if self.line else self.path
        named = filter(None, (where, _short(self.field, 100), _short(self.text, 400)))
        return harmless(": ".join(named))


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most]} ..."


def harmless(text: str) -> str:
    """Text of a file or a person, fit for a terminal: what it would obey instead of showing becomes ``?``.

    Parameters
    ----------
    text : str
        Line ends count as control characters too.

    Examples
    --------
    >>> harmless("Amp \\x1b[31m")
    'Amp ?[31m'
    """
    return "".join(character if character.isprintable() or character == "\xa0" else "?" for character in text)


STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Controls but tab and line feed, line separators, bidirectional overrides and isolates (UAX 9), surrogates."""

T = TypeVar("T")


def unsteered(data: T) -> T:
    """Plain data with nothing left in its texts that would change how the text around it is shown.

    Parameters
    ----------
    data : object
        Text, numbers, tuples, lists, mappings and dataclasses of these; anything else stays as it is.

    Examples
    --------
    >>> unsteered({"note": "ok\u202e\x07", "value": 1.0})
    {'note': 'ok\ufffd\ufffd', 'value': 1.0}
    """
    found: Any = data
    if isinstance(data, str):
        found = STEERING.sub("\ufffd", data)
    elif isinstance(data, Mapping):
        found = {unsteered(key): unsteered(value) for key, value in data.items()}
    elif isinstance(data, (tuple, list)):
        found = type(data)(map(unsteered, data))
    elif dataclasses.is_dataclass(data) and not isinstance(data, type):
        found = dataclasses.replace(
            data, **{f.name: unsteered(getattr(data, f.name)) for f in dataclasses.fields(data) if f.init}
        )
    return cast(T, found)


_MOST_SHOWN = 50


class ConfigError(BenchError, ValueError):
    """A file or an option is wrong; ``problems`` lists every mistake found, not only the first."""

    FACTS = ("problems",)
    problems: Sequence[Problem]

    @classmethod
    def from_problems(cls, problems: Sequence[Problem], hint: str = "") -> ConfigError:
        """Build the error whose text is one line a problem.

        Parameters
        ----------
        problems : sequence of Problem
            At least one.
        hint : str
            What to do now.
        """
        lines = [str(problem) for problem in problems[:_MOST_SHOWN]]
        if len(problems) > _MOST_SHOWN:
            lines.append(f"and {len(problems) - _MOST_SHOWN} more problems")
        return cls("\n".join(lines), hint=hint, problems=tuple(problems))


class StoreError(BenchError):
    """The job file cannot be read or written."""


class AcquisitionError(BenchError):
    """Something between this program and the chassis failed."""

    exit_code = 3


class InstrumentNotFound(AcquisitionError):
    """Nothing, or the wrong instrument, answers at the address."""

    FACTS = ("tried",)
    tried: Mapping[str, str]


class TransportError(AcquisitionError):
    """The link to an instrument failed."""

    FACTS: ClassVar[tuple[str, ...]] = ("resource",)
    resource: str


class TransportTimeout(TransportError, TimeoutError):
    """No complete answer before the deadline."""

    FACTS = ("resource", "timeout_s", "received")
    timeout_s: float
    received: bytes


class ConnectionLost(TransportError, ConnectionError):
    """The peer closed the link, the cable was pulled, or the port vanished."""


class ProtocolError(AcquisitionError):
    """An instrument and this program do not understand each other."""


class CommandRefused(ProtocolError):
    """This program was about to send something the instrument or the language does not allow."""


class ReplyMalformed(ProtocolError):
    """An answer does not have the form that was expected."""

    FACTS = ("raw", "expected")
    raw: bytes
    expected: str


class InstrumentReported(ProtocolError):
    """The instrument's own error queue holds an entry."""

    FACTS = ("code", "text")
    code: int
    text: str


class MeasurementError(AcquisitionError):
    """The instrument works, but this is not a reading."""


class OverRange(MeasurementError):
    """The value is beyond the range: unknown and high, never zero."""

    FACTS = ("limit_v",)
    limit_v: float | None


class RecordVoid(MeasurementError):
    """Something happened while a record was read, so it does not count; the next one may be good."""


class SafetyStop(AcquisitionError):
    """A step lacks its confirmation, or a value passes the rating of lead, probe or instrument."""

    exit_code = 2


class AnalysisError(BenchError):
    """The numbers do not allow the answer that was asked for."""


class NoOperatingPoint(AnalysisError):
    """The circuit solver found no direct-current operating point."""

    FACTS = ("tube", "residual_a")
    tube: str
    residual_a: float


class OutsideModel(AnalysisError):
    """The question lies outside what the model covers."""


class FitFailed(AnalysisError):
    """A fit has no trustworthy result."""

    FACTS = ("reason",)
    reason: str


class MissingReading(AnalysisError):
    """A reading that the answer needs was not taken."""

    FACTS = ("point", "quantity")
    point: str
    quantity: str
