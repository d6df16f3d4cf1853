"""Which points may be named at all: worst-case volts against the lowest rating of lead and meter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ..records import UNKNOWN_RATING_V, SurveyStep, usable_v
from ..steady import Sample
from .actions import Action, ActionKind
from .wording import volts

STILL_LIVE_V = 10.0
"""Above this a point that was to be discharged is sent back to the discharge tool (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbingLimits:
    """Ratings of what is in hand.

    Parameters
    ----------
    meter_rated_v, lead_rated_v : float or None
        Highest voltage to earth as printed on them; None when it is not known.
    clip_on_above_v : float
        Above this, volts to ground in a fault included, a point is clipped on with power off and never held.
    mains_known : bool
        The mains voltage was measured or confirmed.
    """

    meter_rated_v: float | None
    lead_rated_v: float | None
    clip_on_above_v: float = 300.0
    mains_known: bool = True

    @property
    def rated_v(self) -> float:
        """Lowest rating; an unknown one counts as 60 V."""
        given = (self.meter_rated_v, self.lead_rated_v)
        return min(UNKNOWN_RATING_V if rating is None else rating for rating in given)

    def refusal(self, step: SurveyStep) -> str:
        """Say why a point must not be named.

        Parameters
        ----------
        step : SurveyStep
            With its worst-case volts, DC plus AC peak (rules L1, L3 and L11 of common bench practice).

        Returns
        -------
        str
            The reason; empty when the point may be named.
        """
        cause = self.cause(step)
        if not cause:
            return ""
        known = math.isfinite(step.worst_v)
        reach = f"it can reach {step.worst_v:.0f} V in a fault or at switch-on, and " if known else ""
        return f"{step.point} is left out: {reach}{cause}"

    def cause(self, step: SurveyStep) -> str:
        """Say what keeps a point from being named, in words that hold for every point kept away by the same.

        Parameters
        ----------
        step : SurveyStep
            As for `refusal`.

        Returns
        -------
        str
            The cause; empty when the point may be named.
        """
        worst = step.worst_v
        if not math.isfinite(worst):
            return "nothing tells the high tension, so what it can reach is not known"
        for what, rating in (("meter", self.meter_rated_v), ("lead", self.lead_rated_v)):
            if rating is None and worst > UNKNOWN_RATING_V:
                return f"the rating of the {what} is not known (write it in the bench file)"
        if not self.mains_known and worst > UNKNOWN_RATING_V:
            return "the mains voltage is not known (measure it, and start again with it)"
        if worst > usable_v(self.rated_v):
            lowest = "lead" if self.lead_rated_v == self.rated_v else "meter"
            return f"the {lowest} is rated for {self.rated_v:.0f} V and used up to {usable_v(self.rated_v):.0f} V"
        return ""

    def needs_clip(self, step: SurveyStep) -> bool:
        """Whether the point is clipped on with power off.

        Parameters
        ----------
        step : SurveyStep
            The point.
        """
        return step.worst_v > self.clip_on_above_v

    def stop(self, sample: Sample, *, held: bool, lasting: bool = False) -> str:
        """Say why everything stops at a live value, however low the plan thought the point to be.

        Parameters
        ----------
        sample : Sample
            The newest.
        held : bool
            A hand may hold the tip, on a chassis that is switched on.
        lasting : bool
            The meter has shown overload for longer than a change of range takes.

        Returns
        -------
        str
            The reason; empty when the value is within the ratings, and within what is held by hand.
        """
        rated_v = self.rated_v
        most_v = min(rated_v, self.clip_on_above_v) if held else rated_v
        leave = "Take the tip away without touching anything else, or leave the clip and switch off."
        if "overload" in sample.flags:
            is_told = math.isfinite(sample.range_v)
            if is_told and sample.range_v >= most_v:
                return f"Overload on the {sample.range_v:.0f} V range: unknown and high. {leave}"
            # On a low range that was set by hand too: what the tip is held on may be beyond all that is allowed.
            if lasting and is_told and held:
                low = f"on the {sample.range_v:g} V range: unknown and high. Set the meter to autorange"
                return f"Overload that stays, {low}. {leave}"
            if lasting and not is_told:
                return f"Overload that stays, on a range the meter does not tell: unknown and high. {leave}"
            return ""
        if not math.isfinite(sample.value_v):
            return ""
        size_v = abs(sample.value_v)
        if size_v > rated_v:
            return f"{sample.value_v:.0f} V is above the rating of lead or meter, {rated_v:.0f} V. {leave}"
        if size_v > most_v:
            limit = f"{self.clip_on_above_v:.0f} V, above which no tip is held by hand"
            return f"{sample.value_v:.0f} V is above {limit}. Take the tip away without touching anything else."
        return ""


def still_live(sample: Sample | None, clip: str = "") -> str:
    """Say why a point that was to be discharged is not gone on with.

    Parameters
    ----------
    sample : Sample, optional
        The newest with the tip on the point.
    clip : str
        Point the lead hangs on instead, empty for none.

    Returns
    -------
    str
        What was seen and what to do; empty where the meter read next to nothing.
    """
    again = "look again, space." if clip else "touch the point again, space."
    # HOLD, MIN, REL or a low battery leave a number on the display that says nothing of this point.
    if sample is None or not sample.is_reading:
        why = f" ({sample.reason})" if sample is not None else ""
        return f"No reading from the meter{why}, and that is not zero. Look at the meter, {again}"
    if abs(sample.value_v) > STILL_LIVE_V:
        return f"Still {sample.value_v:.1f} V {f'at {clip}' if clip else 'here'}. Discharge again, {again}"
    return ""


def looked_at(sample: Sample | None, step: SurveyStep | None, clip: str = "") -> tuple[Action, bool]:
    """Say what a look for remaining volts comes to.

    Parameters
    ----------
    sample, clip
        As `still_live`.
    step : SurveyStep, optional
        The point in hand.

    Returns
    -------
    action : Action
        What was read, or why it is not gone on with.
    is_low : bool
        The meter read next to nothing: at that point, then, and no more.
    """
    caution = still_live(sample, clip)
    if sample is None or caution:
        return Action(kind=ActionKind.CAUTION, text=caution, step=step), False
    text = f"Last reading {volts(sample.value_v)}, only at {clip or 'this point'}, just now."
    return Action(kind=ActionKind.SAY, text=text), True


def left_out(causes: Mapping[str, str]) -> str:
    """Tell which points were not named, cause by cause.

    Parameters
    ----------
    causes : mapping of str to str
        Points, and for each the words of `ProbingLimits.cause`.

    Returns
    -------
    str
        One sentence a cause, with a space before each; empty where nothing was left out.
    """
    points: dict[str, list[str]] = {}
    for point, cause in causes.items():
        points.setdefault(cause, []).append(point)
    return "".join(f" Left out: {' '.join(names)}; {cause}." for cause, names in points.items())
