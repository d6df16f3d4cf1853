"""Volts as a person gives them to an option; nothing that is no number gets further than here."""

from __future__ import annotations

import math
from typing import Any

import click

LEAST_MAINS_V, MOST_MAINS_V = 1.0, 1000.0
"""What is taken for mains where a person types them, volts rms."""


class Volts(click.ParamType):
    """Volts between two limits: 231, 117.5 or 0.4k.

    Not click's own range of floats: it lets ``nan`` through, and a job that keeps one cannot be read again.

    Parameters
    ----------
    least_v, most_v : float
        Limits, both allowed.
    """

    name = "volts"

    def __init__(self, least_v: float, most_v: float = math.inf) -> None:
        self.least_v, self.most_v = least_v, most_v

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read it."""
        from acquisition.quantities import parse_value

        try:
            volts = parse_value(str(value))
        except ValueError:
            volts = math.nan
        if not self.least_v <= volts <= self.most_v:
            to = f"and {self.most_v:g}" if math.isfinite(self.most_v) else "and any finite value"
            comma = " (write a point, not a comma)" if "," in str(value) else ""
            self.fail(
                f"expected volts between {self.least_v:g} {to}, such as 231, got {str(value)!r}{comma}", param, ctx
            )
        return volts


MAINS = Volts(LEAST_MAINS_V, MOST_MAINS_V)
ABOVE_ONE = Volts(1.0)
"""A supply, or a rating."""
ANY_VOLTS = Volts(-5000.0, 5000.0)
"""A limit of somebody's own, below zero too."""
