"""From the bytes of a waveform to volts and seconds: one pure decoder for each family of scopes."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..errors import OverRange, ReplyMalformed
from ..scpi import parse_integer, parse_number, parse_string, split_list
from .dialect import WaveformRules

CLIP_COUNT = 2
"""More samples than this at the end of the converter range make a clipped record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preamble:
    """What the scope says about its samples.

    Parameters
    ----------
    points : int
        Samples announced.
    bits : int
        8 or 16.
    signed : bool
        Two's complement, or offset binary.
    msb_first : bool
        Byte order of 16-bit samples.
    scale_v, offset_v : float
        Volts at the tip are ``code * scale_v + offset_v``.
    t0_s, dt_s : float
        Time of the first sample against the trigger, and interval, in seconds.
    converter_bits : int, optional
        Where the converter fills only the lower bits of a sample, how many; see `justified`.
    """

    points: int
    bits: int
    signed: bool
    msb_first: bool
    scale_v: float
    offset_v: float
    t0_s: float
    dt_s: float
    converter_bits: int | None = None

    def __post_init__(self) -> None:
        numbers = (self.scale_v, self.offset_v, self.t0_s, self.dt_s)
        if not all(math.isfinite(number) for number in numbers) or self.scale_v == 0 or self.dt_s <= 0:
            raise malformed(repr(self), "a preamble with a known scale")
        if self.points <= 0 or self.bits not in {8, 16}:
            raise malformed(repr(self), "a preamble with points of 8 or 16 bits")

    @property
    def dtype(self) -> np.dtype:
        """Type of a sample as it comes over the link."""
        kind = "i" if self.signed else "u"
        return np.dtype(f"{'>' if self.msb_first else '<'}{kind}{self.bits // 8}")

    @property
    def full_scale_v(self) -> float:
        """Height of the whole converter range in volts."""
        return float(abs(self.scale_v) * (2 ** (self.converter_bits or self.bits) - 1))


def malformed(text: str, expected: str) -> ReplyMalformed:
    """Build the error for a waveform that cannot be right.

    Parameters
    ----------
    text, expected : str
        What came and what should have.
    """
    return ReplyMalformed(
        f"expected {expected}, got {text[:100]!r}",
        hint="does the dialect fit this scope? take the record again",
        raw=text.encode("latin-1", "replace"),
        expected=expected,
    )


def parse_preamble(text: str, rules: WaveformRules) -> Preamble:
    """Read a preamble of either family.

    Parameters
    ----------
    text : str
        The reply.
    rules : WaveformRules
        From the dialect; ``volts`` names the formula.

    Returns
    -------
    Preamble
        With scale and offset worked out.

    Raises
    ------
    ReplyMalformed
        Fields are missing, are not numbers, or say something that must not be fitted: peak detection, text samples,
        an unknown scale.

    Notes
    -----
    Ten fields, y origin in volts: ``v = (code - yref) * yinc + yorg``. Ten fields, y origin in codes:
    ``v = (code - yorg - yref) * yinc``. Keywords: ``v = (code - YOFF) * YMULT + YZERO``. Times
    ``t[i] = (i - xref) * xinc + xorg`` and ``t[i] = XZERO + (i - PT_OFF) * XINCR``. From public programming guides.
    """
    try:
        return _keywords(text, rules) if rules.volts == "keywords" else _ten_fields(text, rules)
    except OverRange:
        raise malformed(text, "a preamble of ordinary numbers") from None


def _ten_fields(text: str, rules: WaveformRules) -> Preamble:
    given = split_list(text)
    if len(given) < len(rules.fields):  # later models append fields
        raise malformed(text, f"{len(rules.fields)} numbers")
    field = dict(zip(rules.fields, given, strict=False))
    kind = rules.types.get(str(parse_integer(field["type"])), "unknown")
    if kind in {"peak", "unknown"}:
        raise malformed(text, f"a record that is not {kind}, which cannot be fitted")
    form = rules.formats.get(str(parse_integer(field["format"])), "unknown")
    if form not in {"byte", "word"}:
        raise malformed(text, f"binary samples, not {form}")
    yinc, yorg, yref = (parse_number(field[name]) for name in ("yinc", "yorg", "yref"))
    xinc, xorg, xref = (parse_number(field[name]) for name in ("xinc", "xorg", "xref"))
    in_volts = rules.volts == "origin-in-volts"
    return Preamble(
        points=parse_integer(field["points"]),
        bits=8 if form == "byte" else 16,
        signed=rules.signed,
        msb_first=rules.order == "msb",
        scale_v=yinc,
        offset_v=yorg - yref * yinc if in_volts else -(yorg + yref) * yinc,
        t0_s=xorg - xref * xinc,
        dt_s=xinc,
    )


