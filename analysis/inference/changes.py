"""What a hypothesis changes on the chassis."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One or two parameters set to a severity.

    Parameters
    ----------
    faults : tuple of int
        Index of each fault; empty for a healthy chassis.
    values : tuple of float
        Centre of the severity cell of each.
    """

    faults: tuple[int, ...] = ()
    values: tuple[float, ...] = ()
