"""The instrument's side of SCPI: framing, headers and parameters, without I/O.

IEEE Std 488.2-1992 clause 7 (messages) and SCPI-1999 volume 1 (headers, numeric suffixes, error numbers).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

LARGEST_MESSAGE = 1_000_000
"""Bytes of one message that an instrument is willing to hold."""

MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
"""Suffix multipliers of IEEE 488.2 table 7-2; ``M`` is milli except before HZ and OHM."""


class ScpiError(Exception):
    """An entry for the error queue.

    Parameters
    ----------
    code : int
        Number of SCPI-1999 volume 2 chapter 21; a maker's own are positive.
    text : str
        The standard's words, with device-dependent detail after a semicolon.
    """

    def __init__(self, code: int, text: str) -> None:
        super().__init__(code, text)
        self.code = code
        self.text = text


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit.

    Parameters
    ----------
    header : str
        As written, path included, upper case, without a leading colon.
    query : bool
        The header ended in a question mark.
    parameters : tuple of str or bytes
        As written, blanks stripped; bytes for an arbitrary block.
    """

    header: str
    query: bool
    parameters: tuple[str | bytes, ...]


class Framer:
    """Cuts a byte stream into messages at NL, but not inside a block or a quoted string."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Take bytes and yield every message they complete, without its NL.

        Parameters
        ----------
        data : bytes
            As they arrived.

        Raises
        ------
        ScpiError
            -363 when a message grows beyond what an instrument holds; the buffer is emptied.
        """
        self._buffer += data
        while (end := self._end()) is not None:
            message = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            yield message
        if len(self._buffer) > LARGEST_MESSAGE:
            self._buffer.clear()
            raise ScpiError(-363, "Input buffer overrun")

    def _end(self) -> int | None:
        position, quote = 0, 0
        buffer = self._buffer
        while position < len(buffer):
            byte = buffer[position]
            if quote:
                quote = 0 if byte == quote else quote
                if byte == 0x0A:  # NL always ends a message: an unclosed quote must not swallow the next one
                    return position
            elif byte == 0x0A:
                return position
            elif byte in b"\"'":
                quote = byte
            elif byte == 0x23 and (length := _block_length(buffer, position)) is not None:
                if length < 0:
                    return None
                position += length
                continue
            position += 1
        return None


def _block_length(data: bytes | bytearray, start: int) -> int | None:
    """Whole length of the definite block at ``start``; None if it is none, -1 if its header is not all here."""
    digits = data[start + 1 : start + 2]
    if not digits.isdigit() or digits == b"0":
        return None if digits else -1
    count = int(digits)
    field = data[start + 2 : start + 2 + count]
    if not field.isdigit():
        return -1 if not field else None
    return 2 + count + int(field) if len(field) == count else -1


def split_message(message: bytes) -> Iterator[Unit]:
    """Split a message into its units and resolve their headers against the path.

    Parameters
    ----------
    message : bytes
        Without its terminator.

    Yields
    ------
    Unit
        In order; a common command leaves the path where it was.

    Raises
    ------
    ScpiError
        -151 for an unclosed quote, -161 for a damaged block, -101 for a byte no header can hold.
    """
    path = ""
    for raw in _cut(message, b";"):
        raw = raw.strip(b"\r\t\x00 ")
        if not raw:
            continue
        head, _, tail = raw.replace(b"\t", b" ", 1).partition(b" ") if b"#" not in raw else _head_tail(raw)
        header = head.decode("latin-1").upper()
        query = header.endswith("?")
        header = header.removesuffix("?")
        if not re.fullmatch(r"\*[A-Z]+|:?[A-Z_][A-Z0-9_]*(:[A-Z_][A-Z0-9_]*)*", header):
            raise ScpiError(-101, f"Invalid character;{header[:40]}")
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else path + header
            path = header.rpartition(":")[0]
            path = f"{path}:" if path else ""
        yield Unit(header, query, tuple(_parameter(item) for item in _cut(tail, b",") if tail.strip()))


def _head_tail(raw: bytes) -> tuple[bytes, bytes, bytes]:
    match = re.match(rb"[^\s]+", raw)
    end = match.end() if match else 0
    return raw[:end], b" ", raw[end + 1 :]


def _cut(data: bytes, separator: bytes) -> Iterator[bytes]:
    """Split at a separator outside quotes and blocks."""
    start = position = 0
    quote = b""
    while position < len(data):
        byte = data[position : position + 1]
        if quote:
            quote = b"" if byte == quote else quote
        elif byte in b"\"'":
            quote = byte
        elif byte == b"#" and (length := _block_length(data, position)) is not None:
            if length < 0 or position + length > len(data):
                raise ScpiError(-161, "Invalid block data")
            position += length
            continue
        elif byte == separator:
            yield data[start:position]
            start = position + 1
        position += 1
    if quote:
        raise ScpiError(-151, "Invalid string data")
    yield data[start:]


def _parameter(raw: bytes) -> str | bytes:
    raw = raw.strip(b"\r\t\x00 ")
    length = _block_length(raw, 0) if raw.startswith(b"#") else None
    if length is not None and length > 0:
        return raw[2 + int(raw[1:2]) : length]
    return raw.decode("latin-1")


def short_form(word: str) -> str:
    """Short form of a header node written in the standard's way, capitals first.

    Parameters
    ----------
    word : str
        Such as ``VOLTage``.

    Examples
    --------
    >>> short_form("VOLTage"), short_form("NPLCycles")
    ('VOLT', 'NPLC')
    """
    return "".join(letter for letter in word if not letter.islower())


