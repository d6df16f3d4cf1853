"""What two passes of one chassis that stand differently tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from acquisition.records import Measurand

from ..chassis.predicting import DEFAULT_FREQ_HZ
from ..judge import Verdict

DECIBEL = 20.0 / math.log(10.0)
"""Decibels of a natural logarithm of a ratio of amplitudes."""

AS_RATIO = ("gain", "pp_v", "rms_v", "ripple_pp_v")
"""Quantities whose change is told in decibels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One measurand in both passes.

    Parameters
    ----------
    measurand : Measurand
        As the first pass names it.
    before, after, before_std, after_std : float
        As read, with standard uncertainties.
    change, std : float
        Of dB where it is one of ``AS_RATIO``, else in the unit of the quantity; what both readings share left out.
    expected, low, high : float
        The same of healthy chassis; NaN without a model.
    verdict : str
        By the rule of `analysis.judge`; empty without a model.
    """

    measurand: Measurand
    before: float
    after: float
    before_std: float
    after_std: float
    change: float
    std: float
    expected: float = math.nan
    low: float = math.nan
    high: float = math.nan
    verdict: Verdict | str = ""

    @property
    def is_quiet(self) -> bool:
        """Whether it neither moved nor was expected to."""
        still = abs(self.change) <= 2.0 * self.std
        return still and (self.verdict == "" or (self.verdict == "agrees" and abs(self.expected) <= 2.0 * self.std))

    @property
    def in_db(self) -> bool:
        """Whether the change is in decibels."""
        return self.measurand.quantity in AS_RATIO


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Feedback or output impedance, from one measurand of both passes.

    Parameters
    ----------
    measurand : Measurand
        What was read.
    parts : tuple of str
        The parts that feed back; the load.
    value, least, most : float
        In dB, or in ohms, with its 95 % interval; infinite where a source of current is not ruled out.
    expected, low, high : float
        The same of healthy chassis.
    verdict : str
        By the rule of `analysis.judge`, of the change it follows from.
    load_db : float
        Of feedback, what of the change was the load that the parts took along.
    rated_ohm : float
        Of an output impedance, the load that is drawn.
    """

    measurand: Measurand
    parts: tuple[str, ...]
    value: float
    least: float
    most: float
    expected: float
    low: float
    high: float
    verdict: Verdict | str
    load_db: float = 0.0
    rated_ohm: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Standings:
    """Two passes that stand differently.

    Parameters
    ----------
    before, after : str
        Their names.
    stood_before, stood_after : tuple of str
        What was out of circuit in each.
    moved : tuple of Moved
        One a measurand read in both.
    feedback, impedance : tuple of Found
        Feedback through what was lifted, of each gain that tells it; impedance behind an output, of each signal at
        two loads.
    only_before, only_after : tuple of Measurand
        Read in one pass only.
    notes : tuple of str
        What limits them.
    """

    before: str
    after: str
    stood_before: tuple[str, ...]
    stood_after: tuple[str, ...]
    moved: tuple[Moved, ...]
    feedback: tuple[Found, ...] = ()
    impedance: tuple[Found, ...] = ()
    only_before: tuple[Measurand, ...] = ()
    only_after: tuple[Measurand, ...] = ()
    notes: tuple[str, ...] = ()


One = TypeVar("One", Moved, Found)


def nearest_to_midband(found: Sequence[One]) -> One | None:
    """The one that is told first: nearest to 1 kHz.

    Parameters
    ----------
    found : sequence of Moved or Found
        Of one point.
    """

    def octaves(one: One) -> float:
        return abs(math.log((one.measurand.freq_hz or DEFAULT_FREQ_HZ) / DEFAULT_FREQ_HZ))

    return min(found, key=octaves, default=None)
