"""Somebody who does what the survey asks: moves the probe, works the mains switch, presses the key."""

from __future__ import annotations

from ..probing import Action, ActionKind, Do, Key
from .hands import Hands

LOOK_S = (0.5, 0.9)
"""Looking at a value before the key is pressed, in seconds."""

PATIENCE_S = 3.5
"""With no answer for so long, in seconds, the tip is lifted and put on again, as people do."""

DO_S = (0.15, 0.3)
"""Anything else that is done and confirmed by the key; real hands take minutes for some of it."""


class SurveyHands:
    """Reacts to the actions of a survey; the key it presses is fetched with `key`.

    Parameters
    ----------
    hands : Hands
        That move the probe.
    """

    def __init__(self, hands: Hands) -> None:
        self.hands = hands
        self._due: tuple[float, Key] | None = None
        self._contact_s = 0.0
        self._doubted: set[str] = set()
        self._waiting_for = ""

    def react(self, action: Action) -> None:
        """Do what an action asks for.

        Parameters
        ----------
        action : Action
            From the survey, in order.
        """
        point = action.step.point if action.step else ""
        if action.kind in (ActionKind.TAKEN, ActionKind.DONE):
            self._due, self._waiting_for = None, ""
            if action.kind is ActionKind.DONE:
                self.hands.lift()
        match action.do:
            case Do.TOUCH:
                self._touch(point)
            case Do.TOUCH_AND_KEY | Do.TOUCH_AND_HOLD | Do.VERIFY:  # the key is quicker than the hold
                if self.hands.holding != point:
                    self._touch(point)
                self._press(LOOK_S)
            case Do.VERIFY_CLIPPED:
                self._press(LOOK_S)
            case Do.CLIP:
                self._waiting_for = ""
                self.hands.clip(point)
                self._press(DO_S)
            case Do.UNCLIP:
                self.hands.lift()
                self._press(DO_S)
            case Do.PREPARE | Do.POWER_ON | Do.POWER_OFF:
                self.hands.wiring.switch(action.do is Do.POWER_ON)
                self._press(DO_S)
            case Do.CHECK_PIN | Do.DECIDE if point not in self._doubted:
                self._doubted.add(point)  # once more, and if it comes out the same it is kept
                self._touch(point)
            case Do.WAIT if action.step is not None and action.step.may_be_zero:
                self._press(LOOK_S)
            case Do.LIFT | Do.TIP_AWAY:
                self.hands.lift()
                if action.kind is ActionKind.ASK:
                    self._press(DO_S)
            case _ if action.kind is ActionKind.ASK:
                self._press(DO_S)

    def key(self) -> Key | None:
        """Key pressed by now, once; None when there is none."""
        now_s = self.hands.wiring.clock.monotonic_s()
        if self._waiting_for and self._due is None and now_s > self._contact_s + PATIENCE_S:
            self._touch(self._waiting_for)
        if self._due is None or now_s < self._due[0]:
            return None
        key = self._due[1]
        self._due = None
        return key

    def _touch(self, point: str) -> None:
        self._due, self._waiting_for = None, point
        self._contact_s = self.hands.touch(point)

    def _press(self, after_s: tuple[float, float]) -> None:
        now_s = max(self.hands.wiring.clock.monotonic_s(), self._contact_s)
        self._due = (now_s + self.hands.rng.uniform(*after_s) * min(1.0, self.hands.pace + 0.2), Key.SPACE)
