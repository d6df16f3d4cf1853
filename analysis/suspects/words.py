"""How a suspect's sentences write a place and a number."""

from __future__ import annotations

from acquisition.quantities import format_value
from acquisition.records import Measurand, Reading

NAMES = {
    "dc_v": "", "pp_v": "signal at ", "rms_v": "signal at ", "gain": "gain ", "phase_deg": "phase ",
    "ripple_pp_v": "ripple at ", "thd_pct": "distortion at ", "cold_ohm": "ohms at ",
}  # fmt: skip


def place_of(measurand: Measurand, dc: str = "") -> str:
    """What was or would be read, and where.

    Parameters
    ----------
    measurand : Measurand
        Which.
    dc : str
        What stands before a point whose volts are meant.

    Examples
    --------
    >>> place_of(Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=1e3))
    'gain V1.2>V1.1 at 1 kHz'
    >>> place_of(Measurand(point="N1", quantity="dc_v")), place_of(
    ...     Measurand(point="N1", quantity="dc_v"), dc="DC volts at "
    ... )
    ('N1', 'DC volts at N1')
    """
    at = f" at {format_value(measurand.freq_hz, 'Hz')}" if measurand.freq_hz and ">" in measurand.point else ""
    if measurand.quantity == "cold_ohm" and ">" in measurand.point:
        return f"ohms {measurand.point}"
    return f"{NAMES[measurand.quantity] or dc}{measurand.point}{at}"


def show(measurand: Measurand | Reading, value: float) -> str:
    """A value in the unit of its quantity.

    Parameters
    ----------
    measurand : Measurand or Reading
        For its quantity.
    value : float
        In the unit of that.

    Examples
    --------
    >>> show(Measurand(point="V1.1", quantity="dc_v"), 0.21)
    '210 mV'
    >>> show(Measurand(point="V1.2>V1.1", quantity="gain"), 0.0071)
    '0.0071'
    """
    bare = {"gain": "", "phase_deg": " deg", "thd_pct": " %"}.get(measurand.quantity)
    if bare is None:
        return format_value(value, "ohm" if measurand.quantity == "cold_ohm" else "V")
    return f"{float(f'{value:.3g}'):g}{bare}"  # no prefix: a gain of 0.0071 is not 7.1 m
