"""Reading replies: numbers, strings, lists, identities, error queue entries, status.

Each function takes one reply as text and either returns what it says or raises `ReplyMalformed`. Nothing is ever
guessed: what does not parse is an error, never zero.
"""

from __future__ import annotations

import enum
import math
import re
from dataclasses import dataclass

from ..errors import OverRange, ReplyMalformed

SPECIAL_FROM = 9e37
"""From here on a number is a message: infinity is 9.9E37, not-a-number 9.91E37 (SCPI-1999 volume 1, 7.2.1)."""

_NOT_A_NUMBER = 9.91e37
# NR1, NR2 and NR3 of IEEE Std 488.2-1992 8.7.2 to 8.7.4, with the leniency NRf allows a sender: a point at either
# end. No blanks inside, no hexadecimal, no underscore, no "nan" and "inf", all of which float() would take.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]{1,3})?")
_INTEGER = re.compile(r"[+-]?[0-9]{1,18}")
_HEADER = re.compile(r":?\*?[A-Za-z][A-Za-z0-9_:]*\s+(?=\S)")
_ENTRY = re.compile(r'([+-]?[0-9]{1,5})(?:\s*,\s*(".*"|[^"]*))?', re.DOTALL)


def decode_reply(raw: bytes) -> str:
    """Turn the bytes of one reply into text.

    Parameters
    ----------
    raw : bytes
        With or without its terminator.

    Returns
    -------
    str
        Line ends, blanks and NUL at both ends dropped. Decoded as latin-1, because units such as the micro and
        degree sign come as bytes above 0x7F.
    """
    return raw.decode("latin-1").strip(" \t\r\n\0")


def _malformed(text: str, expected: str) -> ReplyMalformed:
    shown = text if len(text) <= 60 else f"{text[:57]}..."
    return ReplyMalformed(
        f"expected {expected}, got {shown!r}",
        hint="the link is put into step before the next question; if it happens again, check dialect and cable",
        raw=text.encode("latin-1", "replace"),
        expected=expected,
    )


def parse_number(text: str) -> float:
    """Read a number; special numbers never get through as numbers.

    Parameters
    ----------
    text : str
        NR1, NR2 or NR3.

    Returns
    -------
    float
        Finite, or NaN where the instrument says not-a-number (9.91E37).

    Raises
    ------
    OverRange
        Infinity of either sign (9.9E37, or anything from 9E37 on).
    ReplyMalformed
        Not a number.

    Examples
    --------
    >>> parse_number("+1.23456789E+00"), parse_number("12.50"), parse_number("+123"), parse_number("9.91E37")
    (1.23456789, 12.5, 123.0, nan)
    """
    cleaned = text.strip()
    if _NUMBER.fullmatch(cleaned) is None:
        raise _malformed(text, "a number")
    value = float(cleaned)
    if abs(value) >= SPECIAL_FROM:
        if math.isclose(abs(value), _NOT_A_NUMBER, rel_tol=1e-4):
            return math.nan
        sign = "above" if value > 0 else "below"
        raise OverRange(
            f"the value is {sign} the range of the instrument",
            hint="unknown and high, not zero: use a higher range",
        )
    return value


def parse_integer(text: str) -> int:
    """Read a whole number (NR1, or NR2 and NR3 with a whole value, as some firmware sends counts).

    Parameters
    ----------
    text : str
        One number.

    Raises
    ------
    ReplyMalformed
        Not a whole number.

    Examples
    --------
    >>> parse_integer("+600"), parse_integer("6.00E+02")
    (600, 600)
    """
    cleaned = text.strip()
    if _INTEGER.fullmatch(cleaned):
        return int(cleaned)
    value = parse_number(cleaned)
    if not math.isfinite(value) or value != math.floor(value):
        raise _malformed(text, "a whole number")
    return int(value)


def parse_switch(text: str) -> bool:
    """Read a boolean: ``1``, ``0``, ``ON`` or ``OFF``.

    Parameters
    ----------
    text : str
        The standard sends digits (SCPI-1999 volume 1, 7.3); words are seen in the field.
    """
    word = text.strip().upper()
    if word in {"1", "+1", "ON"}:
        return True
    if word in {"0", "+0", "OFF"}:
        return False
    raise _malformed(text, "ON, OFF, 1 or 0")


