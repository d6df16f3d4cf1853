"""What has to be confirmed before a point is read: the clip-on sequence, power, clips."""

from __future__ import annotations

from dataclasses import dataclass

from ..records import SurveyStep
from .actions import Do


@dataclass(frozen=True, slots=True)
class Gate:
    """One thing to confirm by key.

    Parameters
    ----------
    do : Do
        What the person does.
    text : str
        The words.
    power : str
        ``on`` or ``off`` once confirmed; empty when it does not change.
    clip : str or None
        Point the lead hangs on once confirmed, empty for none; None when it does not change.
    """

    do: Do
    text: str
    power: str = ""
    clip: str | None = None


PREPARE = Gate(
    Do.PREPARE, "Power off. Clip the black lead to the chassis; red lead in the volts jack. Space when done."
)
OFF = Gate(Do.POWER_OFF, "Switch off. Space when it is off.", power="off")
ON = Gate(Do.POWER_ON, "Hands away. Switch on, let it warm up. Space when it is warm.", power="on")
DISCHARGE = Gate(Do.DISCHARGE, "Discharge each reservoir with the rated tool, earth clip first. Space.")
AWAY = Gate(Do.HANDS_AWAY, "Hands away from the chassis and the lead. Space.")
UNCLIP = Gate(Do.UNCLIP, "Take the clip off; use the tip. Space.", clip="")


def gates_for(step: SurveyStep, *, clip_on: bool, power: str, clip: str) -> list[Gate]:
    """List what has to be confirmed before a point is read.

    Parameters
    ----------
    step : SurveyStep
        The point.
    clip_on : bool
        It is clipped on with power off and read with hands away; otherwise touched with one hand.
    power : str
        ``on`` or ``off``, as last confirmed.
    clip : str
        Point the lead hangs on, empty for none.
    """
    off = [OFF] if power == "on" else []
    if clip_on:
        verify = f"Touch {step.point} with the tip, one hand, and look. Space when the value stands."
        place = step.place or step.function
        return [
            *off,
            DISCHARGE,
            *([UNCLIP] if clip else []),
            Gate(Do.VERIFY, verify),
            Gate(Do.CLIP, f"Clip the lead on {step.point}, {place}. Space.", clip=step.point),
            AWAY,
            ON,
        ]
    if clip:
        return [*off, DISCHARGE, UNCLIP, ON]
    return [ON] if power == "off" else []
