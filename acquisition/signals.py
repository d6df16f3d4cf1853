"""Signals of the system: while a generator is on each way out passes the switching off, and a commit is not cut.

Only the main thread gets signals; in any other nothing here does anything.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType


def _known(*names: str) -> tuple[int, ...]:
    return tuple(getattr(signal, name) for name in names if hasattr(signal, name))


OFF_SIGNALS = _known("SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")
"""What ends the program: asked to, its terminal closed, Ctrl-backslash, and Ctrl-Break on Windows."""

STOP_SIGNALS = _known("SIGTSTP")

Handler = Callable[[int, FrameType | None], None]


@contextmanager
def leaving_on_signals() -> Iterator[None]:
    """Turn what would end the process into ``SystemExit`` inside the block; Ctrl-Z stops it after the block."""
    stops: list[int] = []

    def leave(number: int, _: FrameType | None) -> None:
        raise SystemExit(128 + number)

    def stop_later(number: int, _: FrameType | None) -> None:
        stops.append(number)

    try:
        with _handling(dict.fromkeys(OFF_SIGNALS, leave) | dict.fromkeys(STOP_SIGNALS, stop_later)):
            yield
    finally:
        for number in stops[:1]:
            os.kill(os.getpid(), number)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hear what would end the process, Ctrl-C too, only after the block: pressed twice it comes in the middle."""
    heard: list[int] = []

    def hear(number: int, _: FrameType | None) -> None:
        heard.append(number)

    try:
        with _handling(dict.fromkeys((signal.SIGINT, *OFF_SIGNALS), hear)):
            yield
    finally:
        for number in heard[:1]:
            signal.raise_signal(number)


@contextmanager
def _handling(handlers: Mapping[int, Handler]) -> Iterator[None]:
    """Have these handlers inside the block, but for what the process was told to ignore, as by nohup."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    found = {number: signal.getsignal(number) for number in handlers}
    changed = {number: before for number, before in found.items() if before not in (None, signal.SIG_IGN)}
    for number in changed:
        signal.signal(number, handlers[number])
    try:
        yield
    finally:
        for number, before in changed.items():
            signal.signal(number, before)
