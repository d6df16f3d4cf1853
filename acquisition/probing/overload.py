"""For how long the meter has shown overload, and when that is said."""

from __future__ import annotations

from ..steady import Sample

RANGE_CHANGE_S = 3.0
"""Overload for longer than this, in seconds, is no change of range (common practice, no source)."""

TOLD_AFTER_S = 1.0
"""An overload is told of after so long, in seconds, where the meter may change range: most show it for a moment at
every touch, and what is said each time is not heard when it counts (common practice, no source)."""


class Overload:
    """The overload under way, if there is one; fed with every sample."""

    def __init__(self) -> None:
        self._from_s: float | None = None
        self._now_s = 0.0
        self._held_back = False

    def see(self, sample: Sample) -> None:
        """Take one sample of the meter.

        Parameters
        ----------
        sample : Sample
            In order of time.
        """
        self._now_s = sample.t_s
        if "overload" not in sample.flags:
            self._from_s, self._held_back = None, False
        elif self._from_s is None:
            self._from_s = sample.t_s

    @property
    def lasts(self) -> bool:
        """It has stood for longer than a change of range takes."""
        return self._stood_for(RANGE_CHANGE_S)

    def hold_back(self) -> None:
        """Tell of it later: the meter may be about to change range."""
        self._held_back = True

    def is_due(self) -> bool:
        """Whether what was held back is to be told now; once."""
        due = self._held_back and self._stood_for(TOLD_AFTER_S)
        self._held_back = self._held_back and not due
        return due

    def _stood_for(self, wait_s: float) -> bool:
        return self._from_s is not None and self._now_s - self._from_s >= wait_s
