"""What a point does over minutes and hours, out of the samples of a meter: a pure state machine.

Each second becomes a stretch. Between them it is told when the value has come to rest, when it left where it stood
(for a moment, or to stay), and when it has settled as a warm chassis does. Slow drift moves what counts as rest
along with it; a step does not.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean, median

from ..steady import Sample

STRETCH_S = 1.0
"""Length of a stretch, in seconds."""

REST_S = 15.0
"""A value that stands for so long is at rest (common practice, no source)."""

REST_SHARE, LEFT_SHARE, SETTLED_SHARE = 0.01, 0.02, 0.01
"""Shares of the value within which it is at rest, beyond which it has left it, and within which it has settled:
mains alone move a supply by a part of a per cent from second to second (common practice, no source)."""

DIGITS = 5.0
"""What so many steps of the last digit make is no movement (common practice, no source)."""

STAYS_S = 5.0
"""A value that left for longer has moved; for less it was a moment (common practice, no source)."""

SETTLED_S = 300.0
"""Two readings so far apart have to agree before a value is final (rule E11 of common bench practice)."""


class CourseKind(StrEnum):
    """What is told of a course.

    ``rests``: it stands, for the first time or again. ``left``: it has just left where it stood. ``dipped``: it is
    back where it stood after a moment. ``moved``: it does not come back. ``settled``: it is final. ``silent``:
    there is no reading. ``speaks``: there are readings again.
    """

    RESTS = "rests"
    LEFT = "left"
    DIPPED = "dipped"
    MOVED = "moved"
    SETTLED = "settled"
    SILENT = "silent"
    SPEAKS = "speaks"


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseEvent:
    """Something that a watched point did.

    Parameters
    ----------
    kind : CourseKind
        What.
    t_s : float
        When, on the clock of the samples.
    value_v : float
        Where it stands now; with ``dipped`` how far it went, NaN with ``silent``.
    before_v : float
        Where it stood before; NaN where nothing tells.
    lasted_s : float
        How long it was away, with ``dipped`` and ``speaks``.
    text : str
        With ``silent`` the reason.
    """

    kind: CourseKind
    t_s: float
    value_v: float = math.nan
    before_v: float = math.nan
    lasted_s: float = 0.0
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """The readings of one stretch of time.

    Parameters
    ----------
    start_s, end_s : float
        On the clock of the samples, in seconds.
    mean_v, lowest_v, highest_v : float
        In volts.
    samples : int
        How many.
    """

    start_s: float
    end_s: float
    mean_v: float
    lowest_v: float
    highest_v: float
    samples: int


class Course:
    """Follows one point; fed with every sample.

    Parameters
    ----------
    settled_s : float
        Over so many seconds a value that has settled stands within ``SETTLED_SHARE``.

    Attributes
    ----------
    settled_s : float
        As given.
    rest_v : float
        Where the value stands; NaN while it moves or is not known yet.
    last : Sample or None
        The newest that is a reading.
    """

    def __init__(self, settled_s: float = SETTLED_S) -> None:
        self.settled_s = settled_s
        self.rest_v = math.nan
        self.last: Sample | None = None
        self._open: list[Sample] = []
        self._usual_jitter_v = 0.0
        self._pieces: deque[Piece] = deque()
        self._rest_from_s = math.inf  # pieces from here on count for being at rest, and for being settled
        self._left: CourseEvent | None = None
        self._extreme_v = math.nan
        self._back_s: float | None = None
        self._silent_from_s: float | None = None
        self._reason = ""
        self._has_settled = False

    @property
    def pieces(self) -> Sequence[Piece]:
        """The newest ones, as far back as being settled asks for."""
        return self._pieces

    @property
    def drift(self) -> float:
        """Change over the last minute, as a share of the value; NaN where there was less than half a minute."""
        if not self._pieces:
            return math.nan
        end_s = self._pieces[-1].end_s
        near = [p for p in self._pieces if p.start_s >= max(end_s - 60.0, self._rest_from_s)]
        if len(near) < 30 or not near[-1].mean_v:
            return math.nan
        tenth = len(near) // 10
        first, last = (fmean(p.mean_v for p in part) for part in (near[:tenth], near[-tenth:]))
        return (last - first) / abs(last) if last else math.nan

    def feed(self, sample: Sample) -> tuple[list[Piece], list[CourseEvent]]:
        """Take one sample.

        Parameters
        ----------
        sample : Sample
            In order of time.

        Returns
        -------
        pieces : list of Piece
            What is to be kept.
        events : list of CourseEvent
            What is to be told.
        """
        done = self._cut(sample.t_s)
        if not sample.is_reading:
            return done, self._no_reading(sample)
        events = self._heard_again(sample)
        self.last = sample
        self._open.append(sample)
        return done, [*events, *self._follow(sample, fresh=bool(done))]

    def look_again(self) -> None:
        """Tell anew that it has settled, as where that meant nothing yet."""
        self._has_settled = False

    def end(self) -> list[Piece]:
        """Close the stretch under way."""
        return self._close()

    # -- stretches -------------------------------------------------------------------------------------------

    def _cut(self, t_s: float) -> list[Piece]:
        if self._open and t_s - self._open[0].t_s >= STRETCH_S:
            return self._close(t_s)
        return []

    def _close(self, t_s: float | None = None) -> list[Piece]:
        if not self._open:
            return []
        values = [s.value_v for s in self._open]
        start_s, last_s = self._open[0].t_s, self._open[-1].t_s
        # A meter that fell silent did not stand where it was until it speaks again.
        end_s = last_s if t_s is None else min(t_s, start_s + 2 * STRETCH_S)
        piece = Piece(
            start_s=start_s, end_s=max(end_s, last_s), mean_v=fmean(values), lowest_v=min(values),
            highest_v=max(values), samples=len(values),
        )  # fmt: skip
        self._open = []
        # Without the newest: it may hold the beginning of what is to be noticed.
        self._usual_jitter_v = self._jitter_v(self._since(start_s - 4 * REST_S) or [piece])
        self._pieces.append(piece)
        while self._pieces and self._pieces[0].end_s < piece.end_s - max(self.settled_s, 2 * REST_S) - STRETCH_S:
            self._pieces.popleft()
        return [piece]

    # -- silence ---------------------------------------------------------------------------------------------

    def _no_reading(self, sample: Sample) -> list[CourseEvent]:
        if self._silent_from_s is None:
            self._silent_from_s = sample.t_s
        # A meter changes range for a moment, and a link is mended within one.
        if self._reason == sample.reason or sample.t_s - self._silent_from_s < STAYS_S:
            return []
        self._reason = sample.reason
        self._start_anew(sample.t_s)
        return [CourseEvent(kind=CourseKind.SILENT, t_s=sample.t_s, text=sample.reason)]

    def _heard_again(self, sample: Sample) -> list[CourseEvent]:
        from_s, told = self._silent_from_s, self._reason
        self._silent_from_s, self._reason = None, ""
        if from_s is None or not told:
            return []
        lasted_s = sample.t_s - from_s
        return [CourseEvent(kind=CourseKind.SPEAKS, t_s=sample.t_s, value_v=sample.value_v, lasted_s=lasted_s)]

    # -- rest ------------------------------------------------------------------------------------------------

    def _start_anew(self, t_s: float) -> None:
        self._rest_from_s = t_s
        self.rest_v = math.nan
        self._left = self._back_s = None
        self._has_settled = False

    def _follow(self, sample: Sample, *, fresh: bool) -> list[CourseEvent]:
        if math.isinf(self._rest_from_s):
            self._rest_from_s = sample.t_s
        if math.isnan(self.rest_v):
            return self._look_for_rest(sample) if fresh else []
        if self._left is not None:
            return self._while_away(self._left, sample)
        if abs(sample.value_v - self.rest_v) > self._beyond_v(sample):
            self._left = CourseEvent(
                kind=CourseKind.LEFT, t_s=sample.t_s, value_v=sample.value_v, before_v=self.rest_v
            )
            self._extreme_v, self._back_s = sample.value_v, None
            return [self._left]
        if not fresh:
            return []
        # Where nothing was seen for longer, as of a program that was stopped and gone on with, it stands as before.
        if near := self._since(sample.t_s - REST_S):
            self.rest_v = median(p.mean_v for p in near)
        return self._look_whether_settled(sample)

    def _look_for_rest(self, sample: Sample) -> list[CourseEvent]:
        near = self._since(max(sample.t_s - REST_S, self._rest_from_s))
        if not near or sample.t_s - near[0].start_s < REST_S - 2 * STRETCH_S:
            return []
        middle_v = median(p.mean_v for p in near)
        spread_v = max(p.mean_v for p in near) - min(p.mean_v for p in near)
        if spread_v > max(REST_SHARE * abs(middle_v), DIGITS * sample.resolution_v, self._jitter_v(near)):
            return []
        self.rest_v = middle_v
        return [CourseEvent(kind=CourseKind.RESTS, t_s=sample.t_s, value_v=middle_v)]

    def _while_away(self, left: CourseEvent, sample: Sample) -> list[CourseEvent]:
        is_away = abs(sample.value_v - left.before_v) > self._beyond_v(sample)
        if is_away:
            self._back_s = None
            if abs(sample.value_v - left.before_v) > abs(self._extreme_v - left.before_v):
                self._extreme_v = sample.value_v
            if sample.t_s - left.t_s < STAYS_S:
                return []
            self._start_anew(sample.t_s)
            return [
                CourseEvent(kind=CourseKind.MOVED, t_s=left.t_s, value_v=sample.value_v, before_v=left.before_v)
            ]
        if self._back_s is None:
            self._back_s = sample.t_s
        if sample.t_s - self._back_s < STRETCH_S:
            return []
        dip = CourseEvent(
            kind=CourseKind.DIPPED, t_s=left.t_s, value_v=self._extreme_v, before_v=left.before_v,
            lasted_s=self._back_s - left.t_s,
        )  # fmt: skip
        self._left = self._back_s = None
        return [dip]

    def _look_whether_settled(self, sample: Sample) -> list[CourseEvent]:
        if self._has_settled:
            return []
        since = self._since(max(sample.t_s - self.settled_s - STRETCH_S, self._rest_from_s))
        if not since or sample.t_s - since[0].start_s < self.settled_s:
            return []
        end = max(1, len(since) // 10)
        first_v, last_v = (fmean(p.mean_v for p in part) for part in (since[:end], since[-end:]))
        if abs(last_v - first_v) > max(SETTLED_SHARE * abs(last_v), DIGITS * sample.resolution_v):
            return []
        self._has_settled = True
        return [CourseEvent(kind=CourseKind.SETTLED, t_s=sample.t_s, value_v=last_v, before_v=first_v)]

    def _since(self, t_s: float) -> list[Piece]:
        return [piece for piece in self._pieces if piece.start_s >= t_s]

    @staticmethod
    def _jitter_v(pieces: Sequence[Piece]) -> float:
        """How far single samples go within a second: ripple and noise of a value that stands."""
        return median(p.highest_v - p.lowest_v for p in pieces)

    def _beyond_v(self, sample: Sample) -> float:
        return max(LEFT_SHARE * abs(self.rest_v), 2 * DIGITS * sample.resolution_v, 3.0 * self._usual_jitter_v)
