"""The form of a chassis file: which fields it has, and what may stand in each. Sense is made of it in `wiring`."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from acquisition.quantities import parse_value

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
