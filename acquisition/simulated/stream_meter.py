"""A hand-held meter that sends a line of text for each conversion, unasked, on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import random
import threading
from types import TracebackType

import numpy as np

from .plant import Wiring

RANGES = (
    (0.6, "mV", 1e3, 1),
    (6.0, " V", 1.0, 3),
    (60.0, " V", 1.0, 2),
    (600.0, " V", 1.0, 1),
    (1000.0, " V", 1.0, 0),
)
"""Full scale in volts, unit, units per volt, decimals; 6000 counts."""

INPUT_OHM = 10e6


class StreamMeter:
    """The meter's display, without its link.

    Parameters
    ----------
    wiring : Wiring
        What the lead touches, and the time.
    seed : int
        Draws noise, and this specimen's error.
    accuracy : float
        Limit of the error as fraction of the reading; three digits come on top.
    conversion_s : float
        Time of one conversion.
    """

    def __init__(
        self, wiring: Wiring, *, seed: int = 3, accuracy: float = 0.005, conversion_s: float = 0.25
    ) -> None:
        self.wiring = wiring
        self.rng = np.random.default_rng(seed)
        self.gain_error = float(self.rng.uniform(-1, 1)) * accuracy
        self.conversion_s = conversion_s
        self.index = 1
        self.auto = True
        self.held = ""
        self.alternating = False
        self.flags: tuple[str, ...] = ()

    def line(self) -> str:
        """Frame for the conversion that ends now, without its end of line."""
        if self.held:
            return self.held
        now_s = self.wiring.clock.monotonic_s()
        times_s = now_s - self.conversion_s * (1 - (np.arange(64) + 0.5) / 64)
        volts = self.wiring.lead_volts(times_s, INPUT_OHM)
        value = float(np.std(volts) if self.alternating else np.mean(volts)) * (1 + self.gain_error)
        # One conversion a change of range, as such meters do: the frame in between shows overload.
        full = RANGES[self.index][0]
        if abs(value) > full:
            text = self._frame("+ O.L" if value > 0 else "- O.L", self.index)
            if self.auto and self.index + 1 < len(RANGES):
                self.index += 1
            return text
        if self.auto and self.index and abs(value) < 0.09 * full and abs(value) < RANGES[self.index - 1][0]:
            self.index -= 1
        _, _, per_volt, decimals = RANGES[self.index]
        digit = 10.0**-decimals
        shown = value * per_volt + float(self.rng.normal(0.0, 0.3)) * digit
        return self._frame(f"{'-' if shown < 0 else '+'}{self._digits(abs(shown), decimals)}", self.index)

    @staticmethod
    def _digits(value: float, decimals: int) -> str:
        text = f"{value:.{decimals}f}" + ("." if decimals == 0 else "")
        return text.zfill(5)

    def _frame(self, value: str, index: int) -> str:
        words = [value, RANGES[index][1], "AC" if self.alternating else "DC"]
        if self.auto:
            words.append("AUTO")
        return " ".join([*words, *self.flags])

    def hold(self, on: bool = True) -> None:
        """Freeze the display, as its key does.

        Parameters
        ----------
        on : bool
            False lets it run again.
        """
        self.held = ""
        if on:
            self.held = f"{self.line()} HOLD"


STREAM_FAULTS = ("damaged", "partial", "repeated", "joined", "noise", "storm", "late", "digit")
"""What can happen to a frame on a serial line; ``late`` comes together with the next, ``digit`` turns a digit into
another, which nothing in the frame betrays."""


class StreamServer:
    """Sends the frames of a meter on a pseudo-terminal.

    Parameters
    ----------
    meter : StreamMeter
        The meter.
    seed : int
        For the faults that draw.
    """

    def __init__(self, meter: StreamMeter, seed: int = 5) -> None:
        self.meter = meter
        self.asleep = False
        self.rng = random.Random(seed)
        self.cues: list[str] = []
        self._late = b""
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._plug()
        self._thread = threading.Thread(target=self._send, name="simulated streaming meter", daemon=True)
        self._thread.start()

    def _plug(self) -> None:
        import tty  # here, because a system without pseudo-terminals can still run the socket instruments

        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)

    def replug(self) -> None:
        """Pull the cable and plug it in again; the port may have another name then."""
        with self._lock:
            ends = (self._ours, self._theirs)
            self._plug()  # first, so that the system cannot give the same name again
            for end in ends:
                os.close(end)

    @property
    def resource(self) -> str:
        """VISA resource string of the port."""
        return f"ASRL{self.path}::INSTR"

    def cue(self, name: str, times: int = 1) -> None:
        """Play a fault on the next frames.

        Parameters
        ----------
        name : str
            One of ``STREAM_FAULTS``.
        times : int
            How many frames.
        """
        if name not in STREAM_FAULTS:
            raise ValueError(f"{name!r} is not one of {STREAM_FAULTS}")
        self.cues += [name] * times

    def _send(self) -> None:
        while not self._ended.wait(self.meter.conversion_s):
            if self.asleep:
                continue
            frame = self._late + self.meter.line().encode() + b"\r\n"
            self._late = b""
            if self.cues and self.cues[0] == "late":
                self.cues.pop(0)
                self._late = frame
                continue
            # Nobody reading is no reason to stop: a meter does not know.
            with self._lock, contextlib.suppress(OSError):
                os.write(self._ours, self._spoil(frame, self.cues.pop(0)) if self.cues else frame)

    def _spoil(self, frame: bytes, name: str) -> bytes:
        place = self.rng.randrange(1, len(frame) - 2)
        if name == "damaged":
            return frame[:place] + bytes([frame[place] ^ (1 << self.rng.randrange(7))]) + frame[place + 1 :]
        if name == "partial":
            return frame[place:]
        if name == "repeated":
            return frame + frame
        if name == "joined":
            return frame[:-2] + frame
        if name == "digit":
            place = self.rng.choice([index for index, byte in enumerate(frame) if chr(byte).isdigit()])
            return frame[:place] + b"%d" % self.rng.randrange(10) + frame[place + 1 :]
        if name == "storm":
            return bytes(self.rng.randrange(256) for _ in range(600)) + b"\r\n" + frame
        return bytes(self.rng.randrange(256) for _ in range(12)) + frame

    def close(self) -> None:
        """Stop sending and close both ends."""
        if self._ended.is_set():
            return
        self._ended.set()
        self._thread.join()
        os.close(self._ours)
        os.close(self._theirs)

    def __enter__(self) -> StreamServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
