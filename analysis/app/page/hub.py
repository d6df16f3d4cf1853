"""From the one worker thread to every open tab: the latest state at once, events never lost.

The worker publishes whole snapshots of named panels; a tab that is slow or new gets the newest of each, and skips
what it missed. Cues (touched, taken, lift...) are queued one by one, since each is heard or spoken once.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

from acquisition.errors import unsteered

CUE_LIMIT = 64


class Subscriber:
    """One open tab: the panels that changed since it was last served, and cues in order."""

    def __init__(self, loop: asyncio.AbstractEventLoop, panels: dict[str, str]) -> None:
        self._loop = loop
        self._wake = asyncio.Event()
        self._lock = threading.Lock()
        self._changed = dict(panels)
        self._cues: deque[str] = deque(maxlen=CUE_LIMIT)
        self._ended = False
        self._called = False  # to look: one call is enough for all that comes before it is heard

    def put(self, panel: str, text: str) -> None:
        """Replace a panel; called from any thread."""
        with self._lock:
            self._changed[panel] = text
        self._signal()

    def cue(self, text: str) -> None:
        """Append a cue; called from any thread."""
        with self._lock:
            self._cues.append(text)
        self._signal()

    def end(self) -> None:
        """Tell the stream to finish; called from any thread."""
        self._ended = True
        self._signal()

    def _signal(self) -> None:
        with self._lock:
            called, self._called = self._called, True
        if called:
            return
        with contextlib.suppress(RuntimeError):  # the loop is gone when the server stops first
            self._loop.call_soon_threadsafe(self._wake.set)

    async def stream(self, keep_alive_s: float = 5.0) -> AsyncIterator[bytes]:
        """Yield server-sent events (WHATWG HTML, section 9.2) until the hub ends.

        Parameters
        ----------
        keep_alive_s : float
            After this silence the tab is told that the link is alive: one that hears nothing for longer knows that
            it is dead, as behind a network that went away without a word.
        """
        while True:
            with self._lock:
                self._called = False
                changed, self._changed = self._changed, {}
                cues = list(self._cues)
                self._cues.clear()
            for panel, text in changed.items():
                yield f"event: {panel}\ndata: {text}\n\n".encode()
            for text in cues:
                yield f"event: cue\ndata: {text}\n\n".encode()
            if self._ended:
                yield b"event: end\ndata: {}\n\n"
                return
            try:
                await asyncio.wait_for(self._wake.wait(), keep_alive_s)
            except TimeoutError:
                yield b"event: alive\ndata: {}\n\n"
            self._wake.clear()


class Hub:
    """Panels by name, and the tabs that look at them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._panels: dict[str, str] = {}
        self._subscribers: set[Subscriber] = set()
        self._ended = False

    def publish(self, panel: str, content: Any) -> None:
        """Set the newest content of a panel.

        Parameters
        ----------
        panel : str
            Name, also the event name in the stream.
        content : object
            Anything JSON can hold; numbers must be finite.
        """
        text = json.dumps(unsteered(content), allow_nan=False, separators=(",", ":"))
        with self._lock:
            if self._panels.get(panel) == text:
                return
            self._panels[panel] = text
            listeners = list(self._subscribers)
        for subscriber in listeners:
            subscriber.put(panel, text)

    def cue(self, kind: str, **content: Any) -> None:
        """Send a cue to every tab.

        Parameters
        ----------
        kind : str
            ``touched``, ``taken``, ``off-band``, ``lift``, ``say`` and so on.
        **content : object
            Details, such as the text to speak.
        """
        text = json.dumps(unsteered({"kind": kind, **content}), allow_nan=False, separators=(",", ":"))
        with self._lock:
            listeners = list(self._subscribers)
        for subscriber in listeners:
            subscriber.cue(text)

    def state(self) -> dict[str, Any]:
        """Every panel's newest content."""
        with self._lock:
            return {panel: json.loads(text) for panel, text in self._panels.items()}

    def subscribe(self) -> Subscriber:
        """Open a stream for a tab; call from the event loop."""
        with self._lock:
            subscriber = Subscriber(asyncio.get_running_loop(), self._panels)
            self._subscribers.add(subscriber)
            if self._ended:
                subscriber.end()
        return subscriber

    def unsubscribe(self, subscriber: Subscriber) -> None:
        """Forget a tab.

        Parameters
        ----------
        subscriber : Subscriber
            From `subscribe`.
        """
        with self._lock:
            self._subscribers.discard(subscriber)

    def end(self) -> None:
        """Finish every stream, now and later."""
        with self._lock:
            self._ended = True
            listeners = list(self._subscribers)
        for subscriber in listeners:
            subscriber.end()
