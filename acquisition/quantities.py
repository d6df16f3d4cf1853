"""Numbers as people at a bench write them: ``4k7``, ``4.7k``, ``R47``, ``22n``, ``0.022u``, ``5%``, ``-20% +50%``.

SI prefixes as in the SI brochure; the letter in place of the point is the code of IEC 60062. ``M`` is mega and
``m`` is milli: capitals matter, except that ``K`` is read as ``k``.
"""

from __future__ import annotations

import math
import re

_PREFIXES = {
    "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0, "R": 0, "r": 0, "k": 3, "K": 3, "M": 6, "G": 9,
}  # fmt: skip
# By number: an editor that normalises text turns the ohm sign into an omega, and the two look alike.
_UNITS = "(?:(?i:ohms?|F|H|V|A|Hz|W)|\u03a9|\u2126|s)?"
_CODE = re.compile(rf"([+-]?)(\d*)([pnuµμmRrkKMG])(\d+)\s*{_UNITS}")
_PLAIN = re.compile(rf"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([pnuµμmRrkKMG]?)\s*{_UNITS}")
_LONGEST = 60
_PRINTED_MINUS = str.maketrans("\N{MINUS SIGN}\N{EN DASH}", "--")
"""What a printed sheet, a spreadsheet and this program's own report put before a negative number."""
_GROUPED = re.compile(r"[1-9]\d{0,2}(?:,\d{3})+(?!\d)")
_PERCENT = re.compile(r"([+-]?)\s*(\d+(?:\.\d+)?)\s*%")


def with_plain_minus(text: str) -> str:
    """Write the minus sign of print, where text was copied from a sheet or a report, as the one of a keyboard.

    Parameters
    ----------
    text : str
        Any.

    Examples
    --------
    >>> with_plain_minus("\N{MINUS SIGN}28.1")
    '-28.1'
    """
    return text.translate(_PRINTED_MINUS)


def comma_hint(text: str) -> str:
    """What to add to a refusal where somebody wrote a decimal comma; empty where nobody did.

    Parameters
    ----------
    text : str
        What was refused.
    """
    if _GROUPED.match(text.strip()):
        return " (no comma between thousands, and a point before decimals)"
    return " (write a point, not a comma)" if re.search(r"\d,\d", text) else ""


def _meant(text: str) -> str:
    """What to add to a refusal where only the capitals of a prefix are in the way; empty where more is."""
    written = re.sub("(?i)meg", "M", text.strip())
    written = re.sub(r"(?<=\d)[PNU](?=\d|[fF]|$)", lambda found: found[0].lower(), written)
    return (
        f": write {written}"
        if written != text.strip() and (_CODE.fullmatch(written) or _PLAIN.fullmatch(written))
        else ""
    )


def parse_value(text: str) -> float:
    """Read a part value or any number with an SI prefix.

    Parameters
    ----------
    text : str
        Such as ``4k7``, ``4.7k``, ``22n``, ``0.022 uF``, ``1M``, ``8``, ``1R5``, ``R47``.

    Returns
    -------
    float
        In the base unit.

    Raises
    ------
    ValueError
        The text is not such a number; the message says what was expected.

    Examples
    --------
    >>> parse_value("4k7"), parse_value("4.7k"), parse_value("22n"), parse_value("1M"), parse_value("1R5")
    (4700.0, 4700.0, 2.2e-08, 1000000.0, 1.5)
    """
    cleaned = with_plain_minus(text.strip()) if len(text) <= _LONGEST else ""
    if match := _CODE.fullmatch(cleaned):
        sign, whole, letter, fraction = match.groups()
        number, exponent = f"{sign}{whole or 0}.{fraction}", _PREFIXES[letter]
    elif match := _PLAIN.fullmatch(cleaned):
        number, exponent = match.group(1), _PREFIXES[match.group(2)]
    else:
        raise ValueError(
            f"expected a value such as 4k7, 4.7k, 22n or 1M, got {text!r}{comma_hint(text)}{_meant(text)}"
        )
    # Through decimal text, so that 22n is the float nearest to 22e-9 and not 22 times an inexact 1e-9.
    mantissa, _, power = number.lower().partition("e")
    value = float(f"{mantissa}e{int(power or 0) + exponent}")
    if not math.isfinite(value):
        raise ValueError(f"expected a finite value, got {text!r}")
    return value


def format_value(value: float, unit: str = "", digits: int = 3) -> str:
    """Write a number with an SI prefix and a given number of significant digits.

    Parameters
    ----------
    value : float
        In the base unit.
    unit : str
        Appended after the prefix.
    digits : int
        Significant digits.

    Examples
    --------
    >>> format_value(4700.0), format_value(2.2e-8, "F"), format_value(1.5e6, "ohm"), format_value(0.0, "V")
    ('4.7 k', '22 nF', '1.5 Mohm', '0 V')
    """
    if not math.isfinite(value):
        return f"{value} {unit}".rstrip()
    if value == 0:
        return f"0 {unit}".rstrip()
    exponent = math.floor(math.log10(abs(value)))
    rounded = round(value, digits - 1 - exponent)
    exponent = math.floor(math.log10(abs(rounded)))
    step = min(9, max(-12, 3 * (exponent // 3)))
    prefix = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}[step]
    scaled = rounded / 10.0**step
    decimals = max(0, digits - 1 - (exponent - step))
    number = f"{scaled:.{decimals}f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {prefix}{unit}".rstrip()


def parse_tolerance(text: str) -> tuple[float, float]:
    """Read a tolerance.

    Parameters
    ----------
    text : str
        ``5%``, ``+-20%``, ``+/-20%`` or ``-20% +50%``.

    Returns
    -------
    tuple of float
        Lower and upper relative limit; the lower is negative or zero: ``(-0.2, 0.5)``.

    Raises
    ------
    ValueError
        The text is not a tolerance.

    Examples
    --------
    >>> parse_tolerance("5%"), parse_tolerance("-20% +50%")
    ((-0.05, 0.05), (-0.2, 0.5))
    """
    plain = with_plain_minus(text.strip()) if len(text) <= _LONGEST else ""
    cleaned = plain.replace("+/-", "").replace("+-", "").replace("±", "")
    found = _PERCENT.findall(cleaned)
    if found and not _PERCENT.sub("", cleaned).strip():
        limits = [(sign, float(number) / 100.0) for sign, number in found]
        if len(limits) == 1 and limits[0][0] == "":
            return (-limits[0][1], limits[0][1])
        if len(limits) == 2 and limits[0][0] == "-" and limits[1][0] == "+":
            return (-limits[0][1], limits[1][1])
    raise ValueError(f"expected a tolerance such as 5% or -20% +50%, got {text!r}{comma_hint(text)}")
