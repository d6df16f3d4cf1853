"""Fit the constants in a tube file anew from the points in the same file, and write them back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from acquisition.errors import ConfigError, Problem, StoreError

from .files import load_tube
from .fit import SHARING, PointError, fit_pentode, fit_rectifier, fit_triode, point_error
from .schema import FitFile, read_tube_file
from .types import Parameters, Point

_MODEL = re.compile(r"^model:.*\n(?:[ \t]+.*\n)*", re.M)
_CONSTANTS = ("mu", "ex", "kg1", "kg2", "kp", "kvb", "vct", "alpha_s", "a", "beta", "perveance")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refit:
    """Constants fitted to published points.

    Parameters
    ----------
    tube : str
        Type.
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
    path: Path
    constants: Mapping[str, float]
    is_shipped: bool
    errors: tuple[PointError, ...]
    others: tuple[PointError, ...]
    text: str


def refit_tube(name: str) -> Refit:
    """Fit a tube's constants to the points its file names under ``fit``.

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
    if file.fit is None:
        raise ConfigError.from_problems(
            [Problem(str(path), 0, "fit", "nothing to fit: the file names no points")],
            hint="add fit: {kind: triode, points: [1], mu: 20} and the points",
        )
    exact, law = _fit(file.fit, [point for point in tube.points if point.fitted])
    rounded = {key: float(f"{getattr(exact, key):.5g}") for key in _CONSTANTS if hasattr(exact, key)}
    params = replace(exact, **rounded)  # type: ignore[arg-type]
    comparable = [point for point in tube.points if point.plate_a and point.connection != "converter"]
    return Refit(
        tube=tube.name,
        path=path,
        constants=rounded,
        is_shipped=all(getattr(tube.sections[0].model, key, None) == value for key, value in rounded.items()),
        errors=tuple(point_error(params, point) for point in comparable if point.fitted),
        others=tuple(point_error(params, point) for point in comparable if not point.fitted),
        text=_entry(law, rounded, file.fit.points),
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
        The folder or file cannot be written.
    """
    text = refit.path.read_text(encoding="utf-8")
    changed, count = _MODEL.subn(lambda _: refit.text, text, count=1)
    if not count:
        changed = re.sub(r"^(?=fit:)", lambda _: refit.text, text, count=1, flags=re.M)
    partial = refit.path.with_suffix(".yaml.new")
    try:
        partial.write_text(changed, encoding="utf-8")
        partial.replace(refit.path)
    except OSError as error:
        problem = f"{refit.path}: cannot be written: {error.strerror}"
        raise StoreError(problem, hint="copy the file into your own folder of tubes") from error
