"""What named parts really measure in circuit: values fitted to a pass, with uncertainty and with what cannot be
told.

The same model, spreads and errors as `analysis.suspects`; only the named parts are set free.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.errors import ConfigError, FitFailed, Problem
from acquisition.quantities import format_value
from acquisition.records import Reading

from .chassis import ChassisModel
from .inference.changes import Change
from .inference.data import Data, Refined, collect
from .inference.evidence import posterior_covariance
from .inference.panel import Panel
from .inference.refining import refine

FREE_VALUE, FREE_LEAK = 1.6, 4.0
"""Spread given to a free value and to a free leak (standard deviation of the natural logarithm): a factor 25 and
3000 at two standard deviations, so that readings and not beliefs decide."""

LEAK_START_S = 1e-8

STARTS = (-2.0, -1.0, 1.0, 2.0)
"""Starting points, in those standard deviations: a leak's effect bends, and one start can end in a side valley."""

TOLD_BELOW = 0.5
"""The readings tell a value when they leave less than this share of the spread it was given."""

TIED_FROM = 0.9
"""Correlation from which two values cannot be told from each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedValue:
    """One fitted value of a part.

    Parameters
    ----------
    part, what : str
        ``C5`` and ``value`` or ``leak``.
    value, low, high : float
        Median and 95 % interval; a leak as a resistance.
    unit : str
        ``ohm farad henry``.
    told : bool
        Whether the readings say anything about it.
    tied : tuple of str
        Other fitted values that cannot be told from this one.
    """

    part: str
    what: str
    value: float
    low: float
    high: float
    unit: str
    told: bool
    tied: tuple[str, ...]

    @property
    def text(self) -> str:
        """In words."""
        name = self.part if self.what == "value" else f"{self.part} {self.what}"
        unit = {"farad": "F", "henry": "H"}.get(self.unit, self.unit)
        if not self.told:
            return f"{name}: these readings do not tell"
        span = f"{format_value(self.low, unit)} to {format_value(self.high, unit)}"
        tied = f"; the readings cannot tell it from {', '.join(self.tied)}" if self.tied else ""
        return f"{name}: {format_value(self.value, unit)}, {span}{tied}"


def keys_of(model: ChassisModel, names: Sequence[str]) -> list[str]:
    """Parameters of the named parts that are fitted: the value, and of a capacitor its leak too.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    names : sequence of str
        Parts.

    Raises
    ------
    ConfigError
        A name is not a resistor, capacitor, inductor or potentiometer of the chassis.
    """
    kinds = ("resistor", "capacitor", "inductor", "potentiometer")
    known = {p.part for p in model.parameters.values() if p.kind in kinds}
    wrong = [name for name in names if name not in known]
    if wrong:
        raise ConfigError.from_problems(
            [Problem("", 0, "--estimate", _why_not(model, name)) for name in wrong],
            hint=f"parts with a value: {' '.join(sorted(known))}",
        )
    keys = []
    for name in names:
        keys += [key for key in (name, f"{name}.leak") if key in model.parameters]
    return keys


def _why_not(model: ChassisModel, name: str) -> str:
    drawn = model.chassis.without(())
    if name in model.chassis.pulled:
        return f"{name} is out of circuit, so no reading of the pass tells of it"
    if name in drawn.parts or name in drawn.sockets or name in drawn.rails:
        return f"{name} has no single value to fit"
    return f"no such part {name!r}"


def estimate(
    model: ChassisModel,
    readings: Sequence[Reading],
    names: Sequence[str],
    measured: Mapping[str, tuple[float, float]] | None = None,
    beside: Sequence[ChassisModel] = (),
) -> list[FittedValue]:
    """Fit values of named parts to readings.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    names : sequence of str
        Parts to fit.
    measured : mapping of str to (value, std), optional
        Parameters measured with power off.
    beside : sequence of ChassisModel, optional
        The same chassis with more tubes out, see `analysis.inference.panel.Panel`.

    Raises
    ------
    ConfigError
        A name is no part with a value.
    FitFailed
        No reading is usable, or no start leads to an operating point.
    """
    keys = keys_of(model, names)
    free = {}
    for key in keys:
        leak = key.endswith(".leak")
        centre = max(model.parameters[key].nominal, LEAK_START_S) if leak else model.parameters[key].nominal
        free[key] = (centre, (FREE_LEAK if leak else FREE_VALUE) * centre)
    panel = Panel(model, [r.measurand for r in readings], {**(measured or {}), **free}, False, beside)
    data = collect(panel, readings)
    if not data.readings:
        raise FitFailed("no reading can be used to fit these parts", reason="no usable reading")
    places = [index for index, u in enumerate(panel.unknowns) if u.key in keys]
    best: Refined | None = None
    for start in _starts(len(panel.unknowns), places):
        found = _follow(panel, data, start)
        if found is not None and (best is None or found.evidence > best.evidence):
            best = found
    if best is None:
        raise FitFailed("the model has no operating point near these readings", reason="no operating point")
    return _values(model, panel, best, places)


def _starts(size: int, places: list[int]) -> list[np.ndarray]:
    """The centre, and each free value apart from it."""
    starts = [np.zeros(size)]
    for place in places:
        for offset in STARTS:
            start = np.zeros(size)
            start[place] = offset
            starts.append(start)
    return starts


def _follow(panel: Panel, data: Data, start: np.ndarray) -> Refined | None:
    return refine(panel, data, [Change()], steps=12, starts={Change(): start}).get(Change())


def _values(model: ChassisModel, panel: Panel, best: Refined, places: list[int]) -> list[FittedValue]:
    covariance = posterior_covariance(best.slopes[None], best.weights[None])[0][np.ix_(places, places)]
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    names = [panel.unknowns[place].key.replace(".", " ") for place in places]
    result = []
    for row, place in enumerate(places):
        unknown = panel.unknowns[place]
        middle = math.log(unknown.centre) + unknown.sigma * best.unknowns[place]
        # The slope of a reading by the part carries the error of the equations too (as in the suspects' estimates).
        wide = 1.96 * math.hypot(1.6 * unknown.sigma * spread[row], 0.03)
        low, value, high = (math.exp(middle + side) for side in (-wide, 0.0, wide))
        leak = unknown.key.endswith(".leak")
        if leak:
            low, value, high = 1 / high, 1 / value, 1 / low
        parameter = model.parameters[unknown.key]
        tied = [names[other] for other in range(len(places)) if other != row]
        tied = [n for n, c in zip(tied, np.delete(correlation[row], row), strict=True) if abs(c) > TIED_FROM]
        result.append(
            FittedValue(
                part=parameter.part,
                what="leak" if leak else "value",
                value=value,
                low=low,
                high=high,
                unit="ohm" if leak else {"F": "farad", "H": "henry"}.get(parameter.unit, "ohm"),
                told=bool(spread[row] < TOLD_BELOW),
                tied=tuple(tied),
            )
        )
    return result
