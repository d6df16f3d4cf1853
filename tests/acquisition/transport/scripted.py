"""A link that plays a script: which bytes it expects, which it gives, and which errors on cue."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from acquisition.clock import FakeClock
from acquisition.errors import TransportError
from acquisition.transport import Link


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens on a scripted link.

    Parameters
    ----------
    expects : bytes, optional
        The next write must be exactly this; None for something the instrument does unasked.
    gives : bytes
        What it sends then.
    after_s : float
        How long it takes to send.
    fails : TransportError, optional
        Raised instead, by the write if something was expected, else by the next read.
    """

    expects: bytes | None = None
    gives: bytes = b""
    after_s: float = 0.0
    fails: TransportError | None = None


class ScriptedLink(Link):
    """A link for tests and for replaying recorded exchanges; its clock moves only when something is waited for.

    Parameters
    ----------
    steps : iterable of Step
        In order.
    piece : int
        Bytes given at a time; 1 plays everything byte by byte.
    resource : str
        Name in messages.
    clock : FakeClock, optional
        Shared with the driver under test.
    """

    def __init__(
        self,
        steps: Iterable[Step] = (),
        *,
        piece: int = 1 << 20,
        resource: str = "SCRIPT",
        clock: FakeClock | None = None,
    ) -> None:
        self.fake_clock = clock or FakeClock()
        super().__init__(resource, self.fake_clock)
        self._steps = deque(steps)
        self._piece = piece
        self._coming: deque[tuple[float, bytes]] = deque()  # when, what
        self.written: list[bytes] = []
        self.is_open = True

    def extend(self, steps: Iterable[Step]) -> None:
        """Add steps to the end of the script.

        Parameters
        ----------
        steps : iterable of Step
            In order.
        """
        self._steps.extend(steps)

    @property
    def left(self) -> int:
        """Steps not played yet."""
        return len(self._steps)

    def _play(self, step: Step) -> None:
        if step.gives:
            start_s = max(self.fake_clock.monotonic_s(), self._coming[-1][0] if self._coming else 0.0)
            for index in range(0, len(step.gives), self._piece):
                self._coming.append((start_s + step.after_s, step.gives[index : index + self._piece]))

    def _send(self, data: bytes, timeout_s: float) -> None:
        self.written.append(data)
        if not self._steps or self._steps[0].expects is None:
            wanted = "a read" if self._steps else "nothing more"
            raise AssertionError(f"the script expects {wanted}, but {data!r} was written")
        step = self._steps.popleft()
        if data != step.expects:
            raise AssertionError(f"the script expects {step.expects!r}, but {data!r} was written")
        if step.fails is not None:
            raise step.fails
        self._play(step)

    def _receive(self, timeout_s: float, most: int) -> tuple[bytes, bool]:
        while self._steps and self._steps[0].expects is None and not self._coming:
            step = self._steps[0]
            if step.fails is not None:
                self._steps.popleft()
                raise step.fails
            if timeout_s <= 0 and step.after_s > 0:
                break
            self._play(self._steps.popleft())
        now_s = self.fake_clock.monotonic_s()
        if not self._coming or self._coming[0][0] > now_s + timeout_s:
            self.fake_clock.sleep_s(timeout_s)
            return b"", False
        when_s, data = self._coming.popleft()
        self.fake_clock.sleep_s(when_s - now_s)
        return data, False

    def _release(self) -> None:
        self.is_open = False
