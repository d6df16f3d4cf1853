"""A verdict as people read it."""

from __future__ import annotations

BELOW_ZERO_V = -0.05
"""A point is one of negative volts when less than this is expected: a grid at rest is none."""


def verdict_text(verdict: str, quantity: str, expected: float | None) -> str:
    """Say a verdict so that nobody takes a weak negative bias for much of it.

    Parameters
    ----------
    verdict : str
        ``low`` and ``high`` as numbers are: -20 V is higher than -40 V. Anything else is said as it is.
    quantity : str
        A key of ``QUANTITIES``.
    expected : float or None
        What is due, in the unit of the quantity; None where it is not known.

    Examples
    --------
    >>> verdict_text("high", "dc_v", -38.7), verdict_text("low", "dc_v", -38.7), verdict_text("high", "dc_v", 1.2)
    ('not negative enough', 'too negative', 'high')
    """
    if quantity != "dc_v" or expected is None or expected >= BELOW_ZERO_V:
        return verdict
    return {"low": "too negative", "high": "not negative enough"}.get(verdict, verdict)
