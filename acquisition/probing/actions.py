"""What the survey says, shows and asks, as data, and the keys it understands."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ..records import Reading, SurveyStep


class Key(StrEnum):
    """The one key that is needed, and four that help."""

    SPACE = " "
    BACK = "b"
    SKIP = "s"
    REPEAT = "r"
    QUIT = "q"


class Do(StrEnum):
    """What the person is to do now, for a front end with pictures or tones and for simulated hands."""

    NOTHING = ""
    PREPARE = "prepare"
    POWER_OFF = "power_off"
    POWER_ON = "power_on"
    DISCHARGE = "discharge"
    VERIFY = "verify"
    CLIP = "clip"
    VERIFY_CLIPPED = "verify_clipped"
    UNCLIP = "unclip"
    HANDS_AWAY = "hands_away"
    TIP_FREE = "tip_free"
    TOUCH = "touch"
    TOUCH_AND_HOLD = "touch_and_hold"
    TOUCH_AND_KEY = "touch_and_key"
    WAIT = "wait"
    CHECK_PIN = "check_pin"
    DECIDE = "decide"
    LIFT = "lift"
    TIP_AWAY = "tip_away"


class ActionKind(StrEnum):
    """What a front end does with an action.

    ``show``: a new point, large. ``say``: a line, and a voice. ``caution``: a hazard, never in the colour or tone
    of a prompt. ``ask``: wait for the key. ``taken``: a reading that is on disk. ``news``: what a point did
    by itself. ``done``: the survey is over.
    """

    SHOW = "show"
    SAY = "say"
    CAUTION = "caution"
    ASK = "ask"
    TAKEN = "taken"
    NEWS = "news"
    DONE = "done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing for the front end to do.

    Parameters
    ----------
    kind : ActionKind
        What.
    text : str
        The words.
    do : Do
        What the person is to do.
    step : SurveyStep, optional
        The point concerned.
    reading : Reading, optional
        With ``taken``.
    verdict : str
        With ``taken``: ``agrees``, ``low``, ``high``, or empty where nothing was expected.
    """

    kind: ActionKind
    text: str
    do: Do = Do.NOTHING
    step: SurveyStep | None = None
    reading: Reading | None = None
    verdict: str = ""
