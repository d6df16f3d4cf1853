"""The accuracy of an instrument, as its specification prints it, to a standard uncertainty."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ..quantities import comma_hint, parse_value

_TERM = re.compile(
    r"(?P<number>[0-9]+(?:\.[0-9]+)?|\.[0-9]+)\s*"
    r"(?P<unit>%\s*of\s*(?:the\s*)?range|%\s*(?:of\s*(?:the\s*)?)?full\s*scale|ppm\s*of\s*(?:the\s*)?range"
    r"|%(?:\s*of\s*(?:the\s*)?reading)?|ppm(?:\s*of\s*(?:the\s*)?reading)?"
    r"|digits?|counts?|mV|uV|V)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """Half-width of the error of one range: a part of the reading, a part of the range, digits, volts.

    Parameters
    ----------
    of_reading, of_range : float
        Relative.
    digits : float
        Times the last digit of the display.
    volts : float
        Absolute.
    """

    of_reading: float = 0.0
    of_range: float = 0.0
    digits: float = 0.0
    volts: float = 0.0

    @classmethod
    def parse(cls, text: str) -> Accuracy:
        """Read a specification.

        Parameters
        ----------
        text : str
            ``0.05 % + 3 digits``, ``0.5% + 2``, ``0.0035 % + 0.0005 % of range``, ``3 % of full scale``,
            ``1 % + 2 mV``.

        Raises
        ------
        ValueError
            Not such a text.

        Examples
        --------
        >>> Accuracy.parse("0.05 % + 3 digits")
        Accuracy(of_reading=0.0005, of_range=0.0, digits=3.0, volts=0.0)
        """
        parts = {"of_reading": 0.0, "of_range": 0.0, "digits": 0.0, "volts": 0.0}
        terms = text.strip().lstrip("±").removeprefix("+-").strip("() ").split("+")
        for index, term in enumerate(terms):
            match = _TERM.fullmatch(term.strip().strip("() "))
            unit = re.sub(r"\s+", " ", match["unit"] or "").lower() if match else ""
            if match is None or (not unit and index == 0):
                raise ValueError(f"expected an accuracy such as 0.05 % + 3 digits, got {text!r}{comma_hint(text)}")
            number = float(match["number"])
            if "range" in unit or "scale" in unit:
                parts["of_range"] += number * (1e-6 if unit.startswith("ppm") else 1e-2)
            elif unit.startswith(("%", "ppm")):
                parts["of_reading"] += number * (1e-6 if unit.startswith("ppm") else 1e-2)
            elif unit in {"v", "mv", "uv"}:
                parts["volts"] += number * {"v": 1.0, "mv": 1e-3, "uv": 1e-6}[unit]
            else:
                parts["digits"] += number
        return cls(**parts)

    def half_width_v(self, value_v: float, resolution_v: float, range_v: float) -> float:
        """Give the limit of error of a reading.

        Parameters
        ----------
        value_v : float
            The reading in volts.
        resolution_v : float
            Its last digit in volts.
        range_v : float
            Full scale in volts; where it is not known, infinite, the reading stands for it.

        Returns
        -------
        float
            In volts.
        """
        full_scale_v = abs(range_v) if math.isfinite(range_v) else abs(value_v)
        return (
            self.of_reading * abs(value_v) + self.of_range * full_scale_v + self.digits * resolution_v + self.volts
        )

    def std_v(self, value_v: float, resolution_v: float, range_v: float) -> float:
        """Give the standard uncertainty of a reading.

        Parameters
        ----------
        value_v, resolution_v, range_v : float
            As `half_width_v`.

        Returns
        -------
        float
            In volts: half-width over the square root of 3, a rectangular distribution (JCGM 100:2008, 4.3.7).

        Examples
        --------
        >>> round(Accuracy.parse("0.5 % + 2 digits").std_v(300.0, 0.1, 600.0), 2)
        0.98
        """
        return self.half_width_v(value_v, resolution_v, range_v) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class AccuracyTable:
    """Accuracy of every range.

    Parameters
    ----------
    by_range : mapping of float to Accuracy
        Keyed by full scale in volts; ``inf`` serves all ranges without an entry of their own.
    """

    by_range: Mapping[float, Accuracy]

    @classmethod
    def parse(cls, given: str | Mapping[str, str]) -> AccuracyTable:
        """Read one specification for all ranges, or one for each range.

        Parameters
        ----------
        given : str or mapping of str to str
            ``0.05 % + 3 digits``, or ``{600 mV: 0.5 % + 5 digits, 6 V: 0.5 % + 2 digits}``.

        Raises
        ------
        ValueError
            Not such a text, or a range that is given twice.
        """
        if isinstance(given, str):
            return cls({math.inf: Accuracy.parse(given)})
        if not given:
            raise ValueError("expected an accuracy such as 0.05 % + 3 digits")
        if bare := next((full_scale for full_scale, text in given.items() if not text), ""):
            raise ValueError(
                f"expected a range with its accuracy, got {bare!r} alone; "
                "a comma begins the next range (write a point, not a comma, in a number)"
            )
        by_range: dict[float, Accuracy] = {}
        written: dict[float, str] = {}
        for full_scale, text in given.items():
            range_v = abs(parse_value(full_scale))
            if range_v in by_range:
                raise ValueError(
                    f"{written[range_v]} and {full_scale} are one range: expected each range once, leave one out"
                )
            by_range[range_v], written[range_v] = Accuracy.parse(text), full_scale
        return cls(dict(sorted(by_range.items(), key=lambda pair: pair[0])))

    def for_range(self, range_v: float) -> Accuracy:
        """Give the accuracy of a range: its own entry, else the next higher, else the highest.

        Parameters
        ----------
        range_v : float
            Full scale in volts.
        """
        for full_scale_v, accuracy in self.by_range.items():
            if range_v <= full_scale_v * 1.001:
                return accuracy
        return list(self.by_range.values())[-1]