def parse_string(text: str) -> str:
    """Read string response data: quotes dropped, doubled quotes made single; bare words are taken as they are.

    Parameters
    ----------
    text : str
        One element of a reply.

    Examples
    --------
    >>> parse_string('"VOLT:DC"'), parse_string('"say ""ah"" now"'), parse_string("VOLT")
    ('VOLT:DC', 'say "ah" now', 'VOLT')
    """
    cleaned = text.strip()
    if cleaned[:1] not in {'"', "'"}:
        return cleaned
    quote = cleaned[0]
    inner = cleaned[1:-1]
    if len(cleaned) < 2 or cleaned[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise _malformed(text, "a quoted string")
    return inner.replace(quote * 2, quote)


def split_list(text: str, separator: str = ",") -> list[str]:
    """Split a reply at its commas, or at semicolons, but not inside quotes.

    Parameters
    ----------
    text : str
        A whole reply.
    separator : str
        One character.

    Raises
    ------
    ReplyMalformed
        A quote is not closed.

    Examples
    --------
    >>> split_list('1,"a,b",3')
    ['1', '"a,b"', '3']
    """
    parts, start, quote = [], 0, ""
    for index, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == separator:
            parts.append(text[start:index].strip())
            start = index + 1
    if quote:
        raise _malformed(text, "closed quotes")
    return [*parts, text[start:].strip()]


def strip_header(text: str) -> str:
    """Drop the header some instruments put before their value: ``:CH1:SCA 5.0E-1`` gives ``5.0E-1``.

    Parameters
    ----------
    text : str
        A whole reply.
    """
    return _HEADER.sub("", text, count=1) if _HEADER.match(text) else text


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of ``*IDN?`` (IEEE Std 488.2-1992, 10.14).

    Parameters
    ----------
    maker, model, serial, firmware : str
        As sent; ``0`` or empty where the instrument does not know. Commas beyond the third belong to the firmware.
    """

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        known = self.serial not in {"", "0"}
        return f"{self.maker} {self.model}" + (f", serial {self.serial}" if known else "")


def parse_identity(text: str) -> Identity:
    """Read the reply to ``*IDN?``.

    Parameters
    ----------
    text : str
        Four fields; two or three are seen in the field and accepted.

    Raises
    ------
    ReplyMalformed
        Fewer than two fields, or nothing in them: a stale number from an earlier query is not an identity.

    Examples
    --------
    >>> parse_identity("QUAYSIDE,BENCH METER,0,1.0,boot 2").firmware
    '1.0,boot 2'
    """
    fields = [field.strip().strip('"') for field in text.split(",", 3)]
    if len(fields) < 2 or not any(re.search("[A-Za-z]", field) for field in fields[:2]):
        raise _malformed(text, "an identity of four fields")
    if not text.isprintable():
        raise _malformed(text, "an identity of printable text")
    return Identity(*fields, *[""] * (4 - len(fields)))


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of the error queue (SCPI-1999 volume 2, 21.8).

    Parameters
    ----------
    code : int
        Negative codes are the standard's, positive the maker's own, 0 means the queue is empty.
    text : str
        As sent.
    """

    code: int
    text: str

    def __str__(self) -> str:
        return f"{self.code} {self.text}"

    @property
    def kind(self) -> str:
        """Class of the code: command, execution, device, query, event, or the instrument's own."""
        hundred = -self.code // 100 if self.code < 0 else 0
        return {1: "command", 2: "execution", 3: "device", 4: "query"}.get(
            hundred, "event" if self.code < 0 else "the instrument's own"
        )


def parse_error_entry(text: str) -> ErrorEntry:
    """Read one reply of the error queue.

    Parameters
    ----------
    text : str
        ``-113,"Undefined header"``; ``0,"No error"``, ``+0,"No error"``, ``0,No error`` and ``0`` are all seen.

    Raises
    ------
    ReplyMalformed
        No code at the start.

    Examples
    --------
    >>> parse_error_entry('-113,"Undefined header;MEASU:VOLT?"').code
    -113
    >>> [parse_error_entry(text).code for text in ('0,"No error"', '+0,"No error"', "0,No error", "0")]
    [0, 0, 0, 0]
    """
    match = _ENTRY.fullmatch(text.strip())
    if match is None:
        raise _malformed(text, "an error code with text")
    words = match.group(2) or ""
    return ErrorEntry(int(match.group(1)), parse_string(words) if words.startswith('"') else words.strip())


class EventStatus(enum.IntFlag):
    """Standard event status register, ``*ESR?``; reading clears it (IEEE Std 488.2-1992, 11.5.1)."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128
