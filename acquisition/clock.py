"""Time as an object, so that no test ever sleeps."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the program asks of time."""

    def monotonic_s(self) -> float:
        """Seconds from an arbitrary start, never going back."""
        ...

    def sleep_s(self, seconds: float) -> None:
        """Wait."""
        ...

    def utc(self) -> str:
        """Now as ISO 8601 text in UTC with milliseconds, for example ``2026-03-01T19:04:05.250Z``."""
        ...


def utc_text(moment: datetime) -> str:
    """Write a moment the way every record stores it.

    Parameters
    ----------
    moment : datetime
        Aware time; converted to UTC.

    Examples
    --------
    >>> utc_text(datetime(2026, 3, 1, 19, 4, 5, 250000, tzinfo=UTC))
    '2026-03-01T19:04:05.250Z'
    """
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


_RUNS_ASLEEP = getattr(time, "CLOCK_MONOTONIC" if sys.platform == "darwin" else "CLOCK_BOOTTIME", None)
"""The clock that goes on while the machine sleeps, where ``time.monotonic`` stands still (Linux, clock_gettime(2);
macOS, clock_gettime(3)); None where it is the same one."""


class SystemClock:
    """The clock of the machine."""

    def monotonic_s(self) -> float:
        """Seconds from an arbitrary start, never going back; the time the machine slept counts."""
        return time.monotonic() if _RUNS_ASLEEP is None else time.clock_gettime(_RUNS_ASLEEP)

    def sleep_s(self, seconds: float) -> None:
        """Wait for real."""
        if seconds > 0:
            time.sleep(seconds)

    def utc(self) -> str:
        """Now as ISO 8601 text in UTC."""
        return utc_text(datetime.now(UTC))


def utc_without_steps(clock: Clock) -> Callable[[], str]:
    """Give the time by the date of now and the seconds since, whatever the machine's date is set to meanwhile.

    So what is told of hours lies at its place among readings that are timed in seconds, also where the date is put
    right in the middle of them, as over a network that is there only then.

    Parameters
    ----------
    clock : Clock
        Of the readings.
    """
    begun, begun_s = datetime.fromisoformat(clock.utc()), clock.monotonic_s()
    return lambda: utc_text(begun + timedelta(seconds=clock.monotonic_s() - begun_s))


LOOK_S = 0.25


def rest(clock: Clock, seconds: float, look: Callable[[], None]) -> None:
    """Wait, and look meanwhile whether somebody wants to stop.

    Parameters
    ----------
    clock : Clock
        Of the wait.
    seconds : float
        How long; nothing where it is not above zero.
    look : callable
        Called first, and then each quarter of a second; may raise to end the wait.
    """
    end_s = clock.monotonic_s() + seconds
    while (left_s := end_s - clock.monotonic_s()) > 0.0:
        look()
        clock.sleep_s(min(left_s, LOOK_S))


class FakeClock:
    """A clock that moves only when told to; ``sleep_s`` moves it at once.

    Parameters
    ----------
    start_s : float
        First value of ``monotonic_s``; the UTC date starts at 2026-01-01 and moves with it.
    """

    def __init__(self, start_s: float = 0.0) -> None:
        self.now_s = start_s

    def monotonic_s(self) -> float:
        """Seconds moved so far plus the start."""
        return self.now_s

    def sleep_s(self, seconds: float) -> None:
        """Move the clock on by ``seconds``."""
        self.now_s += max(0.0, seconds)

    def utc(self) -> str:
        """2026-01-01 plus the seconds moved."""
        return utc_text(datetime.fromtimestamp(1767225600.0 + self.now_s, UTC))
