"""The words of a watch."""

from __future__ import annotations

import math

from ..probing.wording import volts
from ..records import LEAVES, SETTLED, STANDS
from .course import CourseEvent, CourseKind


def minutes(seconds: float) -> str:
    """Write a time since the beginning.

    Parameters
    ----------
    seconds : float
        Since then.

    Examples
    --------
    >>> minutes(75.4), minutes(3675.0), minutes(0.0)
    ('1:15', '1:01:15', '0:00')
    """
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    text = f"{rest // 60}:{rest % 60:02d}"
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else text


def course_text(event: CourseEvent) -> str:
    """Say what a point did.

    Parameters
    ----------
    event : CourseEvent
        From `Course`.

    Examples
    --------
    >>> course_text(CourseEvent(kind=CourseKind.DIPPED, t_s=0.0, value_v=31.0, before_v=41.2, lasted_s=1.24))
    'was away from 41.20 V for 1.2 s, as far as 31.00 V'
    """
    now, before = (volts(value_v) for value_v in (event.value_v, event.before_v))
    match event.kind:
        case CourseKind.LEFT:
            return f"{LEAVES} {before}: {now}"
        case CourseKind.DIPPED:
            return f"was away from {before} for {max(event.lasted_s, 0.1):.1f} s, as far as {now}"
        case CourseKind.MOVED:
            return f"has moved from {before} to {now}, and does not come back"
        case CourseKind.SILENT:
            return f"gives no reading: {event.text}; that is not zero"
        case CourseKind.SPEAKS:
            return f"reads again, after {event.lasted_s:.0f} s: {now}"
        case CourseKind.SETTLED:
            return f"{SETTLED} {now}"
        case _:
            return f"{STANDS} {now}"


def progress_text(value_v: float, drift: float, *, settled: bool) -> str:
    """Say how far a watch has come.

    Parameters
    ----------
    value_v : float
        Now, in volts.
    drift : float
        Change over the last minute as a share of the value, NaN where nothing tells.
    settled : bool
        It has settled.

    Examples
    --------
    >>> progress_text(41.23, 0.0042, settled=False)
    '41.23 V, +0.4 % in the last minute'
    """
    moved = (
        ""
        if math.isnan(drift)
        else f", {100 * drift:+.1f} % in the last minute".replace("+0.0", "0.0").replace("-0.0", "0.0")
    )
    return f"{volts(value_v)}{moved}{', settled' if settled else ''}"
