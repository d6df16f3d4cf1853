"""Tells of an instrument that leaves a question unanswered, before its time is over and it counts as lost."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType

from acquisition.instruments.session import Session

NOTICE_S = 1.5
LOOK_S = 0.25


class Watch:
    """A thread that looks at open sessions; a context manager.

    Parameters
    ----------
    sessions : mapping of str to Session
        By role.
    say : callable
        Takes a line, from this thread.
    is_told : callable
        Whether the person knows already that something is lost; then nothing is said.
    notice_s : float
        An answer that takes longer is told of, once, in seconds.
    """

    def __init__(
        self,
        sessions: Mapping[str, Session],
        say: Callable[[str], None],
        is_told: Callable[[], bool] = lambda: False,
        notice_s: float = NOTICE_S,
    ) -> None:
        self._sessions, self._say, self._is_told, self._notice_s = sessions, say, is_told, notice_s
        self._told: set[tuple[str, float]] = set()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look, name="unanswered", daemon=True)

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._ended.wait(min(LOOK_S, self._notice_s)):
            for role, session in self._sessions.items():
                # The time first: this thread may be held up, and the answer come meanwhile.
                now_s = session.clock.monotonic_s()
                since_s = session.waiting_since_s
                if since_s is None or now_s - since_s < self._notice_s:
                    continue
                if (role, since_s) not in self._told and not self._is_told():
                    self._told.add((role, since_s))
                    self._say(f"! no answer of the {role} for {self._notice_s:g} s; it is waited for.")
