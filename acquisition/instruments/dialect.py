"""What a dialect file may say: closed choices and command templates; nothing in it is ever evaluated."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from ..configs import find_config, read_yaml, validate
from .dialect_parts import Command, ErrorQueue, LinkRules, Marker, Pattern, Positive, Setting, Strict

TEN_FIELDS = ("format", "type", "points", "xinc", "xorg", "xref", "yinc", "yorg", "yref")
"""Fields of a ten-field preamble that the decoder needs, under these names."""


def _bytes(text: str) -> bytes:
    return re.sub(r"\\x([0-9A-Fa-f]{2})", lambda match: chr(int(match[1], 16)), text).encode("latin-1")


class Recorded(Strict):
    r"""An exchange taken from an instrument, its guide, or worked by hand, and what the driver must make of it.

    Bytes that are no printable ASCII are written ``\xNN``.
    """

    call: Literal["identify", "errors", "read", "sine", "fetch", "pp"]
    source: str
    exchanges: list[tuple[str, str]]
    with_: dict[str, str] = Field(default={}, alias="with")
    gives: dict[str, str | list[str]]

    @property
    def wire(self) -> list[tuple[bytes, bytes]]:
        """What is sent and what comes back, as bytes without line ends."""
        return [(_bytes(sent), _bytes(given)) for sent, given in self.exchanges]


class AskingMeterSettings(Strict):
    """What an asking meter can be told."""

    input: Setting | None = None
    nplc: Setting | None = None
    range: Setting
    autorange: Setting


class AskingMeter(Strict):
    """A meter that measures when asked.

    ``relative`` lists questions that are answered by 1 while what the meter sends is no plain voltage: null or
    mathematics. Those that a meter does not know are left out.
    """

    mode: Literal["ask"]
    setup: list[Command]
    function: Setting
    settings: AskingMeterSettings
    read: Command
    again: Command | None = None
    relative: list[Command] = Field(default_factory=list)
    range_ask: Command
    resolution_ask: Command | None = None
    counts: Annotated[int, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _resolution(self) -> Self:
        if (self.resolution_ask is None) == (self.counts is None):
            raise ValueError("give either resolution_ask or counts")
        return self


class StreamingMeter(Strict):
    """A meter that sends a line for each conversion, unasked."""

    mode: Literal["stream"]
    rate_hz: Positive
    repeats: int = Field(default=1, ge=1, le=4)
    frame: Pattern
    counts: int = Field(gt=0)
    coupling: str
    units: dict[str, Positive]
    overload: list[str]
    flags: dict[str, Literal["auto", "held", "relative", "minimum", "maximum", "low_battery", "sleeps_soon"]] = (
        Field(default_factory=dict)
    )

    @model_validator(mode="after")
    def _groups(self) -> Self:
        missing = {"value", "unit", "coupling", "flags"} - set(re.compile(self.frame).groupindex)
        if missing:
            raise ValueError(f"frame needs groups named {', '.join(sorted(missing))}")
        return self


def _both_ways(settings: list[Setting]) -> list[Setting]:
    """Refuse what could not be read before, or not be set again after."""
    for setting in settings:
        if setting.set is None or setting.ask is None:
            raise ValueError(f"{setting.set or setting.ask}: what is set again at the end needs both set and ask")
    return settings


Kept = Annotated[list[Setting], AfterValidator(_both_ways)]


class GeneratorRules(Strict):
    """How a generator is told what to do.

    ``kept`` lists what measuring changes, in the order in which it is set again at the end; the output stays off.
    ``plain`` lists switches that have to be off for a plain sine; those a generator does not know are left out.
    """

    output: Setting
    load: Setting
    unit: Setting
    function: Setting
    frequency: Setting
    offset: Setting
    amplitude: Setting
    kept: Kept = Field(default_factory=list)
    plain: Kept = Field(default_factory=list)
    settle_periods: float = Field(default=3, ge=0)
    settle_s: float = Field(default=0.05, ge=0)

    @field_validator("amplitude")
    @classmethod
    def _amplitude(cls, setting: Setting) -> Setting:
        setting.require_means("pp", "peak", "rms")
        return setting


class ChannelRules(Strict):
    """Settings of one scope channel."""

    shown: Setting
    probe: Setting
    coupling: Setting
    invert: Setting | None = None
    scale: Setting
    offset: Setting
    limit: Setting | None = None

    @field_validator("probe")
    @classmethod
    def _probe(cls, setting: Setting) -> Setting:
        setting.require_means("factor", "gain")
        return setting

    @field_validator("offset")
    @classmethod
    def _offset(cls, setting: Setting) -> Setting:
        setting.require_means("centre", "shift")
        return setting


class TimebaseRules(Strict):
    """Settings of the time axis."""

    scale: Setting
    position: Setting
    points: Setting


class TriggerRules(Strict):
    """Settings of an edge trigger."""

    source: Setting
    slope: Setting
    level: Setting


class RunRules(Strict):
    """Arming, stopping, and the words for what the scope is doing.

    ``force`` triggers at once; used only where the phase of a record does not matter. ``run`` sets a scope going
    again that was found running.
    """

    stop: Command
    single: Command
    force: Command | None = None
    run: Command | None = None
    ask: Command
    words: dict[str, Literal["running", "waiting", "stopped"]]


class WaveformRules(Strict):
    """How the samples come."""

    before: list[Command]
    preamble: Command
    fields: list[str] = Field(default_factory=list)
    formats: dict[str, str] = Field(default_factory=dict)
    types: dict[str, str] = Field(default_factory=dict)
    volts: Literal["origin-in-volts", "origin-in-codes", "keywords"] = "keywords"
    data: Command
    page: Literal["whole", "first-last", "start-points"] = "whole"
    page_first: Command | None = None
    page_last: Command | None = None
    page_base: Literal["0", "1"] = "1"
    page_most: int = Field(default=250_000, gt=0, le=250_000)
    window: bool = False
    bits: Literal["8", "16"] = "8"
    signed: bool = False
    order: Literal["msb", "lsb"] = "msb"

    @model_validator(mode="after")
    def _pages(self) -> Self:
        for name in ("page_first", "page_last") if self.page != "whole" else ():
            if "{value}" not in (getattr(self, name) or ""):
                raise ValueError(f"pages need {name}, with {{value}}")
        if self.volts != "keywords" and self.fields[:3] != ["format", "type", "points"]:
            raise ValueError("a ten-field preamble needs fields, beginning with format, type, points")
        missing = [name for name in TEN_FIELDS if self.volts != "keywords" and name not in self.fields]
        if missing:
            raise ValueError(f"fields lacks {', '.join(missing)}")
        return self


class PeakToPeak(Strict):
    """The scope's own peak-to-peak value, for cross-checks only."""

    before: list[Command] = Field(default_factory=list)
    ask: Command
    invalid: list[str] = Field(default_factory=list)


