"""Where a survey is, and what the person chose."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """Where the survey is."""

    ASKING = "asking"
    VERIFYING = "verifying"
    LISTENING = "listening"
    ARMED = "armed"
    TOUCHED = "touched"
    UNSTEADY = "unsteady"
    WRONG_PIN = "wrong_pin"
    NOT_KEPT = "not_kept"
    LIFT = "lift"
    STOPPED = "stopped"
    WATCHING = "watching"
    DONE = "done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the person chose.

    Parameters
    ----------
    tubes_glow : bool
        The heaters are seen to glow: their pins are skipped.
    delicate : bool
        Offer grids that a meter upsets too.
    start_from : str
        First point; empty for the first of the plan.
    done : frozenset of str
        Points read before, in a survey that was interrupted.
    mains_v : float, optional
        Mains, volts rms.
    instrument : str
        Identity of the meter.
    """

    tubes_glow: bool = False
    delicate: bool = False
    start_from: str = ""
    done: frozenset[str] = frozenset()
    mains_v: float | None = None
    instrument: str = ""
