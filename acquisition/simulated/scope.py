"""A two-channel oscilloscope: 8-bit converter, ranges that clip, probe factors, trigger, single shot.

The three subclasses speak the preamble dialects that are found on benches: ten numbers with the y origin in volts,
ten numbers with the y origin in codes, and keywords with values.
"""

from __future__ import annotations

import math

import numpy as np

from .parser import ScpiError
from .plant import Wiring
from .scope_channel import CHANNELS, DIVISIONS, SCALES_V, Channel, Record
from .scope_panel import Panel

NOISE_CODES = 0.4
AC_CORNER_HZ, AC_SPREAD = 7.0, 0.15
"""Corner of the coupling capacitor with a 1:1 lead, and the largest error of a channel's own."""


class Scope(Panel):
    """What all three have in common.

    Parameters
    ----------
    wiring : Wiring
        Where the probes are, and the time.
    seed : int
        Draws noise, and this specimen's error of each channel.
    accuracy : float
        Limit of the vertical error, fraction of the reading.
    clock_ppm : float
        Error of the time base in parts per million.
    identity : str
        Answer to ``*IDN?``.
    """

    def __init__(
        self,
        wiring: Wiring,
        *,
        seed: int = 2,
        accuracy: float = 0.02,
        clock_ppm: float = 20.0,
        identity: str = "STAGEWALK,SIM-SCOPE,0002,1.0",
    ) -> None:
        super().__init__(identity, wiring.clock)
        self.wiring = wiring
        self.rng = np.random.default_rng(seed)
        self.gain_errors = {
            (channel, scale): float(self.rng.uniform(-1, 1)) * accuracy
            for channel in CHANNELS
            for scale in SCALES_V
        }
        own = np.random.default_rng([seed, 1])
        self.ac_corners_hz = {c: AC_CORNER_HZ * (1 + AC_SPREAD * float(own.uniform(-1, 1))) for c in CHANNELS}
        self.clock_ppm = clock_ppm
        self.never_triggers = False
        self.stuck_state = ""  # what it says for ever, whatever it does
        self.reset()
        self._tree()

    def reset(self) -> None:
        """Settings of ``*RST``."""
        self.channels = {channel: Channel(shown=channel == 1) for channel in CHANNELS}
        self.time_scale_s = 1e-3
        self.position_s = 0.0
        self.points = 1000
        self.source = 1  # 0 is the external input, which carries the generator's sync
        self.rising = True
        self.level_v = 0.0
        self.acquisition, self.trigger_mode, self.sweep = "NORM", "EDGE", "NORM"
        self.stops = True  # after one record
        self.state = "stopped"
        self.record: Record | None = None
        self.armed_s = 0.0
        self.forced_s: float | None = None
        self.selected = 1
        self.page = (1, 250_000)

    def _tree(self) -> None:
        """Commands of the dialect, added by a subclass."""

    # Acquiring.

    def single(self) -> None:
        """Arm for one shot."""
        self.state, self.record = "waiting", None
        self.armed_s = self.clock.monotonic_s()
        self.forced_s = None

    def run(self) -> None:
        """Take one record after the other, which is what a person leaves a scope doing."""
        self.state, self.record = "running", None

    def force(self) -> None:
        """Trigger now instead of waiting for the level."""
        if self.state == "waiting":
            self.forced_s = self.clock.monotonic_s()

    def stop(self) -> None:
        """Stop; what is in the memory stays."""
        self.advance()
        self.state = "stopped"

    def advance(self) -> str:
        """State now, after whatever became due since the last look."""
        if self.state == "waiting" and (self.forced_s is not None or not self.never_triggers):
            half_s = DIVISIONS * self.time_scale_s / 2
            earliest_s = self.armed_s + max(0.0, half_s - self.position_s)
            moment_s = self.forced_s if self.forced_s is not None else self._trigger_after(earliest_s)
            if moment_s is not None:
                ready_s = moment_s + half_s + self.position_s
                if self.clock.monotonic_s() < ready_s:
                    return "running" if self.clock.monotonic_s() >= moment_s else "waiting"
                self.record = self._acquire(moment_s)
                self.state = "stopped"
        return self.stuck_state or self.state

    def _trigger_after(self, earliest_s: float) -> float | None:
        """First crossing of the level within the three longest periods that matter, or None."""
        drive = self.wiring.drive
        if self.source == 0:
            if not drive.on:
                return None
            turns = drive.freq_hz * earliest_s + drive.phase_rad / (2 * math.pi) + (0.25 if self.rising else 0.75)
            return earliest_s + (math.ceil(turns) - turns) / drive.freq_hz
        span_s = 3 * max(1 / drive.freq_hz if drive.on else 0.02, 0.002)
        grid_s = earliest_s + np.linspace(0.0, span_s, 6001)
        for _ in range(2):
            volts = self._tip_volts(grid_s, [self.source])[0] - self.level_v
            volts = volts if self.rising else -volts
            below = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
            if not below.size:
                return None
            start = int(below[0])
            fraction = volts[start] / (volts[start] - volts[start + 1])
            moment_s = float(grid_s[start] + fraction * (grid_s[start + 1] - grid_s[start]))
            grid_s = np.linspace(grid_s[start], grid_s[start + 1], 33)  # the same crossing, looked at closer
        return moment_s

    def _tip_volts(self, times_s: np.ndarray, channels: list[int]) -> np.ndarray:
        """Volts as the channels show them: true division of the probe, believed factor, error of the range."""
        corners = [
            self.ac_corners_hz[channel] / self.wiring.probes[channel].factor if self.channels[channel].ac else 0.0
            for channel in channels
        ]
        rows = self.wiring.probe_volts(times_s, channels, corners)
        factors = []
        for channel in channels:
            settings = self.channels[channel]
            error = self.gain_errors[channel, settings.input_scale_v]
            sign = -1.0 if settings.inverted else 1.0
            factors.append(sign * settings.factor / self.wiring.probes[channel].factor * (1 + error))
        return np.asarray(rows * np.array(factors)[:, None])

    def _acquire(self, trigger_s: float) -> Record:
        step_s = DIVISIONS * self.time_scale_s / self.points
        first_s = self.position_s - DIVISIONS * self.time_scale_s / 2
        # The samples are a little further apart than the scope believes, and its trigger is not quite sharp.
        true_s = trigger_s + (first_s + step_s * np.arange(self.points)) * (1 + 1e-6 * self.clock_ppm)
        true_s += float(self.rng.normal(0.0, 0.02 * step_s))
        shown = [channel for channel in CHANNELS if self.channels[channel].shown]
        rows = self._tip_volts(true_s, shown) if shown else np.empty((0, self.points))
        codes = {}
        for channel, volts in zip(shown, rows, strict=True):
            settings = self.channels[channel]
            exact = (volts - settings.centre_v) / settings.step_v() + self.rng.normal(0.0, NOISE_CODES, self.points)
            codes[channel] = np.clip(np.round(exact), -128, 127).astype(np.int16)
        return Record(
            first_s,
            step_s,
            codes,
            {channel: self.channels[channel].step_v() for channel in shown},
            {channel: self.channels[channel].centre_v for channel in shown},
        )

    def memory(self, channel: int) -> Record:
        """Record that holds a channel.

        Parameters
        ----------
        channel : int
            From 1.

        Raises
        ------
        ScpiError
            -221 when the channel is off, -230 when nothing was taken.
        """
        self.advance()
        if not self.channels[channel].shown:
            raise ScpiError(-221, f"Settings conflict;channel {channel} is not displayed")
        if self.record is None or channel not in self.record.codes:
            raise ScpiError(-230, "Data corrupt or stale")
        return self.record

    def peak_to_peak_v(self, channel: int) -> float:
        """Difference of the extreme codes in volts, 9.9E37 without a usable record.

        Parameters
        ----------
        channel : int
            From 1.
        """
        try:
            record = self.memory(channel)
        except ScpiError:
            return 9.9e37
        return float(np.ptp(record.codes[channel])) * record.step_v[channel]
