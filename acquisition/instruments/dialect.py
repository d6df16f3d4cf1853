"""What a dialect file may say: closed choices and command templates; nothing in it is ever evaluated."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from ..configs import config_names, find_config, read_yaml, validate
from ..transport import SerialSettings


def checked_pattern(text: str) -> str:
    """Refuse what is no regular expression.

    Parameters
    ----------
    text : str
        As the file has it.

    Raises
    ------
    ValueError
        It is none, and why.
    """
    try:
        re.compile(text)
    except (re.error, OverflowError, RecursionError) as error:
        raise ValueError(f"not a pattern: {error}") from None
    return text


def _checked_command(text: str) -> str:
    if not text.isascii() or not text.isprintable():
        raise ValueError("a command is one line of plain ASCII")
    unknown = set(re.findall(r"\{([^}]*)\}", text)) - {"channel", "value"}
    if unknown or text.count("{") != text.count("}"):
        raise ValueError("only {channel} and {value} can be filled in")
    return text


Pattern = Annotated[str, AfterValidator(checked_pattern)]
Command = Annotated[str, AfterValidator(_checked_command)]
Positive = Annotated[float, Field(gt=0)]


def _bytes(text: str) -> bytes:
    return re.sub(r"\\x([0-9A-Fa-f]{2})", lambda match: chr(int(match[1], 16)), text).encode("latin-1")


class Strict(BaseModel):
    """A part of a file: unknown fields and infinities are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True)


class Serial(Strict):
    """How the serial port is set, where the instrument has one."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    bits: Literal["7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop: Literal["1", "2"] = "1"
    dtr: bool = True
    rts: bool = True
    settle_s: float = Field(default=0.0, ge=0, le=10)

    def settings(self) -> SerialSettings:
        """Give the settings as the transport takes them."""
        return SerialSettings(
            baud=self.baud,
            bits=int(self.bits),
            parity=self.parity,
            stop=int(self.stop),
            dtr=self.dtr,
            rts=self.rts,
            settle_s=self.settle_s,
        )


class LinkRules(Strict):
    """Line ends and times.

    ``query_s`` is the deadline of a question, ``identify_s`` that of those asked to get into step, ``margin_s``
    what a reading may take beyond its conversions.
    """

    ends: Literal["lf", "crlf", "cr"] = "lf"
    query_s: Positive = 2.0
    identify_s: Positive = 1.0
    margin_s: Positive = 0.5
    after_set_s: float = Field(default=0.0, ge=0, le=5)
    headers: bool = False
    block_end: Literal["newline", "none"] = "newline"
    block_counts: Literal["bytes", "points"] = "bytes"
    serial: Serial = Serial()

    def slowed(self, query_s: float) -> LinkRules:
        """Give the rules for an instrument that needs more time than its family.

        Parameters
        ----------
        query_s : float
            Time it may take for any answer, in seconds.
        """
        least = {name: max(query_s, getattr(self, name)) for name in ("query_s", "identify_s", "margin_s")}
        return self.model_copy(update=least)

    @property
    def write_end(self) -> bytes:
        """What ends a message to the instrument."""
        return {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}[self.ends]

    @property
    def read_end(self) -> bytes:
        """What ends a reply: LF, also where CR stands before it; CR only where nothing else comes."""
        return b"\r" if self.ends == "cr" else b"\n"


class Marker(Strict):
    """A query with the pattern its whole reply must match."""

    ask: Command
    pattern: Pattern


class ErrorQueue(Strict):
    """How the error queue is emptied; ``after_events``: only once the event register was read."""

    ask: Command
    none: list[int] = [0]
    after_events: bool = False


class Setting(Strict):
    """One thing that can be set, and read back.

    ``form`` says what the reply is: a number, a switch, one of ``words``, text that must be one of ``accept``, or
    infinity. ``at_least`` allows the instrument to choose a larger value; with ``loose`` whatever it chose is
    taken. In both cases the driver goes on with what was read back.
    """

    set: Command | None = None
    ask: Command | None = None
    form: Literal["number", "switch", "word", "text", "infinite"]
    words: dict[str, list[str]] = {}
    accept: list[str] = []
    means: Literal["", "pp", "rms", "peak", "factor", "gain", "centre", "shift"] = ""
    at_least: bool = False
    loose: bool = False

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.form == "word" and not self.words:
            raise ValueError("form word needs words")
        if self.form == "text" and not self.accept:
            raise ValueError("form text needs accept")
        if self.set is None and self.ask is None:
            raise ValueError("needs set or ask")
        return self


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
    """A meter that measures when asked."""

    mode: Literal["ask"]
    setup: list[Command]
    function: Setting
    settings: AskingMeterSettings
    read: Command
    again: Command | None = None
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
    flags: dict[str, Literal["auto", "held", "relative", "minimum", "maximum", "low_battery", "sleeps_soon"]] = {}

    @model_validator(mode="after")
    def _groups(self) -> Self:
        missing = {"value", "unit", "coupling", "flags"} - set(re.compile(self.frame).groupindex)
        if missing:
            raise ValueError(f"frame needs groups named {', '.join(sorted(missing))}")
        return self


class GeneratorRules(Strict):
    """How a generator is told what to do.

    ``kept`` lists what measuring changes, in the order in which it is set again at the end; the output stays off.
    """

    output: Setting
    load: Setting
    unit: Setting
    function: Setting
    frequency: Setting
    offset: Setting
    amplitude: Setting
    kept: list[Setting] = []
    settle_periods: float = Field(default=3, ge=0)
    settle_s: float = Field(default=0.05, ge=0)


class ChannelRules(Strict):
    """Settings of one scope channel."""

    shown: Setting
    probe: Setting
    coupling: Setting
    scale: Setting
    offset: Setting
    limit: Setting | None = None


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
    fields: list[str] = []
    formats: dict[str, str] = {}
    types: dict[str, str] = {}
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
        if self.page != "whole" and (self.page_first is None or self.page_last is None):
            raise ValueError("pages need page_first and page_last")
        if self.volts != "keywords" and self.fields[:3] != ["format", "type", "points"]:
            raise ValueError("a ten-field preamble needs fields, beginning with format, type, points")
        return self


class PeakToPeak(Strict):
    """The scope's own peak-to-peak value, for cross-checks only."""

    before: list[Command] = []
    ask: Command
    invalid: list[str] = []


class ScopeRules(Strict):
    """How a scope is told what to do.

    ``kept`` lists what ``setup`` changes and a person sees: asked before it, and set again at the end.
    """

    family: Literal["ten-field", "keyword"]
    channels: int = Field(ge=1, le=16)
    vertical_divisions: Positive
    horizontal_divisions: Positive
    setup: list[Command]
    kept: list[Setting] = []
    channel: ChannelRules
    limit_hz: Positive | None = None
    timebase: TimebaseRules
    trigger: TriggerRules
    run: RunRules
    waveform: WaveformRules
    pp: PeakToPeak


class Dialect(Strict):
    """One dialect file."""

    dialect: str
    role: Literal["meter", "scope", "generator"]
    does: str
    source: str
    link: LinkRules = LinkRules()
    identity: Marker | None = None
    proof: Marker | None = None
    clear: list[Command] = []
    errors: ErrorQueue | None = None
    events: Command | None = None
    meter: Annotated[AskingMeter | StreamingMeter, Field(discriminator="mode")] | None = None
    generator: GeneratorRules | None = None
    scope: ScopeRules | None = None
    recorded: list[Recorded] = []

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


def dialect_names() -> list[str]:
    """Names of all dialects."""
    return config_names("dialects")
