"""What can be wrong: the faults of ``configs/faults.yaml``, given to every part of a chassis without being asked.

A fault is one change of one element of the circuit model. Its severity is unknown beforehand, so it is cut into
cells, equally likely on a logarithmic scale.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from acquisition.configs import config_roots, read_yaml, validate
from acquisition.errors import ConfigError, Problem

from .chassis import Chassis, Parameter

FAULT_WORDS = (
    "open", "high", "low", "leaky", "shorted", "lossy", "weak", "dead", "gassy", "heater leak", "heater short",
    "winding open", "shorted turns", "missing", "off", "grid open", "plate open",
)  # fmt: skip
"""Every word for what is wrong with a part; which part takes which: ``configs/faults.yaml``."""

CELLS_PER_DECADE = 4.0

PartClass = Literal[
    "resistor", "potentiometer", "film", "electrolytic", "tube", "heaters", "transformer", "inductor", "rail"
]  # fmt: skip
_Positive = Annotated[float, Field(ge=1e-18, le=1e18, allow_inf_nan=False)]
_STRICT = ConfigDict(extra="forbid", frozen=True)


def _require_only(name: str, separate: str) -> None:
    if set(re.findall(r"\{[^}]*\}?|\}", separate)) - {f"{{{name}}}"}:
        raise ValueError(f"separate: only {{{name}}} can be filled in")


class ClassEntry(BaseModel):
    """How often a class of part is the culprit, a resistor being 1."""

    model_config = _STRICT
    weight: _Positive
    source: str


class FaultEntry(BaseModel):
    """One fault of a class of part, as the file says it."""

    model_config = _STRICT
    on: PartClass
    fault: str
    element: str
    times: tuple[_Positive, _Positive] | None = None
    range: tuple[_Positive, _Positive] | None = None
    limit: _Positive | None = None
    share: _Positive
    cells_a_decade: _Positive | None = None
    shown: Literal["", "x", "ohm", "1/ohm", "A"] | None = None
    separate: str
    words: str
    source: str

    @model_validator(mode="after")
    def _check(self) -> FaultEntry:
        if self.fault not in FAULT_WORDS:
            raise ValueError(f"fault is one of {', '.join(FAULT_WORDS)}, got {self.fault!r}")
        if (self.times is None) == (self.range is None):
            raise ValueError("give either times (multiples of the drawn value) or range (in the element's unit)")
        _require_only("part", self.separate)
        span = self.times or self.range
        if span is not None and not span[0] < span[1]:
            raise ValueError(f"the first limit must be below the second, got {span[0]:g}, {span[1]:g}")
        return self


class ArtefactEntry(BaseModel):
    """What a person or an instrument does to readings."""

    model_config = _STRICT
    name: Literal[
        "probe factor", "rms or peak", "wrong pin", "heavy load", "unit", "sign", "two exchanged", "nothing read",
        "meter stands still", "misread", "channel inverted", "probes exchanged", "prefix",
    ]  # fmt: skip
    quantities: tuple[str, ...]
    times: tuple[float, ...] = ()
    ohms: tuple[_Positive, ...] = ()
    chance: Annotated[float, Field(gt=0, lt=0.5)]
    words: str
    separate: str
    source: str

    @model_validator(mode="after")
    def _check(self) -> ArtefactEntry:
        _require_only("points", self.separate)
        return self


class FaultFile(BaseModel):
    """The whole of ``configs/faults.yaml``."""

    model_config = _STRICT
    classes: dict[PartClass, ClassEntry]
    faults: tuple[FaultEntry, ...]
    artefacts: tuple[ArtefactEntry, ...]

    @model_validator(mode="after")
    def _check(self) -> FaultFile:
        lost = {entry.on for entry in self.faults} - set(self.classes)
        if lost:
            raise ValueError(f"no weight given for {', '.join(sorted(lost))}")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One part and what is wrong with it.

    Parameters
    ----------
    part : str
        As in the chassis file; a tube by its socket.
    section : str
        Section key (``V1a``) for a tube, else empty.
    fault : str
        One of ``FAULT_WORDS``.
    key : str
        Parameter of the model that changes.
    part_class : str
        Class of part in ``configs/faults.yaml``.
    values : tuple of float
        Centres of the severity cells, in the unit of the parameter, from least to most severe.
    chances : tuple of float
        Probability of each cell, given the fault; they sum to one.
    cell_log : float
        Standard deviation of ``log(value)`` within a cell; 0 where severity is not resolved.
    weight : float
        Prior weight against a resistor as a whole = 1.
    shown : str
        How an estimate is printed: ``ohm farad henry 1/ohm A x`` or empty for none.
    words, separate, source : str
        What to tell, what settles it with power off, where the row comes from.
    """

    part: str
    section: str
    fault: str
    key: str
    part_class: str
    values: tuple[float, ...]
    chances: tuple[float, ...]
    cell_log: float
    weight: float
    shown: str
    words: str
    separate: str
    source: str

    @property
    def label(self) -> str:
        """``C12 leaky``, ``V1 (V1a) weak``."""
        place = f"{self.part} ({self.section})" if self.section and self.section != self.part else self.part
        return f"{place} {self.fault}"

    @property
    def scale(self) -> tuple[str, bool]:
        """The parameter, and whether worse is more: faults that share both, as a leak and a short, are ranges of
        one scale."""
        return self.key, abs(self.values[-1]) > abs(self.values[0])


