"""Numbers and findings in words: what a report, a page or a terminal says of them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from acquisition.quantities import format_value
from acquisition.records import QUANTITIES, Measurand

from ..chassis.description import value_otherwise
from ..faults import Fault

QUANTITY_WORDS = {
    "dc_v": "DC",
    "pp_v": "signal p\u2011p",
    "rms_v": "rms",
    "gain": "gain",
    "phase_deg": "phase",
    "ripple_pp_v": "ripple p\u2011p",
    "thd_pct": "distortion",
    "cold_ohm": "ohms, cold",
}
"""What a quantity is called where its unit does not say it."""

_PREFIX = {-6: "µ", -3: "m", 0: "", 3: "k", 6: "M"}
TO_ASCII = str.maketrans(
    {"−": "-", "→": ">", "×": "x", "°": " deg", "Ω": "ohm", "µ": "u", "±": "+-", "–": "-", "\u2011": "-"}
)


def standing_text(pulled: Sequence[str]) -> str:
    """How a chassis stood: tubes out of their sockets, parts lifted at one end, another load.

    Parameters
    ----------
    pulled : sequence of str
        As `Pass.pulled`.

    Examples
    --------
    >>> standing_text(["V3", "V4"]), standing_text([]), standing_text(["R15", "RL=16"])
    ('V3, V4 out of circuit', 'all in circuit', 'R15 out of circuit, RL of 16 ohm')
    """
    out = ", ".join(name for name in pulled if "=" not in name)
    others = [
        f"{name.partition('=')[0]} of {format_value(value_otherwise(name), 'ohm')}"
        for name in pulled
        if "=" in name
    ]
    return ", ".join([*([f"{out} out of circuit"] if out else []), *others]) or "all in circuit"


def quantity_text(value: float, quantity: str, digits: int = 4, *, ascii_only: bool = False) -> str:
    """A value with its unit, as people write it.

    Parameters
    ----------
    value : float
        In the unit of the quantity.
    quantity : str
        A key of ``QUANTITIES``.
    digits : int
        Significant digits.
    ascii_only : bool
        For a terminal.

    Examples
    --------
    >>> quantity_text(0.0123, "dc_v"), quantity_text(51.234, "gain"), quantity_text(-178.94, "phase_deg")
    ('12.30 mV', '×51.23', '−178.9°')
    """
    if not math.isfinite(value):
        return "–" if not ascii_only else "-"
    if quantity == "gain":
        text = f"×{_plain(value, digits)}"
    elif quantity == "phase_deg":
        text = f"{value:.1f}°"
    elif quantity == "thd_pct":
        text = f"{_plain(value, 3)} %"
    else:
        unit = _unit(quantity)
        step = _step(abs(value), unit) if value else 0
        text = f"{_plain(value / 10.0**step, digits)} {_PREFIX[step]}{unit}"
    text = text.replace("-", "−")
    return text.translate(TO_ASCII) if ascii_only else text


def _plain(value: float, digits: int) -> str:
    """A number without exponent, with a given number of significant digits."""
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(decimals, 9)}f}"


def with_uncertainty(value: float, std: float | None, quantity: str, *, ascii_only: bool = False) -> str:
    """A value with its 95 % interval (k = 2), both to the digit that the uncertainty allows.

    Parameters
    ----------
    value : float
        In the unit of the quantity.
    std : float or None
        Standard uncertainty.
    quantity : str
        A key of ``QUANTITIES``, or a unit.
    ascii_only : bool
        For a terminal.

    Examples
    --------
    >>> with_uncertainty(86.0712, 0.432, "dc_v"), with_uncertainty(-0.0281, 0.0021, "dc_v")
    ('86.07 ± 0.86 V', '−28.1 ± 4.2 mV')
    >>> with_uncertainty(51.234, None, "gain"), with_uncertainty(-178.94, 0.61, "phase_deg")
    ('×51.23', '−178.9 ± 1.2°')
    """
    if std is None or std <= 0:
        return quantity_text(value, quantity, ascii_only=ascii_only)
    text = _written((value, 2 * std), " ± ", std, quantity)
    return text.translate(TO_ASCII) if ascii_only else text


def to_its_uncertainty(value: float, std: float | None, quantity: str, *, ascii_only: bool = False) -> str:
    """A value with no more digits than its uncertainty allows, the interval left out.

    Parameters
    ----------
    value : float
        In the unit of the quantity.
    std : float or None
        Standard uncertainty.
    quantity : str
        A key of ``QUANTITIES``.
    ascii_only : bool
        For a terminal.

    Examples
    --------
    >>> to_its_uncertainty(86.0712, 0.432, "dc_v"), to_its_uncertainty(-0.0002755, 0.002, "dc_v")
    ('86.07 V', '−0.3 mV')
    >>> to_its_uncertainty(-2.6e-7, 0.0002, "dc_v")
    '0.00 mV'
    """
    if std is None or std <= 0:
        return quantity_text(value, quantity, ascii_only=ascii_only)
    text = _written((value,), "", std, quantity)
    return text.translate(TO_ASCII) if ascii_only else text


def band_text(low: float, high: float, std: float, quantity: str, *, ascii_only: bool = False) -> str:
    """The limits of a band, to the digit that its width and the reading's uncertainty make worth telling.

    Parameters
    ----------
    low, high : float
        In the unit of the quantity.
    std : float
        Standard uncertainty of what is compared with the band.
    quantity : str
        A key of ``QUANTITIES``, or a unit.
    ascii_only : bool
        For a terminal.

    Examples
    --------
    >>> band_text(189.62, 246.03, 0.5, "dc_v"), band_text(-0.05, 0.05, 1e-4, "dc_v")
    ('190 to 246 V', '−50 to 50 mV')
    >>> band_text(48.13, 61.2, 0.4, "gain"), band_text(-1e-7, 3e-7, 1e-3, "dc_v")
    ('×48.1 to 61.2', '0.0 to 0.0 mV')
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return "–" if not ascii_only else "-"
    spread = max((high - low) / 4, std, 1e-9)
    text = _written((low, high), " to ", spread, quantity)
    return text.translate(TO_ASCII) if ascii_only else text


