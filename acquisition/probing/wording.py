"""The words of the survey, and what a reading says against its band and its neighbours."""

from __future__ import annotations

from ..records import UNKNOWN_RATING_V, Reading, SurveyStep, verdict_text
from ..steady import State
from .actions import Do

HOLD_S = 3.0
"""How long a tip is held that may read 0, in seconds."""

UNSEEN_S = 10.0
"""With no touch seen for so long the key is asked for: the tip may be on a level that the free lead has too."""

NEARLY_ZERO_V = 0.05
"""An undriven grid within this of 0 V is called 0 V (common practice, no source)."""

CAUTIONS = (
    "High voltage kills. Licensed practice, local codes and the manuals of your instruments come first.",
    "Not alone. One hand only near live parts. Glasses on. Smell, smoke, a red plate: mains off first.",
    "This program does not know what is live. It shows what was read, where and when, and nothing more.",
)


TIP = {
    State.AWAY: "no contact seen",
    State.TOUCHED: "touched",
    State.BOUNCING: "bouncing",
    State.SETTLING: "settling",
    State.TAKEN: "taken",
}


def volts(value_v: float) -> str:
    """Write volts for somebody who glances.

    Parameters
    ----------
    value_v : float
        In volts.

    Examples
    --------
    >>> volts(244.36), volts(-37.72), volts(1.5634)
    ('244.4 V', '-37.72 V', '1.563 V')
    """
    size = abs(value_v)
    decimals = 1 if size >= 100 else 2 if size >= 10 else 3
    text = f"{value_v:.{decimals}f}"
    return f"{text.removeprefix('-') if float(text) == 0 else text} V"


def hazard_of(step: SurveyStep) -> str:
    """Say what a point can reach at worst; empty where that is no high voltage.

    Parameters
    ----------
    step : SurveyStep
        The point.
    """
    return f"high voltage, up to {step.worst_v:.0f} V in a fault" if step.worst_v > UNKNOWN_RATING_V else ""


def healthy_of(step: SurveyStep) -> str:
    """Say what a healthy chassis reads at a point; empty where nothing tells.

    Parameters
    ----------
    step : SurveyStep
        The point.
    """
    if step.expected_v is None or step.low_v is None or step.high_v is None:
        return ""
    return f"expect {volts(step.expected_v)} ({volts(step.low_v)} to {volts(step.high_v)})"


def spoken(step: SurveyStep) -> str:
    """Announce a point: name, function, what it can reach, place, what a healthy chassis reads.

    Parameters
    ----------
    step : SurveyStep
        The point.
    """
    parts = (f"{step.point}, {step.function}", hazard_of(step), step.place, healthy_of(step))
    return "; ".join(part for part in parts if part)


def touch_of(step: SurveyStep, *, clipped: bool, hold: bool) -> tuple[Do, str]:
    """Say how a point is read now.

    Parameters
    ----------
    step : SurveyStep
        The point.
    clipped : bool
        The lead hangs on it.
    hold : bool
        A tip held still is told from a free lead.
    """
    if clipped:
        return Do.WAIT, "Reading. Hands stay away. Space if it stays at zero."
    text = f"Touch {step.point}, one hand."
    if hold:
        return Do.TOUCH_AND_HOLD, f"{text} It may read 0: then hold for {HOLD_S:.0f} seconds, or press space."
    if step.may_be_zero:
        return Do.TOUCH_AND_KEY, f"{text} It may read 0: then space with the tip on."
    return Do.TOUCH, text


def doubt_of(value_v: float, step: SurveyStep | None, other: str, *, clipped: bool) -> tuple[Do, str]:
    """Ask about a reading that another pin would give.

    Parameters
    ----------
    value_v : float
        What was read, in volts.
    step : SurveyStep, optional
        The point it was read at.
    other : str
        The pin that it fits.
    clipped : bool
        The lead hangs on a chassis that is switched on, and nobody reaches in there.
    """
    fits = f"{volts(value_v)} would fit {other}: wrong pin?"
    if clipped:
        return Do.HANDS_AWAY, f"{fits} Hands stay away. Space keeps it; r has it switched off and clipped on again."
    return Do.CHECK_PIN, f"{fits} Touch {step.point if step else 'it'} again; space keeps it."


