"""What a watch is begun with: what the person chose, and who keeps what is found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from ..records import Event, Reading, Stretch


class Keeper(Protocol):
    """Puts on disk what a watch finds; each returns when it is there, or raises StoreError."""

    def stretch(self, stretch: Stretch) -> None:
        """Keep a stretch."""

    def event(self, event: Event) -> None:
        """Keep what happened."""

    def reading(self, reading: Reading) -> None:
        """Keep the settled value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchOptions:
    """What the person chose.

    Parameters
    ----------
    watch_s : float
        For how long, in seconds; infinite until the key ends it.
    above_v, below_v : float
        Limits of the person's own; beyond them it is told at once.
    mains_v : float, optional
        Mains, volts rms.
    instrument : str
        Identity of the meter.
    """

    watch_s: float = math.inf
    above_v: float = math.inf
    below_v: float = -math.inf
    mains_v: float | None = None
    instrument: str = ""
