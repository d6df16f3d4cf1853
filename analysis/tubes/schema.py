"""The form of a file of ``configs/tubes``: what may be written, in the units a sheet prints."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from acquisition.configs import Document, read_yaml, validate
from acquisition.errors import ConfigError
from acquisition.quantities import parse_value, with_plain_minus

from .article import with_article
from .base import POSITIONS
from .types import ELECTRODES


def _check_pin_code(code: str) -> str:
    first, *rest = code.split("_")
    for part in (first, *rest):
        if part not in ELECTRODES and (part not in {"1", "2"} or part == first):
            raise ValueError(f"expected parts from {' '.join(ELECTRODES)} joined by _, and unit 1 or 2")
    return code


Positive = Annotated[float, Field(gt=0)]
GridVolts = Annotated[float, BeforeValidator(lambda text: with_plain_minus(str(text)))]
Ohms = Annotated[float, BeforeValidator(lambda text: parse_value(str(text))), Field(gt=0)]
TypeNumber = Annotated[str, Field(pattern=r"^[0-9A-Za-z][0-9A-Za-z/ -]{0,19}$")]
PinCode = Annotated[str, AfterValidator(_check_pin_code)]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True)


class Rating(_File):
    """Volts and amperes of a heater connection."""

    volts: Positive
    amps: Positive


class HeaterFile(Rating):
    """A heater; ``halves`` are its two halves in parallel."""

    halves: Rating | None = None

    @model_validator(mode="after")
    def _halves_are_halves(self) -> HeaterFile:
        if self.halves is None:
            return self
        wanted = {"volts": self.volts / 2.0, "amps": self.amps * 2.0}
        for name, value in wanted.items():
            if not math.isclose(value, getattr(self.halves, name), rel_tol=0.02):
                raise ValueError(f"halves of a heater of {self.volts:g} V, {self.amps:g} A take {value:g} {name}")
        return self


class LimitsFile(_File):
    """Ratings, as printed: volts, watts, milliamperes, ohms."""

    rating_system: Literal["design-centre", "design-maximum"]
    plate_v: Positive | None = None
    plate_w: Positive | None = None
    plate_both_w: Positive | None = None
    screen_v: Positive | None = None
    screen_w: Positive | None = None
    cathode_ma: Positive | None = None
    heater_negative_v: Positive | None = None
    heater_positive_v: Positive | None = None
    grid_fixed: Ohms | None = None
    grid_self: Ohms | None = None
    inverse_v: Positive | None = None
    output_ma: Positive | None = None
    peak_ma: Positive | None = None


class CapacitancesFile(_File):
    """Picofarads of one section."""

    grid_plate: Positive
    input: Positive
    output: Positive


class TriodeFile(_File):
    """Constants of the law KV."""

    law: Literal["KV"]
    mu: Positive
    ex: Annotated[float, Field(gt=1, lt=3)]
    kg1: Positive
    kp: Positive
    kvb: Positive
    vct: float
    source: str


class PentodeFile(_File):
    """Constants of the laws RR and RX."""

    law: Literal["RR", "RX"]
    mu: Positive
    ex: Annotated[float, Field(gt=1, lt=3)]
    kg1: Positive
    kg2: Positive
    kp: Positive
    kvb: Positive
    vct: float
    alpha_s: Annotated[float, Field(ge=0)]
    a: Annotated[float, Field(ge=0)]
    beta: Positive
    source: str

    @model_validator(mode="after")
    def _plate_draws(self) -> PentodeFile:
        if self.kg2 <= self.kg1:
            raise ValueError("kg2 must be larger than kg1, or the plate would draw nothing")
        return self


class RectifierFile(_File):
    """Constant of the three-halves law."""

    law: Literal["three-halves"]
    perveance: Positive
    source: str


class PointFile(_File):
    """A published operating point, as printed."""

    connection: Literal["triode", "pentode", "triode-connected", "converter", "rectifier"]
    plate_v: Positive
    screen_v: Positive | None = None
    grid_v: GridVolts | None = None
    cathode: Ohms | None = None
    plate_ma: Positive | None = None
    screen_ma: Positive | None = None
    mu: Positive | None = None
    screen_mu: Positive | None = None
    gm_ma_v: Positive | None = None
    rp: Ohms | None = None
    rp_above: Ohms | None = None
    confirmed: str
    source: str
    note: str = ""

    @model_validator(mode="after")
    def _is_complete(self) -> PointFile:
        if self.connection == "pentode" and self.screen_v is None:
            raise ValueError("a pentode point needs screen_v")
        if (
            self.connection != "rectifier"
            and self.grid_v is None
            and (self.cathode is None or self.plate_ma is None)
        ):
            raise ValueError("a point needs grid_v, or cathode with plate_ma")
        return self


class FitFile(_File):
    """Which points the constants come from, and the published amplification factor that guides the fit."""

    kind: Literal["triode", "small pentode", "power pentode", "beam tube", "rectifier"]
    points: Annotated[list[int], Field(min_length=1)]
    mu: Positive | None = None
    mu_source: str = ""

    @model_validator(mode="after")
    def _has_mu(self) -> FitFile:
        if self.mu is None and self.kind != "rectifier":
            raise ValueError("a fit needs mu, the published amplification factor (for a pentode to its screen)")
        return self


class UnitFile(_File):
    """What belongs to one unit of a tube, or to each where they are alike."""

    limits: LimitsFile
    capacitances_pf: CapacitancesFile | None = None
    model: Annotated[TriodeFile | PentodeFile | RectifierFile, Field(discriminator="law")] | None = None
    fit: FitFile | None = None
    points: list[PointFile] = []

    @model_validator(mode="after")
    def _fit_names_points(self) -> UnitFile:
        if self.fit is None:
            return self
        if not all(1 <= number <= len(self.points) for number in self.fit.points):
            raise ValueError(f"fit: points are counted from 1 to {len(self.points)}")
        wanted = self.fit.kind if self.fit.kind in ("triode", "rectifier") else "pentode"
        for number in self.fit.points:
            point = self.points[number - 1]
            if point.connection != wanted or point.plate_ma is None:
                raise ValueError(f"fit: point {number} must be a {wanted} point with plate_ma")
            if wanted == "pentode" and point.screen_ma is None:
                raise ValueError(f"fit: point {number} needs screen_ma")
        return self


class _TypeFile(_File):
    """What belongs to the whole envelope."""

    tube: TypeNumber
    aliases: list[TypeNumber] = []
    relatives: dict[TypeNumber, str] = {}
    construction: str
    base: Literal["octal", "noval", "miniature", "four-pin"]
    basing: TypeNumber
    pins: dict[int, PinCode]
    heater: HeaterFile
    confirmed: dict[str, str] = {}
    source: str
    notes: str = ""

    @model_validator(mode="after")
    def _base_holds_pins(self) -> _TypeFile:
        wrong = [str(pin) for pin in self.pins if not 1 <= pin <= POSITIONS[self.base]]
        if wrong:
            raise ValueError(
                f"pins {', '.join(wrong)}: {with_article(self.base)} base has pins 1 to {POSITIONS[self.base]}"
            )
        ends = [code for code in self.pins.values() if code.split("_")[0] in ("H", "F")]
        if len(ends) != 2:
            raise ValueError(f"pins: expected two heater ends (H or F), found {len(ends)}")
        if (self.heater.halves is not None) != ("HT" in self.pins.values()):
            raise ValueError("heater: halves and a tap (HT) among the pins go together")
        return self


class TubeFile(_TypeFile, UnitFile):
    """A type with one section, or with sections alike; the fields are explained in DEVELOPERS.md."""

    capacitances_2_pf: CapacitancesFile | None = None

    def unit(self, number: int) -> UnitFile:
        """What is known of a unit: of every one the same, but for the capacitances of unit 2."""
        if number == 2 and self.capacitances_2_pf:
            return self.model_copy(update={"capacitances_pf": self.capacitances_2_pf})
        return self


class UnlikeFile(_TypeFile):
    """A type with two unlike sections: what is not of the whole envelope stands under the number of its unit."""

    units: dict[int, UnitFile]

    def unit(self, number: int) -> UnitFile:
        """What is known of a unit."""
        return self.units[number]


def check_tube_file(document: Document) -> TubeFile | UnlikeFile:
    """Check what a file of either form says.

    Parameters
    ----------
    document : Document
        From `read_yaml`.

    Raises
    ------
    ConfigError
        Every mistake, with its line.
    """
    if not isinstance(document.tree, dict) or "units" not in document.tree:
        return validate(document, TubeFile)
    astray = (name for name in (*UnitFile.model_fields, "capacitances_2_pf") if name in document.tree)
    if problems := [document.problem((name,), "goes into units, under the number of its unit") for name in astray]:
        raise ConfigError.from_problems(problems)
    file = validate(document, UnlikeFile)
    codes = (code.split("_") for code in file.pins.values())
    there = {int(parts[-1]) for parts in codes if parts[0] != "D" and parts[-1].isdigit()}
    problems = [
        document.problem(("units", str(number)), f"no pin is of this unit: expected codes that end in _{number}")
        for number in sorted(file.units.keys() - there)
    ]
    if missing := sorted({1, 2} - file.units.keys()):
        text = f"unit {missing[0]} is missing; a tube with one section, or with two alike, has no units"
        problems.append(document.problem(("units",), text))
    if problems:
        raise ConfigError.from_problems(problems)
    return file


def read_tube_file(path: Path) -> TubeFile | UnlikeFile:
    """Read and check one file as it is written, with its points and fit.

    Parameters
    ----------
    path : Path
        A YAML file.

    Raises
    ------
    ConfigError
        Every mistake, with its line.
    """
    return check_tube_file(read_yaml(path))
