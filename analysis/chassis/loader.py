"""Read a chassis file: every mistake at once, each with its line."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from acquisition.configs import DECIMALS_CUT_OFF, Document, find_config, parse_yaml, read_yaml, validate
from acquisition.errors import ConfigError, Problem
from acquisition.quantities import comma_hint, parse_tolerance, parse_value, with_plain_minus

from .description import Chassis, Printed
from .form import ChassisFile
from .wiring import Wiring


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
    document = read_yaml(find_config("chassis", str(name)))
    return _checked(document, document.cut_off("chassis"))  # not of a text that a job keeps: it was taken so


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


def _checked(document: Document, cut_off: Iterable[Problem] = ()) -> Chassis:
    file, problems = _validated(document)
    problems += cut_off
    wiring = Wiring(document, file)
    printed = {}
    for point, text in file.printed.items():
        if point.isdigit() and not text:
            problems.append(document.problem(("printed", point), DECIMALS_CUT_OFF))
            continue
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
    match = _PRINTED.fullmatch(with_plain_minus(text.strip()))
    try:
        if match:
            volts = parse_value(match[1])
            return Printed(volts=volts, tolerance=parse_tolerance(match[2])) if match[2] else Printed(volts=volts)
    except ValueError:
        pass
    raise ValueError(f"expected volts such as 190 or 190 +-20%, got {text!r}{comma_hint(text)}")
