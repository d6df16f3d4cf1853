"""A reading on disk before a word is said of it; what a full disk does not take waits here."""

from __future__ import annotations

from collections.abc import Callable

from ..errors import StoreError
from ..records import Reading, SurveyStep
from .actions import Action, ActionKind
from .wording import volts

Then = Callable[[], list[Action]]


class Keeping:
    """Keeps readings, and holds the one that could not be kept.

    Parameters
    ----------
    commit : callable
        Called with each Reading; returns when it is on disk, or raises StoreError.

    Attributes
    ----------
    refused : StoreError or None
        Why the last reading is not on disk; None where it is.
    """

    def __init__(self, commit: Callable[[Reading], None]) -> None:
        self._commit = commit
        self.refused: StoreError | None = None
        self._again: Then = list

    def write(self, reading: Reading, step: SurveyStep | None, then: Then) -> list[Action]:
        """Put a reading on disk.

        Parameters
        ----------
        reading : Reading
            The reading.
        step : SurveyStep, optional
            Its point.
        then : callable
            Says what follows once it is there.
        """
        try:
            self._commit(reading)
        except StoreError as error:
            self.refused = error
            self._again = lambda: self.write(reading, step, then)
            told = f"NOT kept: {reading.point} {volts(reading.value)}. {error} ({error.hint})."
            ask = "Space tries again to keep this reading; s leaves it."
            return [
                Action(kind=ActionKind.CAUTION, text=told, step=step),
                Action(kind=ActionKind.ASK, text=ask, step=step),
            ]
        self.refused = None
        return then()

    def again(self) -> list[Action]:
        """Try once more with the one that was not kept."""
        return self._again()
