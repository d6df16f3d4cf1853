"""Fit the constants in a tube file anew from the points in the same file, and write them back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from acquisition.configs import read_yaml
from acquisition.errors import ConfigError, Problem, StoreError

from .files import load_tube
from .fit import SHARING, PointError, fit_pentode, fit_rectifier, fit_triode, point_error
from .schema import FitFile, TubeFile, read_tube_file
from .types import Parameters, Point, Section

_CONSTANTS = ("mu", "ex", "kg1", "kg2", "kp", "kvb", "vct", "alpha_s", "a", "beta", "perveance")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refit:
    """Constants fitted to published points.

    Parameters
    ----------
    tube : str
        Type.
    unit : int, optional
        Number of the unit in a file of unlike ones.
    section : str
        The label of that section, `Section.label`; empty where the type has but one make.
    path : Path
        Its file.
    constants : mapping of str to float
        New constants, rounded as they are written: five significant digits.
    is_shipped : bool
        Whether the file holds the same already.
    errors : tuple of PointError
        At every point the fit used.
    others : tuple of PointError
        At the remaining points that the law can be compared with.
    text : str
        The ``model`` entry as it stands in the file.
    """

    tube: str
    unit: int | None
    section: str
    path: Path
    constants: Mapping[str, float]
    is_shipped: bool
    errors: tuple[PointError, ...]
    others: tuple[PointError, ...]
    text: str


def refit_tube(name: str) -> tuple[Refit, ...]:
    """Fit a tube's constants to the points its file names under ``fit``, of unlike units each that names points.

    Parameters
    ----------
    name : str
        As `load_tube`.

    Raises
    ------
    ConfigError
        The file has no ``fit`` entry, or a mistake.
    FitFailed
        No minimum was found.
    """
    tube = load_tube(name)
    path = Path(tube.path)
    file = read_tube_file(path)
    units = {None: file} if isinstance(file, TubeFile) else file.units
    if not any(unit.fit for unit in units.values()):
        raise ConfigError.from_problems(
            [Problem(str(path), 0, "fit", "nothing to fit: the file names no points")],
            hint="add fit: {kind: triode, points: [1], mu: 20} and the points",
        )
    return tuple(
        _refit(tube.name, path, number, tube.sections[(number or 1) - 1], unit.fit)
        for number, unit in units.items()
        if unit.fit
    )


def _refit(name: str, path: Path, unit: int | None, section: Section, how: FitFile) -> Refit:
    exact, law = _fit(how, [point for point in section.points if point.fitted])
    rounded = {key: float(f"{getattr(exact, key):.5g}") for key in _CONSTANTS if hasattr(exact, key)}
    params = replace(exact, **rounded)  # type: ignore[arg-type]
    comparable = [point for point in section.points if point.plate_a and point.connection != "converter"]
    return Refit(
        tube=name,
        unit=unit,
        section=section.label if unit else "",
        path=path,
        constants=rounded,
        is_shipped=all(getattr(section.model, key, None) == value for key, value in rounded.items()),
        errors=tuple(point_error(params, point) for point in comparable if point.fitted),
        others=tuple(point_error(params, point) for point in comparable if not point.fitted),
        text=_entry(law, rounded, how.points),
    )


def _entry(law: str, constants: Mapping[str, float], points: list[int]) -> str:
    *front, last = [str(number) for number in points]
    used = f"points {', '.join(front)} and {last}" if front else f"point {last}"
    values = ", ".join(f"{key}: {value:.5g}" for key, value in constants.items())
    return f'model:\n  {{law: {law}, {values},\n   source: "fitted to {used} below"}}\n'


def _fit(how: FitFile, points: list[Point]) -> tuple[Parameters, str]:
    if how.kind == "rectifier":
        return fit_rectifier(points), "three-halves"
    if how.mu is None:  # the form of the file asks for it
        raise AssertionError("a fit without mu")
    if how.kind == "triode":
        return fit_triode(points, how.mu), "KV"
    return fit_pentode(points, how.mu, how.kind), SHARING[how.kind][0]


def write_model(refit: Refit) -> None:
    """Replace the ``model`` entry of the tube's file; every other line stays as it is.

    Parameters
    ----------
    refit : Refit
        From `refit_tube`.

    Raises
    ------
    StoreError
        The folder or file cannot be written, or is laid out so that the entry has no lines of its own.
    """
    changed = _with_entry(refit)
    partial = refit.path.with_suffix(".yaml.new")
    try:
        partial.write_text(changed, encoding="utf-8")
        partial.replace(refit.path)
    except OSError as error:
        problem = f"{refit.path}: cannot be written: {error.strerror}"
        raise StoreError(problem, hint="copy the file into your own folder of tubes") from error


def _with_entry(refit: Refit) -> str:
    known = read_yaml(refit.path)
    unit = () if refit.unit is None else ("units", str(refit.unit))
    has_model = (*unit, "model") in known.lines
    first = known.line_of((*unit, "model" if has_model else "fit")) - 1
    lines = refit.path.read_text(encoding="utf-8").splitlines(keepends=True)
    margin = lines[first][: -len(lines[first].lstrip())]
    if not lines[first].lstrip().startswith(("model:", "fit:")):
        problem = f"{refit.path}, line {first + 1}: model and fit share a line with other fields"
        raise StoreError(problem, hint="give each a line of its own, as the shipped files do")
    last = first
    if has_model:
        last = next(
            (i for i in range(first + 1, len(lines)) if not lines[i].startswith((f"{margin} ", f"{margin}\t"))),
            len(lines),
        )
    entry = [margin + line for line in refit.text.splitlines(keepends=True)]
    return "".join((*lines[:first], *entry, *lines[last:]))
