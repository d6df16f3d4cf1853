"""Read a chassis file: every mistake at once, each with its line."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from acquisition.configs import Document, find_config, parse_yaml, read_yaml, validate
from acquisition.errors import ConfigError, Problem
from acquisition.quantities import parse_tolerance, parse_value

from .description import Chassis, Printed
from .wiring import Wiring

Number = Annotated[float, BeforeValidator(lambda text: parse_value(text) if isinstance(text, str) else text)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


def _fields(example: str) -> BeforeValidator:
    """Ask for fields with their names where a bare value stands."""

    def check(given: Any) -> Any:
        if isinstance(given, str):
            raise ValueError(f"expected fields with their names such as {example}")
        return given

    return BeforeValidator(check)


def _points(example: str, most: float = float("inf")) -> BeforeValidator:
    """Ask for a list of points, two or more."""

    def check(given: Any) -> Any:
        if not isinstance(given, list) or not 2 <= len(given) <= most:
            raise ValueError(f"expected {'two points' if most == 2 else 'points, two or more,'} such as {example}")
        return given

    return BeforeValidator(check)


def _groups(given: Any) -> Any:
    if isinstance(given, str) or (isinstance(given, list) and any(isinstance(group, str) for group in given)):
        raise ValueError("expected every group of points in brackets of its own such as [[V2.9, HT2]]")
    return given


def _sockets(given: Any) -> Any:
    if not isinstance(given, dict) or not given:
        raise ValueError("expected sockets with their types such as {V1: 12AX7}")
    return given


class _Mains(_File):
    volts: Annotated[Positive, Field(le=1e4)] = 230.0
    hertz: Annotated[Positive, Field(ge=1, le=1e4)] = 50.0


class _Rail(_File):
    volts: Annotated[Number, Field(ge=-1e5, le=1e5)]
    source: Annotated[NotNegative, Field(le=1e9)] = 0.0
    ripple_pp: Annotated[NotNegative, Field(le=1e4)] = 0.0
    rectified: Literal["full-wave", "half-wave", ""] = ""


def _channels(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


_Channels = Annotated[list[str], BeforeValidator(_channels), Field(min_length=1, max_length=20)]
"""One point, or one a channel."""


class SignalFile(_File):
    """The signal as people write it."""

    input: _Channels
    output: _Channels
    source_ohms: Annotated[Positive, Field(ge=1e-3, le=1e9)] = 600.0
    stages: dict[str, Annotated[list[str], _points("[V1.2, V1.1]", 2)]] = Field(
        default_factory=dict, max_length=100
    )


class ChassisFile(_File):
    """The file as people write it; parts and printed volts are still text here."""

    chassis: str
    mains: Annotated[_Mains, _fields("{volts: 230, hertz: 50}")] = Field(default_factory=_Mains)
    # No chassis is larger than these limits; a wrong file is, and would keep us busy for hours.
    tubes: Annotated[dict[str, str], BeforeValidator(_sockets)] = Field(max_length=100)
    rails: dict[str, Annotated[_Rail, _fields("{volts: 280, source: 200}")]] = Field(
        default_factory=dict, max_length=100
    )
    parts: dict[str, str | dict[str, Any]] = Field(default_factory=dict, max_length=2000)
    joined: Annotated[list[Annotated[list[str], _points("[V2.9, HT2]")]], BeforeValidator(_groups)] = Field(
        default_factory=list, max_length=500
    )
    signal: SignalFile | None = None
    printed: dict[str, str] = Field(default_factory=dict, max_length=1000)


def load_chassis(name: str) -> Chassis:
    """Read and check a chassis file.

    Parameters
    ----------
    name : str
        A path, or the name of a file in ``configs/chassis``.

    Raises
    ------
    ConfigError
        With every mistake found.
    """
    return _checked(read_yaml(find_config("chassis", str(name))))


def parse_chassis(text: str, path: str = "text") -> Chassis:
    """Check the text of a chassis file; see `load_chassis`.

    Parameters
    ----------
    text : str
        YAML.
    path : str
        Name used in messages.

    Raises
    ------
    ConfigError
        With every mistake found.
    """
    return _checked(parse_yaml(text, path))


def _checked(document: Document) -> Chassis:
    file, problems = _validated(document)
    wiring = Wiring(document, file)
    printed = {}
    for point, text in file.printed.items():
        try:
            printed[point] = parse_printed(text)
        except ValueError as error:
            problems.append(document.problem(("printed", point), str(error)))
        if not wiring.has_point(point):
            problems.append(document.problem(("printed", point), wiring.unknown(point)))
    problems += wiring.problems
    if problems:
        raise ConfigError.from_problems(sorted(set(problems), key=lambda p: (p.line, p.field, p.text)))
    return wiring.chassis(printed)


def _validated(document: Document) -> tuple[ChassisFile, list[Problem]]:
    """Check the form; entries with a mistake are set aside, so that the rest can still be checked for sense."""
    try:
        return validate(document, ChassisFile), []
    except ConfigError as error:
        problems = list(error.problems)
    if not isinstance(document.tree, dict):
        raise ConfigError.from_problems(problems)
    tree: dict[str, Any] = {k: dict(v) if isinstance(v, dict) else v for k, v in document.tree.items()}
    for problem in problems:
        head, _, rest = problem.field.partition(".")
        group = tree.get(head)
        entry = rest.split(".")[0]
        if isinstance(group, dict) and entry in group and head in {"rails", "parts", "tubes"}:
            del group[entry]
        else:
            tree.pop(head, None)
    tree.setdefault("chassis", "")
    if not tree.get("tubes"):
        raise ConfigError.from_problems(problems)
    try:
        return validate(Document(document.path, tree, document.lines), ChassisFile), problems
    except ConfigError:
        raise ConfigError.from_problems(problems) from None


_PRINTED = re.compile(r"([+-]?[\d.]+)\s*(?:V\b)?\s*(.*)")


def parse_printed(text: str) -> Printed:
    """Read volts as printed on a drawing.

    Parameters
    ----------
    text : str
        ``190``, ``190 +-20%`` or ``7.5 V 10%``.

    Raises
    ------
    ValueError
        The text is not such a value.

    Examples
    --------
    >>> parse_printed("190 +-10%")
    Printed(volts=190.0, tolerance=(-0.1, 0.1))
    """
    match = _PRINTED.fullmatch(text.strip())
    try:
        if match:
            volts = parse_value(match[1])
            return Printed(volts=volts, tolerance=parse_tolerance(match[2])) if match[2] else Printed(volts=volts)
    except ValueError:
        pass
    comma = " (write a point, not a comma)" if "," in text else ""
    raise ValueError(f"expected volts such as 190 or 190 +-20%, got {text!r}{comma}")
