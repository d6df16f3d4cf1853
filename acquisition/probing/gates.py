"""What has to be confirmed before a point is read, and what was: the clip-on sequence, power, clips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..records import SurveyStep
from .actions import Action, ActionKind, Do
from .options import Phase


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

    @property
    def phase(self) -> Phase:
        """Where a survey is while this is due."""
        return Phase.VERIFYING if self.do in LOOKS else Phase.ASKING

    def ask(self, step: SurveyStep | None) -> Action:
        """Ask for it.

        Parameters
        ----------
        step : SurveyStep, optional
            The point in hand.
        """
        return Action(kind=ActionKind.ASK, text=self.text, do=self.do, step=step)


LOOKS = frozenset({Do.VERIFY, Do.VERIFY_CLIPPED})
"""Passed only when the meter shows next to nothing."""

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
    # Before a hand goes to the clip: discharged is what a meter has shown, and it still hangs there.
    look = f"The lead still hangs on {clip}: look at the meter. Space when the value stands."
    unclip = [Gate(Do.VERIFY_CLIPPED, look), UNCLIP] if clip else []
    if clip_on:
        verify = f"Touch {step.point} with the tip, one hand, and look. Space when the value stands."
        place = step.place or step.function
        return [
            *off,
            DISCHARGE,
            *unclip,
            Gate(Do.VERIFY, verify),
            Gate(Do.CLIP, f"Clip the lead on {step.point}, {place}. Space.", clip=step.point),
            AWAY,
            ON,
        ]
    if clip:
        return [*off, DISCHARGE, *unclip, ON]
    return [ON] if power == "off" else []


class Gates:
    """What is still to be confirmed, and how power and clip stand by what was confirmed last.

    Attributes
    ----------
    power : str
        ``on`` or ``off``.
    on_since_s : float or None
        When it was confirmed to be on, on the meter's time; None while off or not known.
    clip : str
        Point the lead hangs on, empty for none.
    """

    def __init__(self) -> None:
        self.power, self.clip = "off", ""
        self.on_since_s: float | None = None
        self._due: list[Gate] = []

    @property
    def first(self) -> Gate | None:
        """To be confirmed next; None where the way is clear."""
        return self._due[0] if self._due else None

    @property
    def is_live_in_hand(self) -> bool:
        """A hand may hold the tip on a chassis that is switched on."""
        return not self.clip and self.power == "on"

    @property
    def is_live_on_clip(self) -> bool:
        """The lead hangs on a chassis that is switched on: it must not be moved."""
        return bool(self.clip) and self.power == "on"

    def put(self, gates: Sequence[Gate]) -> None:
        """Have these confirmed, in place of what was due.

        Parameters
        ----------
        gates : sequence of Gate
            In order.
        """
        self._due = list(gates)

    def before(self, step: SurveyStep, *, clip_on: bool) -> None:
        """Have confirmed what a point needs.

        Parameters
        ----------
        step : SurveyStep
            The point.
        clip_on : bool
            As `gates_for`.
        """
        self.put(gates_for(step, clip_on=clip_on, power=self.power, clip=self.clip))

    def confirm(self, t_s: float | None) -> None:
        """Take the first one as confirmed.

        Parameters
        ----------
        t_s : float or None
            Now, on the meter's time; None while that is not known.
        """
        gate = self._due.pop(0)
        if gate.power:
            self.power, self.on_since_s = gate.power, t_s if gate.power == "on" else None
        if gate.clip is not None:
            self.clip = gate.clip

    def switched_off(self) -> None:
        """The mains are off, whatever was due."""
        self.power, self.on_since_s = "off", None