def _require_channel(where: str, commands: list[str]) -> None:
    """Refuse commands that ask one channel whichever is meant: the gain would be that of one point."""
    if commands and not any("{channel}" in command for command in commands):
        raise ValueError(f"{where}: {' '.join(commands)} does not say which channel: it needs {{channel}}")


class ScopeRules(Strict):
    """How a scope is told what to do.

    ``kept`` lists what ``setup`` changes and a person sees: asked before it, and set again at the end.
    """

    family: Literal["ten-field", "keyword"]
    channels: int = Field(ge=1, le=16)
    vertical_divisions: Positive
    horizontal_divisions: Positive
    setup: list[Command]
    kept: Kept = Field(default_factory=list)
    channel: ChannelRules
    limit_hz: Positive | None = None
    timebase: TimebaseRules
    trigger: TriggerRules
    run: RunRules
    waveform: WaveformRules
    pp: PeakToPeak

    @model_validator(mode="after")
    def _channels(self) -> Self:
        if self.channels > 1:
            for name in type(self.channel).model_fields:
                setting: Setting | None = getattr(self.channel, name)
                for command in (setting.set, setting.ask) if setting else ():
                    _require_channel(f"channel.{name}", [command] if command else [])
            wave, pp = self.waveform, self.pp
            _require_channel("waveform", [*wave.before, wave.preamble, wave.data])
            _require_channel("pp", [*pp.before, pp.ask])
        return self


class Dialect(Strict):
    """One dialect file."""

    dialect: str
    role: Literal["meter", "scope", "generator"]
    does: str
    source: str
    link: LinkRules = LinkRules()
    identity: Marker | None = None
    proof: Marker | None = None
    clear: list[Command] = Field(default_factory=list)
    errors: ErrorQueue | None = None
    events: Command | None = None
    meter: Annotated[AskingMeter | StreamingMeter, Field(discriminator="mode")] | None = None
    generator: GeneratorRules | None = None
    scope: ScopeRules | None = None
    recorded: list[Recorded] = Field(default_factory=list)

    @model_validator(mode="after")
    def _one_role(self) -> Self:
        given = [role for role in ("meter", "scope", "generator") if getattr(self, role) is not None]
        if given != [self.role]:
            raise ValueError(f"a {self.role} dialect needs the part {self.role}, and no other")
        if self.identity is None and not (self.meter is not None and self.meter.mode == "stream"):
            raise ValueError("only a streaming meter may do without identity")
        return self


def load_dialect(name: str) -> Dialect:
    """Load a dialect.

    Parameters
    ----------
    name : str
        Name of a shipped or added dialect, or a path.

    Raises
    ------
    ConfigError
        No such file, or mistakes in it, each with its line.
    """
    path = find_config("dialects", name)
    dialect = validate(read_yaml(path, escapes=True), Dialect)
    if dialect.dialect != path.stem:
        from ..errors import ConfigError, Problem

        text = f"a dialect is called as its file, {path.stem}"
        raise ConfigError.from_problems([Problem(str(path), 1, "dialect", text)])
    return dialect
