"""What the instruments are connected to: a circuit that answers questions, and the leads that touch it.

Nothing here solves a circuit. Whoever starts a simulated bench passes a `Plant`, so that the numbers behind the
demonstration come from somewhere else than the model that later judges them.
"""

from __future__ import annotations

import math
import threading
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

import numpy as np

from ..clock import Clock, SystemClock

RISE_S = 0.15
"""Time constant of the rise after switching on; real tubes take longer, and a survey waits for them."""


CALIBRATOR = "calibrator"
"""Point that is no part of the circuit: the scope's own square wave."""
CALIBRATOR_HZ, CALIBRATOR_V = 1000.0, 3.0
"""Its frequency, and its upper level over 0 V."""
SCOPE_INPUT_OHM = 1e6
"""Behind the probe; its capacitance is what a trimmed probe asks for."""


class Line(NamedTuple):
    """One sine of a ripple: frequency in hertz, peak in volts, phase of its cosine in radians."""

    freq_hz: float
    peak_v: float
    phase_rad: float = 0.0


class Plant(Protocol):
    """A circuit as the instruments see it. All voltages are against the chassis."""

    def dc_v(self, point: str, load_ohm: float = math.inf) -> float:
        """Settled direct voltage at a point with a resistance from there to the chassis, in volts."""
        ...

    def settle_s(self, point: str) -> float:
        """Slowest time constant with which the point takes up a load, in seconds."""
        ...

    def ripple(self, point: str) -> Sequence[Line]:
        """Lines of hum and ripple at a point."""
        ...

    def response(self, points: Sequence[str], freq_hz: float, loads_s: Sequence[complex]) -> np.ndarray:
        """Volts at each point per volt of generator EMF.

        ``loads_s`` holds the admittance in siemens hung on each of the points at the same time. The result has
        shape (len(points),), complex; a lag is a negative angle.
        """
        ...

    def swing_v(self, point: str) -> tuple[float, float]:
        """Lowest and highest instantaneous volts the point can reach before it clips."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """State of the generator.

    Parameters
    ----------
    on : bool
        Output switched on.
    freq_hz, emf_peak_v, phase_rad : float
        Sine behind the source resistance: ``emf_peak_v * cos(2 pi f t + phase)``.
    offset_v : float
        Direct voltage behind the source resistance; the chassis is reached through a capacitor, so it stops there.
    """

    on: bool = False
    freq_hz: float = 1000.0
    emf_peak_v: float = 0.0
    phase_rad: float = 0.0
    offset_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A scope probe clipped to a point.

    Parameters
    ----------
    point : str or None
        Where it is; None hangs open.
    factor : float
        True division of the probe, whatever the scope believes.
    resistance_ohm, capacitance_farad : float
        Load of the probe at its tip.
    trim : float
        Its capacitor over what the scope's input asks for: 1 is trimmed.
    """

    point: str | None = None
    factor: float = 10.0
    resistance_ohm: float = 10e6
    capacitance_farad: float = 12e-12
    trim: float = 1.0

    def passes(self, freq_hz: np.ndarray | float) -> np.ndarray:
        """What comes through the divider, over what comes through it at low frequencies: 1 where it is trimmed.

        Parameters
        ----------
        freq_hz : float or ndarray
            Frequency in hertz.
        """
        series_ohm = (self.factor - 1.0) * SCOPE_INPUT_OHM
        if series_ohm <= 0.0:
            return np.ones_like(np.asarray(freq_hz, complex))
        series_s = self.capacitance_farad * self.trim * series_ohm
        across_s = self.capacitance_farad * series_ohm  # of the input, with the cable, where the probe is trimmed
        turn = 2j * np.pi * np.asarray(freq_hz)
        over = series_ohm * SCOPE_INPUT_OHM / (series_ohm + SCOPE_INPUT_OHM)
        tau_s = over * (series_s / series_ohm + across_s / SCOPE_INPUT_OHM)
        return np.asarray((1 + turn * series_s) / (1 + turn * tau_s))

    def admittance_s(self, freq_hz: float) -> complex:
        """Load at a frequency in siemens.

        Parameters
        ----------
        freq_hz : float
            Frequency in hertz.
        """
        return 1.0 / self.resistance_ohm + 2j * math.pi * freq_hz * self.capacitance_farad