KEYWORDS = {
    "BYT_NR": ("BYT_NR", "BYT_N"),
    "BN_FMT": ("BN_FMT", "BN_F"),
    "BYT_OR": ("BYT_OR", "BYT_O"),
    "NR_PT": ("NR_PT", "NR_P"),
    "PT_FMT": ("PT_FMT", "PT_F"),
    "XINCR": ("XINCR", "XIN"),
    "XZERO": ("XZERO", "XZE"),
    "PT_OFF": ("PT_OFF", "PT_O"),
    "YMULT": ("YMULT", "YMU"),
    "YOFF": ("YOFF", "YOF"),
    "YZERO": ("YZERO", "YZE"),
}
"""Each keyword with its short form."""


def _keywords(text: str, rules: WaveformRules) -> Preamble:
    field = _by_keyword(text)
    missing = [name for name in KEYWORDS if name not in field]
    if missing:
        raise malformed(text, f"a preamble with {', '.join(missing)}")
    if field["PT_FMT"].upper() != "Y":
        raise malformed(text, "single points (PT_FMT Y), because an envelope cannot be fitted")
    binary = field["BN_FMT"].upper()
    order = field["BYT_OR"].upper()
    width = parse_integer(field["BYT_NR"])
    if binary not in {"RI", "RP"} or order not in {"MSB", "LSB"} or width not in {1, 2}:
        raise malformed(text, "BN_FMT RI or RP, BYT_OR MSB or LSB, BYT_NR 1 or 2")
    scale_v = parse_number(field["YMULT"])
    dt_s = parse_number(field["XINCR"])
    return Preamble(
        points=parse_integer(field["NR_PT"]),
        bits=8 * width,
        signed=binary == "RI",
        msb_first=order == "MSB",
        scale_v=scale_v,
        offset_v=parse_number(field["YZERO"]) - parse_number(field["YOFF"]) * scale_v,
        t0_s=parse_number(field["XZERO"]) - parse_number(field["PT_OFF"]) * dt_s,
        dt_s=dt_s,
    )


def _by_keyword(text: str) -> Mapping[str, str]:
    """Take a reply such as ``:WFMO:BYT_NR 1;BN_FMT RI;...`` apart; any case, path before a keyword allowed."""
    ours = {each: name for name, forms in KEYWORDS.items() for each in forms}
    found: dict[str, str] = {}
    for part in split_list(text, ";"):
        match = re.fullmatch(r"(?:\S*:)?([A-Za-z_]+)\s+(\S.*)", part, re.DOTALL)
        if match is None:
            continue
        name = ours.get(match.group(1).upper())
        if name is None:
            continue
        if name in found:
            raise malformed(text, f"{name} only once")
        found[name] = parse_string(match.group(2))
    return found


def decode_codes(data: bytes, preamble: Preamble) -> np.ndarray:
    """Turn the bytes of a waveform into codes.

    Parameters
    ----------
    data : bytes
        The payload of all pages in order.
    preamble : Preamble
        Says how many, how wide, and in which order.

    Returns
    -------
    ndarray, shape (points,)
        8- or 16-bit integers in the machine's byte order.

    Raises
    ------
    ReplyMalformed
        Other than the announced number of bytes.
    """
    width = preamble.bits // 8
    if len(data) != preamble.points * width:
        raise malformed(f"{len(data)} bytes", f"{preamble.points} samples of {width} bytes")
    codes = np.frombuffer(data, dtype=preamble.dtype)
    return codes.astype(preamble.dtype.newbyteorder("="))


def justified(preamble: Preamble, codes: np.ndarray, screen_v: float) -> Preamble:
    """Find out how many bits the converter fills, which no preamble says.

    Parameters
    ----------
    preamble : Preamble
        As read.
    codes : ndarray, shape (N,)
        From `decode_codes`.
    screen_v : float
        Height of the screen in volts at the tip, as it was set.

    Returns
    -------
    Preamble
        With ``converter_bits`` where fewer than all bits reach over the screen: 10 or 12 of them, right-justified
        in 16, make the range of the 16 many times as high as what the scope shows.
    """
    for bits in range(8, preamble.bits):
        low = -(2 ** (bits - 1)) if preamble.signed else 0
        is_within = codes.min() >= low and codes.max() < low + 2**bits
        if is_within and abs(preamble.scale_v) * 2**bits >= screen_v * 0.999:
            return replace(preamble, converter_bits=bits)
    return preamble


def is_clipped(codes: np.ndarray, preamble: Preamble) -> bool:
    """Tell whether a record touches the end of the converter range.

    Parameters
    ----------
    codes : ndarray, shape (N,)
        From `decode_codes`.
    preamble : Preamble
        For the width.

    Notes
    -----
    The two first or last codes more than twice: where the middle is code 127 the upper end is 254. Scopes of 8 to
    12 bits may send them left-justified in 16, and one that averages fills the bits below, so no step of the codes
    tells where the converter ends: there the two last of 256 parts of the range count as its end, as with 8 bits.
    """
    bits = preamble.converter_bits or preamble.bits
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if preamble.signed else (0, 2**bits - 1)
    part = 2 ** (bits - 8)
    first, last = low + part, high + 1 - 2 * part
    return bool(np.count_nonzero(codes <= first) > CLIP_COUNT or np.count_nonzero(codes >= last) > CLIP_COUNT)
