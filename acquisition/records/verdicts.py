"""A verdict as people read it."""

from __future__ import annotations

BELOW_ZERO_V = -0.05
"""A point is one of negative volts when all its healthy band lies below this: a grid at rest is none."""


def verdict_text(verdict: str, quantity: str, value: float, most: float | None) -> str:
    """Say a verdict so that nobody takes a weak negative bias for much of it.

    Parameters
    ----------
    verdict : str
        ``low`` and ``high`` as numbers are: -20 V is higher than -40 V. Anything else is said as it is.
    quantity : str
        A key of ``QUANTITIES``.
    value : float
        What was read, in the unit of the quantity.
    most : float or None
        Upper limit of the healthy band; None where it is not known.

    Examples
    --------
    >>> [verdict_text("high", "dc_v", value, -36.0) for value in (-20.0, 38.7)]
    ['not negative enough', 'positive instead of negative']
    >>> verdict_text("low", "dc_v", -55.0, -36.0), verdict_text("high", "dc_v", 1.2, 1.0)
    ('too negative', 'high')
    """
    if quantity != "dc_v" or most is None or most >= BELOW_ZERO_V:
        return verdict
    short = "positive instead of negative" if value > -BELOW_ZERO_V else "not negative enough"
    return {"low": "too negative", "high": short}.get(verdict, verdict)