@dataclass(slots=True)
class Lead:
    """The meter's probe tip: what it touches from when on, set ahead of time by a hand.

    Parameters
    ----------
    filter_s : float
        Time constant of the meter's input filter.
    hum_peak_v, hum_hz : float
        Pick-up of the open lead.
    wander_v : float
        Slow wander of the open lead, volts.
    times_s, points : list
        When the contact changes, and to what; kept by `move`.
    """

    filter_s: float = 0.02
    hum_peak_v: float = 0.4
    hum_hz: float = 50.03
    wander_v: float = 0.02
    times_s: list[float] = field(default_factory=lambda: [-math.inf])
    points: list[str | None] = field(default_factory=lambda: [None])

    def move(self, changes: Sequence[tuple[float, str | None]]) -> None:
        """Replace what is planned from the first change on.

        Parameters
        ----------
        changes : sequence of (float, str or None)
            Moment in seconds of the clock, and the point touched from then on; None is open.
        """
        if not changes:
            return
        keep = bisect_right(self.times_s, changes[0][0])
        # A few old contacts are enough: filters forget, and a long survey must not grow a list for ever.
        start = max(0, keep - 64)
        self.times_s = self.times_s[start:keep] + [moment for moment, _ in changes]
        self.points = self.points[start:keep] + [point for _, point in changes]

    def touched(self, moment_s: float) -> str | None:
        """Point touched at a moment, None when open.

        Parameters
        ----------
        moment_s : float
            In seconds of the clock.
        """
        return self.points[max(0, bisect_right(self.times_s, moment_s) - 1)]