def unsteady_of(value_v: float, *, clipped: bool) -> tuple[Do, str]:
    """Ask about a value that does not stand.

    Parameters
    ----------
    value_v : float
        About what it is, in volts.
    clipped : bool
        As for `doubt_of`.
    """
    moves = f"{volts(value_v)} will not stand still."
    if clipped:
        return Do.HANDS_AWAY, f"{moves} Hands stay away. Space keeps it as unsteady; s leaves this point."
    return Do.DECIDE, f"{moves} Space keeps it as unsteady; or lift."


def stop_of(*, clips_on: bool, clipped: bool) -> tuple[Do, str]:
    """Ask for the mains to be switched off after a stop.

    Parameters
    ----------
    clips_on : bool
        The point is clipped on then.
    clipped : bool
        As for `doubt_of`.
    """
    first = "Leave the clip where it is" if clipped else "Tip away"
    goes = "Space when they are off; this point is clipped on then, s leaves it"
    text = f"{first}, mains off, then find out why. {goes if clips_on else 'Space leaves this point'}."
    return (Do.POWER_OFF if clipped else Do.TIP_AWAY), text


def verdict_of(step: SurveyStep | None, reading: Reading) -> str:
    """Say how a reading lies to the band, its own uncertainty allowed for.

    Parameters
    ----------
    step : SurveyStep, optional
        With the band.
    reading : Reading
        The reading.

    Returns
    -------
    str
        ``agrees``, ``low``, ``high``; empty where there is no band or the value did not stand.
    """
    if step is None or step.low_v is None or step.high_v is None or reading.quality == "unsteady":
        return ""
    slack_v = 2.0 * (reading.std or 0.0)
    if reading.quality == "confirmed_zero":
        slack_v = max(slack_v, NEARLY_ZERO_V)
    if reading.value < step.low_v - slack_v:
        return "low"
    return "high" if reading.value > step.high_v + slack_v else "agrees"


def said_of(step: SurveyStep | None, reading: Reading) -> str:
    """Say the verdict on a reading as people read it; empty where there is none.

    Parameters
    ----------
    step : SurveyStep, optional
        With the band.
    reading : Reading
        The reading.
    """
    most_v = step.high_v if step is not None else None
    return verdict_text(verdict_of(step, reading), reading.quantity, reading.value, most_v)


def fits_elsewhere(step: SurveyStep, reading: Reading) -> str:
    """Find the neighbouring or mirrored pin that a reading would fit, when it misses its own band.

    Parameters
    ----------
    step : SurveyStep
        With band and neighbours.
    reading : Reading
        The reading.

    Returns
    -------
    str
        The pin whose expected volts lie nearest, within 8 % or the uncertainty; empty when none does.
    """
    if verdict_of(step, reading) not in ("low", "high") or step.low_v is None or step.high_v is None:
        return ""
    nearest_v = max(step.low_v - reading.value, reading.value - step.high_v)
    best = ""
    for point, neighbour_v in step.neighbours.items():
        miss_v = abs(reading.value - neighbour_v)
        if miss_v <= max(0.08 * abs(neighbour_v), 3.0 * (reading.std or 0.0)) and miss_v < nearest_v:
            best, nearest_v = point, miss_v
    return best


def conditions(mains_v: float | None, minutes_on: float | None, drift_v_per_s: float) -> str:
    """Write down what a reading was taken under.

    Parameters
    ----------
    mains_v : float, optional
        Mains, volts rms.
    minutes_on : float, optional
        Since the confirmed switch-on.
    drift_v_per_s : float
        Slope of a drifting supply, 0 for none.
    """
    parts = []
    if mains_v is not None:
        parts.append(f"mains {mains_v:g} V")
    if minutes_on is not None:
        parts.append(f"{minutes_on:.1f} min after switch-on")
    if drift_v_per_s:
        parts.append(f"drifting {drift_v_per_s:+.2g} V/s")
    return ", ".join(parts)