@cache
def load_fault_file() -> FaultFile:
    """Read and check ``faults.yaml``; the first configuration folder that has one wins.

    Raises
    ------
    ConfigError
        There is none, or it has mistakes.
    """
    for root in config_roots():
        path: Path = root / "faults.yaml"
        if path.is_file():
            return validate(read_yaml(path), FaultFile)
    raise ConfigError.from_problems([Problem("faults.yaml", 0, "", "no such file in any configuration folder")])


def class_of(parameter: Parameter, chassis: Chassis) -> PartClass | None:
    """Class of part in the fault file; None for what has no faults of its own (the mains).

    Parameters
    ----------
    parameter : Parameter
        Of the model.
    chassis : Chassis
        The file it comes from.
    """
    if parameter.kind == "capacitor":
        return "electrolytic" if chassis.parts[parameter.part].is_electrolytic else "film"
    for known in ("resistor", "potentiometer", "tube", "heaters", "transformer", "inductor", "rail"):
        if parameter.kind == known:
            return known
    return None


def cells(low: float, high: float, a_decade: float = CELLS_PER_DECADE) -> tuple[np.ndarray, float]:
    """Cut a range of severity into cells of equal width on a logarithmic scale.

    Parameters
    ----------
    low, high : float
        Limits, both positive.
    a_decade : float
        How many cells a decade has at least.

    Returns
    -------
    centres : ndarray
        Geometric centres, rising.
    spread : float
        Standard deviation of the logarithm that makes neighbouring cells join into a level whole.

    Examples
    --------
    >>> centres, spread = cells(1.0, 100.0)
    >>> len(centres), round(float(centres[0]), 3), round(spread, 3)
    (8, 1.334, 0.345)
    """
    count = max(1, math.ceil(math.log10(high / low) * a_decade))
    width = math.log(high / low) / count
    centres = low * np.exp(width * (np.arange(count) + 0.5))
    return centres, 0.6 * width


def faults_of(chassis: Chassis, parameters: Mapping[str, Parameter]) -> tuple[Fault, ...]:
    """Every fault of every part.

    Parameters
    ----------
    chassis : Chassis
        The file.
    parameters : mapping of str to Parameter
        Of its model.

    Returns
    -------
    tuple of Fault
        In the order of the model's parameters; weights are not normalised.
    """
    file = load_fault_file()
    result: list[Fault] = []
    for key, parameter in parameters.items():
        part_class = class_of(parameter, chassis)
        if part_class is None:
            continue
        ending = key.partition(".")[2]
        for entry in file.faults:
            if entry.on == part_class and fnmatchcase(ending, entry.element):
                result.append(
                    _fault(entry, file.classes[part_class].weight, parameter, _pieces(entry, parameters, key))
                )
    return tuple(result)


def _pieces(entry: FaultEntry, parameters: Mapping[str, Parameter], key: str) -> int:
    """How many parameters of one part share an entry: three windings share the weight of `winding open`."""
    if "*" not in entry.element:
        return 1
    part = parameters[key].part
    return sum(p.part == part and fnmatchcase(k.partition(".")[2], entry.element) for k, p in parameters.items())


def _fault(entry: FaultEntry, weight: float, parameter: Parameter, pieces: int) -> Fault:
    scale = parameter.nominal if entry.times else 1.0
    low, high = entry.times or entry.range or (1.0, 1.0)
    centres, spread = cells(low, high, entry.cells_a_decade or CELLS_PER_DECADE)
    if entry.shown == "" and entry.cells_a_decade is None:  # an open is an open: one cell
        centres, spread = np.array([math.sqrt(low * high)]), 0.0
    falling = entry.times is not None and high < 1.0
    ordered = [float(value) * scale for value in (centres[::-1] if falling else centres)]
    chances = [1.0 / len(ordered)] * len(ordered)
    if entry.limit is not None and abs(ordered[-1]) < entry.limit:
        ordered = [*ordered, entry.limit]
        chances = [chance / 2 for chance in chances] + [0.5]
    unit = {"ohm": "ohm", "F": "farad", "H": "henry", "A": "A"}.get(parameter.unit, "x")
    return Fault(
        part=parameter.part,
        section=parameter.section,
        fault=entry.fault,
        key=parameter.key,
        part_class=entry.on,
        values=tuple(ordered),
        chances=tuple(chances),
        cell_log=spread,
        weight=weight * entry.share / pieces,
        shown=unit if entry.shown is None else entry.shown,
        words=entry.words,
        separate=entry.separate.format(part=parameter.part),
        source=entry.source,
    )