class Wiring:
    """Which instrument is connected where, shared by the three instruments and the hands.

    Parameters
    ----------
    plant : Plant
        The circuit.
    clock : Clock, optional
        Time of the whole bench.
    """

    def __init__(self, plant: Plant, clock: Clock | None = None) -> None:
        self.plant = plant
        self.clock: Clock = clock or SystemClock()
        self.lead = Lead()
        self.drive = Drive()
        self.probes: dict[int, Probe] = {1: Probe(), 2: Probe()}
        self.lock = threading.RLock()
        self._live, self._since_s = True, -math.inf

    def clip(self, channel: int, point: str | None) -> None:
        """Clip a scope probe to a point, or take it off.

        Parameters
        ----------
        channel : int
            Scope channel from 1.
        point : str or None
            Where to.
        """
        with self.lock:
            self.probes[channel] = replace(self.probes[channel], point=point)

    def switch(self, live: bool) -> None:
        """Switch the chassis on or off.

        Parameters
        ----------
        live : bool
            On: everything rises with ``RISE_S``. Off: it was discharged too, and shows nothing.
        """
        with self.lock:
            self._live, self._since_s = live, self.clock.monotonic_s()

    def _supply(self, times_s: np.ndarray) -> np.ndarray:
        """Share of the settled volts that stands at each moment."""
        if not self._live:
            return np.where(times_s < self._since_s, 1.0, 0.0)
        return np.asarray(1.0 - np.exp(-np.clip(times_s - self._since_s, 0.0, 60.0 * RISE_S) / RISE_S))

    def lead_volts(self, times_s: np.ndarray, load_ohm: float) -> np.ndarray:
        """Volts at the meter's input, its filter included.

        Parameters
        ----------
        times_s : ndarray, shape (N,)
            Moments in seconds of the clock, rising.
        load_ohm : float
            Input resistance of the meter.

        Returns
        -------
        ndarray, shape (N,)
            Volts.

        Notes
        -----
        Every contact starts a first-order approach of the filter to the new point, and of the point itself from
        its unloaded to its loaded value; both have closed forms, so no state has to be kept between readings.
        """
        with self.lock:
            lead = self.lead
            volts = np.zeros_like(times_s)
            start_v = 0.0
            edges = [*lead.times_s, math.inf]
            for index, point in enumerate(lead.points):
                begin, end = edges[index], edges[index + 1]
                inside = (times_s >= begin) & (times_s < end)
                probe = np.append(times_s[inside], end if math.isfinite(end) else times_s[-1])
                settled = self._approach(point, probe - begin, start_v, load_ohm)
                own = settled[:-1] + self._moving(point, times_s[inside])
                volts[inside] = own if point is None else own * self._supply(times_s[inside])
                start_v = float(settled[-1])
                if begin > times_s[-1]:
                    break
            return volts

    def _approach(self, point: str | None, age_s: np.ndarray, start_v: float, load_ohm: float) -> np.ndarray:
        filtered = np.exp(-np.maximum(age_s, 0.0) / self.lead.filter_s)
        if point is None:
            return np.asarray(start_v * filtered)
        loaded, free = self.plant.dc_v(point, load_ohm), self.plant.dc_v(point)
        settling = np.exp(-np.maximum(age_s, 0.0) / max(self.plant.settle_s(point), 1e-6))
        return np.asarray(loaded + (free - loaded) * (settling - filtered) + (start_v - loaded) * filtered)

    def _moving(self, point: str | None, times_s: np.ndarray) -> np.ndarray:
        if point is None:
            lead = self.lead
            slow = lead.wander_v * np.sin(2 * np.pi * 0.37 * times_s) * np.cos(2 * np.pi * 0.11 * times_s + 1.0)
            return slow + lead.hum_peak_v * np.cos(2 * np.pi * lead.hum_hz * times_s + 0.7)
        volts = np.zeros_like(times_s)
        for line in self.plant.ripple(point):
            volts += line.peak_v * np.cos(2 * np.pi * line.freq_hz * times_s + line.phase_rad)
        if self.drive.on:
            gain = self.plant.response([point], self.drive.freq_hz, [0j])[0]
            volts += self._sine(complex(gain), times_s)
        return volts

    def _sine(self, gain: complex, times_s: np.ndarray) -> np.ndarray:
        drive = self.drive
        angle = 2 * np.pi * drive.freq_hz * times_s + drive.phase_rad + np.angle(gain)
        return np.asarray(drive.emf_peak_v * abs(gain) * np.cos(angle))

    @staticmethod
    def _square(probe: Probe, times_s: np.ndarray) -> np.ndarray:
        """The calibrator through a probe: one period by its harmonics, taken at each moment."""
        count = 4096
        period = np.where(np.arange(count) < count // 2, CALIBRATOR_V, 0.0)
        shown = np.fft.irfft(np.fft.rfft(period) * probe.passes(CALIBRATOR_HZ * np.arange(count // 2 + 1)), count)
        return np.asarray(np.interp(times_s * CALIBRATOR_HZ % 1.0, np.arange(count) / count, shown, period=1.0))

    def probe_volts(
        self, times_s: np.ndarray, channels: Sequence[int], ac_corner_hz: Sequence[float]
    ) -> np.ndarray:
        """Volts at the tips of the scope's probes, as their channels pass them on.

        Parameters
        ----------
        times_s : ndarray, shape (N,)
            Moments in seconds of the clock.
        channels : sequence of int
            Channels from 1.
        ac_corner_hz : sequence of float
            Corner of the coupling capacitor of each channel; 0 is direct coupling.

        Returns
        -------
        ndarray, shape (len(channels), N)
            Volts.
        """
        with self.lock:
            drive, plant = self.drive, self.plant
            clipped = [c for c in self.probes if self.probes[c].point not in (None, CALIBRATOR)]
            points = [str(self.probes[c].point) for c in clipped]
            loads = [self.probes[c].admittance_s(drive.freq_hz) for c in clipped]
            gains = plant.response(points, drive.freq_hz, loads) if drive.on and points else np.zeros(len(points))
            rows = []
            for channel, corner_hz in zip(channels, ac_corner_hz, strict=True):
                probe = self.probes[channel]
                if probe.point is None:
                    rows.append(0.02 * np.cos(2 * np.pi * self.lead.hum_hz * times_s))
                    continue
                if probe.point == CALIBRATOR:
                    rows.append(self._square(probe, times_s))
                    continue
                dc_v = plant.dc_v(probe.point, probe.resistance_ohm)
                volts = np.full_like(times_s, dc_v)
                for line in plant.ripple(probe.point):
                    left = 1 / (1 - 1j * corner_hz / line.freq_hz)  # of a line, behind the coupling capacitor
                    left = complex(left * probe.passes(line.freq_hz))
                    angle = 2 * np.pi * line.freq_hz * times_s + line.phase_rad + np.angle(left)
                    volts += line.peak_v * abs(left) * np.cos(angle)
                if drive.on:
                    gain = complex(gains[clipped.index(channel)] * probe.passes(drive.freq_hz))
                    if corner_hz:
                        gain /= 1 - 1j * corner_hz / drive.freq_hz
                    volts += self._sine(gain, times_s)
                volts = np.clip(volts, *plant.swing_v(probe.point))
                rows.append((volts - dc_v if corner_hz else volts) * self._supply(times_s))
            return np.array(rows)