def compile_header(pattern: str) -> re.Pattern[str]:
    """Turn a header in the standard's notation into a matcher of upper-case headers.

    Parameters
    ----------
    pattern : str
        Such as ``[SENSe:]VOLTage[:DC]:RANGe[:UPPer]``; ``#`` after a node stands for a numeric suffix that is 1
        when left out.

    Examples
    --------
    >>> header = compile_header("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]")
    >>> [bool(header.fullmatch(text)) for text in ("VOLT:RANG", "SENSE:VOLT:DC:RANGE:UPP", "VOLTA:RANG")]
    [True, True, False]
    """
    parts = []
    for piece in re.findall(r"\*?[A-Za-z][A-Za-z0-9_]*|[\[\]:#]", pattern):
        if piece == "[":
            parts.append("(?:")
        elif piece == "]":
            parts.append(")?")
        elif piece == "#":
            parts.append(r"(\d*)")
        elif piece == ":":
            parts.append(":")
        else:
            long, short = piece.upper(), short_form(piece)
            names = [long] if short in {long, ""} else [long, short]
            parts.append("(?:" + "|".join(re.escape(name) for name in names) + ")")
    return re.compile("".join(parts))


_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*[+-]?\d+)?)\s*([A-Za-z/%]*)")
_BASED = {"H": 16, "Q": 8, "B": 2}


def parse_number(
    text: str | bytes,
    unit: str = "",
    *,
    low: float | None = None,
    high: float | None = None,
    default: float | None = None,
) -> float:
    """Read a decimal number, a based number, or MIN, MAX, DEF.

    Parameters
    ----------
    text : str or bytes
        The parameter as written.
    unit : str
        The one unit accepted, in capitals, with any multiplier; empty refuses every suffix.
    low, high, default : float, optional
        What MINimum, MAXimum and DEFault mean, and the limits.

    Returns
    -------
    float
        In the base unit.

    Raises
    ------
    ScpiError
        -104, -121, -131 or -138 for a wrong parameter, -222 beyond the limits.

    Examples
    --------
    >>> parse_number("10 mV", "V"), parse_number("#HFF"), parse_number("1.5kHz", "HZ")
    (0.01, 255.0, 1500.0)
    """
    if isinstance(text, bytes):
        raise ScpiError(-168, "Block data not allowed")
    word = text.upper()
    named = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high, "DEF": default, "DEFAULT": default}
    if word in named:
        value = named[word]
        if value is None:
            raise ScpiError(-141, f"Invalid character data;{text}")
        return value
    if word[:1] == "#" and word[1:2] in _BASED:
        try:
            value = float(int(word[2:], _BASED[word[1]]))
        except ValueError:
            raise ScpiError(-121, f"Invalid character in number;{text}") from None
    else:
        match = _NUMBER.fullmatch(text)
        if match is None:
            raise ScpiError(-121 if word[:1].isdigit() else -104, f"Data type error;{text}")
        value = float(match.group(1).replace(" ", "")) * _multiplier(match.group(2).upper(), unit)
    if abs(value) > 9e37:
        raise ScpiError(-123, f"Exponent too large;{text}")
    if (low is not None and value < low) or (high is not None and value > high):
        raise ScpiError(-222, f"Data out of range;{text}")
    return value


def _multiplier(suffix: str, unit: str) -> float:
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138, f"Suffix not allowed;{suffix}")
    if suffix.endswith(unit):
        prefix = suffix[: -len(unit)]
        if prefix == "M" and unit in {"HZ", "OHM"}:
            return 1e6
        if prefix in MULTIPLIERS:
            return MULTIPLIERS[prefix]
    raise ScpiError(-131, f"Invalid suffix;{suffix}")


def parse_boolean(text: str | bytes) -> bool:
    """Read ON, OFF or a number, which is true when it rounds to anything but 0.

    Parameters
    ----------
    text : str or bytes
        The parameter as written.

    Raises
    ------
    ScpiError
        -104 otherwise.
    """
    if isinstance(text, str) and text.upper() in {"ON", "OFF"}:
        return text.upper() == "ON"
    return round(parse_number(text)) != 0


def parse_choice(text: str | bytes, choices: tuple[str, ...]) -> str:
    """Read character data and return its short form.

    Parameters
    ----------
    text : str or bytes
        The parameter as written.
    choices : tuple of str
        In the standard's notation, such as ``("SINusoid", "SQUare")``.

    Raises
    ------
    ScpiError
        -104 for a block, -224 for a word that is not offered.
    """
    if isinstance(text, bytes):
        raise ScpiError(-168, "Block data not allowed")
    for choice in choices:
        if text.upper() in {choice.upper(), short_form(choice)}:
            return short_form(choice)
    raise ScpiError(-224, f"Illegal parameter value;{text}")


def parse_string(text: str | bytes) -> str:
    """Read a quoted string, inner quotes doubled.

    Parameters
    ----------
    text : str or bytes
        The parameter as written.

    Raises
    ------
    ScpiError
        -151 when it is not quoted.
    """
    if isinstance(text, str) and len(text) >= 2 and text[0] == text[-1] and text[0] in "\"'":
        return text[1:-1].replace(text[0] * 2, text[0])
    raise ScpiError(-151, "Invalid string data")


def format_block(data: bytes) -> bytes:
    """Write a definite-length arbitrary block.

    Parameters
    ----------
    data : bytes
        The content.

    Examples
    --------
    >>> format_block(b"hello")
    b'#15hello'
    """
    length = str(len(data))
    return f"#{len(length)}{length}".encode() + data
