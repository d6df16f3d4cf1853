"""Parts of which all dialect files are made: commands, patterns, the link, and a setting that is read back."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

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
        if self.set is not None and self.form in {"number", "switch", "word"} and "{value}" not in self.set:
            raise ValueError(f"form {self.form} is sent with its value: set needs {{value}}")
        return self

    def require_means(self, *allowed: str) -> None:
        """Refuse a meaning that this setting cannot have.

        Parameters
        ----------
        *allowed : str
            Besides none, which is the first of them.

        Raises
        ------
        ValueError
            Another one.
        """
        if self.means not in {"", *allowed}:
            raise ValueError(f"means is one of {', '.join(allowed)} here, not {self.means}")
