"""Balance of a phase inverter, and matching of a pair of output tubes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .gain import Gain, wrapped_deg
from .uncertainty import Budget, Correlations, InputQuantity, evaluate

BALANCED = (0.95, 1.05)
"""Ratio of the outputs of an inverter that is usually accepted (common practice, no source)."""

MATCHED = 0.10
"""Relative difference of the idle currents of a pair that is usually accepted (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """How equal and how opposite the two outputs of an inverter are.

    Parameters
    ----------
    first, second : str
        The two output points.
    ratio, ratio_std : float
        Amplitude at the second over that at the first.
    from_opposite_deg, std_deg : float
        How far their phases are from exactly opposite, degrees.
    verdict : str
        ``balanced``, ``unbalanced`` or ``unclear`` where the uncertainty spans the limit.
    opposite : bool
        The outputs are in opposition within 45 degrees.
    """

    first: str
    second: str
    ratio: float
    ratio_std: float
    from_opposite_deg: float
    std_deg: float
    verdict: str
    opposite: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMatch:
    """How equal the idle currents of two tubes are.

    Parameters
    ----------
    difference : Budget
        ``(second - first) / mean``, a pure number, with its budget.
    verdict : str
        ``matched``, ``unmatched`` or ``unclear``.
    """

    difference: Budget
    verdict: str


def balance_of(between: Gain) -> Balance:
    """Balance from the complex ratio of the two outputs.

    Parameters
    ----------
    between : Gain
        From the first output to the second, best by exchanged probes (`analysis.gain.swapped`), so that channels
        and probes drop out.
    """
    ratio, std = between.magnitude, between.magnitude_std
    off = wrapped_deg(between.phase_deg - 180.0)
    return Balance(
        first=between.from_point,
        second=between.to_point,
        ratio=ratio,
        ratio_std=std,
        from_opposite_deg=off,
        std_deg=between.phase_std_deg,
        verdict=_verdict(ratio, std, *BALANCED, ("balanced", "unbalanced")),
        opposite=abs(off) < 45.0,
    )


def match_pair(
    first: InputQuantity,
    second: InputQuantity,
    correlations: Correlations | None = None,
    *,
    limit: float = MATCHED,
) -> PairMatch:
    """Matching of two idle currents.

    Parameters
    ----------
    first, second : InputQuantity
        Currents in ampere, for example cathode volts over cathode resistance.
    correlations : mapping, optional
        Of the two: readings of one meter on one range share its gain error, which cancels here.
    limit : float
        Largest relative difference of a matched pair.

    Raises
    ------
    ValueError
        The currents add up to nothing.
    """
    if not first.value + second.value > 0:
        raise ValueError("a pair without current cannot be matched")
    budget = evaluate(
        "difference of the pair",
        lambda x: 2.0 * (x[1] - x[0]) / (x[0] + x[1]),
        [first, second],
        correlations,
    )
    return PairMatch(
        difference=budget, verdict=_verdict(budget.value, budget.std, -limit, limit, ("matched", "unmatched"))
    )


def _verdict(value: float, std: float, low: float, high: float, words: tuple[str, str]) -> str:
    # The whole 95 % interval must lie on one side (JCGM 106:2012, guarded acceptance and rejection).
    margin = 1.96 * std
    if not math.isfinite(margin):
        return "unclear"
    if low <= value - margin and value + margin <= high:
        return words[0]
    return words[1] if value + margin < low or value - margin > high else "unclear"