def _written(values: tuple[float, ...], between: str, std: float, quantity: str) -> str:
    """Values with one unit, rounded where the second digit of twice ``std`` stands."""
    unit = _unit(quantity)
    # What is lost in its uncertainty takes the prefix of that: 0.00 mV, not 0 µV.
    step = _step(max(20 * std, *map(abs, values)), unit) if unit in ("V", "Ω") else 0
    scale = 10.0**step
    decimals = min(9, max(0, 1 - math.floor(math.log10(2 * std / scale))))
    # A zero is added so that what rounds to nothing carries no sign.
    body = between.join(f"{round(value / scale, decimals) + 0.0:.{decimals}f}" for value in values)
    text = {"gain": f"×{body}", "phase_deg": f"{body}°", "thd_pct": f"{body} %"}.get(
        quantity, f"{body} {_PREFIX[step]}{unit}"
    )
    return text.replace("-", "−")


def _unit(quantity: str) -> str:
    """The unit of a quantity, or the unit itself, with its sign."""
    unit = QUANTITIES.get(quantity, quantity)
    return "Ω" if unit == "ohm" else unit


def _step(size: float, unit: str) -> int:
    """Power of ten of the prefix; values just below a prefix that round up to it keep the smaller one."""
    least, most = (0, 6) if unit == "Ω" else (-6, 3)
    return min(most, max(least, 3 * math.floor(math.log10(size) / 3)))


def frequency_text(freq_hz: float) -> str:
    """A frequency.

    Parameters
    ----------
    freq_hz : float
        In hertz.

    Examples
    --------
    >>> frequency_text(1000.0), frequency_text(50)
    ('1 kHz', '50 Hz')
    """
    return format_value(freq_hz, "Hz")


def measurand_text(
    measurand: Measurand,
    function: str = "",
    *,
    frequency: bool = True,
    later: Measurand | None = None,
    ascii_only: bool = False,
) -> str:
    """What was read, where, and at which frequency.

    Parameters
    ----------
    measurand : Measurand
        What.
    function : str
        What the point is: ``plate``.
    frequency : bool
        Say at which frequency.
    later : Measurand, optional
        The same in a later pass, where that names another frequency.
    ascii_only : bool
        For a terminal.

    Examples
    --------
    >>> measurand_text(Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=20.0))
    'V1.2 → V1.1 gain at 20 Hz'
    >>> measurand_text(Measurand(point="V1.1", quantity="dc_v"), "plate")
    'V1.1 plate, DC'
    >>> before, after = (Measurand(point="HT2", quantity="ripple_pp_v", freq_hz=f) for f in (50.0, None))
    >>> measurand_text(before, later=after, ascii_only=True)
    'HT2 ripple p-p (50 Hz, then no line named)'
    """
    at = f" at {frequency_text(measurand.freq_hz)}" if measurand.freq_hz and frequency else ""
    if later is not None and frequency:
        lines = (frequency_text(m.freq_hz) if m.freq_hz else "no line named" for m in (measurand, later))
        at = f" ({', then '.join(lines)})"
    place = (
        f"{measurand.point.replace('>', ' → ')} {function}," if function else measurand.point.replace(">", " → ")
    )
    text = f"{place} {QUANTITY_WORDS[measurand.quantity]}{at}"
    return text.translate(TO_ASCII) if ascii_only else text


