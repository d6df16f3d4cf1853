"""What a survey goes by: ratings, and the steps of its plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

RATING_MARGIN = 0.8
"""Share of a rating that is used (rule L1 of common bench practice)."""

UNKNOWN_RATING_V = 60.0
"""No prompt goes above this while a rating is not known (rule L11)."""


def usable_v(rated_v: float | None) -> float:
    """Highest worst-case volts, DC plus AC peak, at which a lead, a probe or an instrument is offered.

    Parameters
    ----------
    rated_v : float or None
        Its rating; None when it is not known.

    Returns
    -------
    float
        In volts: 80 % of the rating, or 60 V where the rating allows that much.

    Examples
    --------
    >>> usable_v(600.0), usable_v(None), usable_v(30.0)
    (480.0, 60.0, 30.0)
    """
    rated_v = UNKNOWN_RATING_V if rated_v is None else rated_v
    return max(RATING_MARGIN * rated_v, min(rated_v, UNKNOWN_RATING_V))


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyStep:
    """One point of a survey, with all that acquisition needs to know about it as plain data.

    Parameters
    ----------
    point : str
        ``V1.6`` or a named node.
    function : str
        What the pin does, in the trade's words: ``plate``, ``grid``, ``cathode``, ``rail``.
    place : str
        Where it is, spoken: ``noval base from below, pin 6, sixth clockwise from the gap``.
    expected_v, low_v, high_v : float, optional
        What a healthy chassis would read there with this meter, and its 95 % band, in volts.
    worst_v : float
        Highest voltage to ground, DC plus AC peak, that the point can take in a fault or at switch-on (rule L1).
    source_ohm, settle_s : float
        Source resistance of the node, and its slowest time constant, as the model sees them.
    may_be_zero : bool
        A healthy or faulty node here can sit within the noise of 0 V: the step announces a key or a timed hold.
    neighbours : mapping of str to float
        Expected volts of neighbouring and mirrored pins, for the question ``wrong pin?``.
    heater : bool
        A heater pin: skipped when the tubes glow.
    delicate : bool
        A bootstrapped grid that a meter would upset (E2): not offered unless asked for.
    """

    point: str
    function: str
    place: str = ""
    expected_v: float | None = None
    low_v: float | None = None
    high_v: float | None = None
    worst_v: float = 0.0
    source_ohm: float = 0.0
    settle_s: float = 0.0
    may_be_zero: bool = False
    neighbours: Mapping[str, float] = field(default_factory=dict)
    heater: bool = False
    delicate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPlan:
    """The points of a survey in bench order.

    Parameters
    ----------
    chassis : str
        Name of the chassis.
    steps : sequence of SurveyStep
        Rails first, then stage by stage; points of low impedance before grids.
    """

    chassis: str
    steps: Sequence[SurveyStep]