def chance_text(chance: float, decimals: int = 0) -> str:
    """A probability in per cent; what is nearly none or nearly certain is bounded, never 0 % or 100 %.

    Parameters
    ----------
    chance : float
        0 to 1.
    decimals : int
        Of the per cent.

    Examples
    --------
    >>> chance_text(0.304), chance_text(0.984, 1), chance_text(0.99996, 1), chance_text(0.0012)
    ('30 %', '98.4 %', 'above 99.9 %', 'below 1 %')
    """
    least = 10.0**-decimals
    per_cent = round(100.0 * chance, decimals)
    if per_cent < least:
        return f"below {least:.{decimals}f} %"
    return f"above {100 - least:.{decimals}f} %" if per_cent > 100.0 - least else f"{per_cent:.{decimals}f} %"


def quality_text(quality: str) -> str:
    """How good a reading is, in words; empty where there is nothing to say.

    Parameters
    ----------
    quality : str
        Of a `Reading`.
    """
    return "" if quality == "good" else quality.replace("_", " ")


def place_text(part: str, section: str) -> str:
    """A part and, where it has more than one, its section: two halves of a tube are two suspects.

    Parameters
    ----------
    part, section : str
        Of a `Fault` or a `Suspect`; the section may be empty.

    Examples
    --------
    >>> place_text("V1", "V1a"), place_text("C2", ""), place_text("V4", "V4")
    ('V1 (V1a)', 'C2', 'V4')
    """
    return f"{part} ({section})" if section and section != part else part


def old_part_text(fault: Fault, value: float | None, *, ascii_only: bool = False) -> str:
    """What was wrong with a replaced part, as the changes tell it.

    Parameters
    ----------
    fault : Fault
        Kind of fault.
    value : float, optional
        Value of its parameter, where it is known.
    ascii_only : bool
        For a terminal.
    """
    name = place_text(fault.part, fault.section)
    size = "" if value is None else _size_text(fault, value)
    text = f"{name} {fault.words or fault.fault}" + (f" (about {size})" if size else "")
    return text.translate(TO_ASCII) if ascii_only else text


def with_signs(text: str) -> str:
    """Numbers with the signs of their units, for paper: ``2.2 MΩ``, ``8 µA``, ``± 3 V``.

    Parameters
    ----------
    text : str
        With units as a terminal shows them.
    """
    signed = re.sub(r"(?<=\d )([kMGTmunp]?)ohm\b", r"\1Ω", re.sub(r"(?<=\d )u(?=[A-Z])", "µ", text))
    return signed.replace("+- ", "± ")


def _size_text(fault: Fault, value: float) -> str:
    if fault.shown == "1/ohm":
        return format_value(1.0 / value, "Ω", 2)
    if fault.shown == "x":
        return f"{value:.2g} × normal"
    unit = {"ohm": "Ω", "farad": "F", "henry": "H", "A": "A"}.get(fault.shown)
    return format_value(value, unit, 2).replace("u", "µ") if unit else ""


def part_value_text(part: str, value: float, std: float | None = None) -> str:
    """Value of a part with the unit that the first letter of its name implies.

    Parameters
    ----------
    part : str
        ``C2``, ``R7``, ``T1.primary_ohms``.
    value : float
        In the SI unit of the part.
    std : float, optional
        Standard uncertainty in the same unit.

    Examples
    --------
    >>> part_value_text("C2", 22.4e-9, 0.1e-9), part_value_text("R2", 1480.0)
    ('22.4 ± 0.2 nF', '1.48 kΩ')
    """
    unit = "Ω" if part.endswith("_ohms") else {"C": "F", "R": "Ω", "P": "Ω", "L": "H"}.get(part[:1], "")
    text = format_value(value, unit, 4)
    if std and value:
        number, _, prefixed = text.partition(" ")
        expanded = 2 * std * float(number) / value
        decimals = min(9, max(0, -math.floor(math.log10(abs(expanded)))))
        text = f"{float(number):.{decimals}f} ± {abs(expanded):.{decimals}f} {prefixed}".rstrip()
    return text.replace("u", "µ")
