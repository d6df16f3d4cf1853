"""Rectifier with a reservoir: what it gives on average, and the ripple it leaves, over arrays of samples.

A rectifier is an EMF ``E*|sin|`` (or its positive half) behind a source resistance that conducts while it stands
above the reservoir. For the operating point it is replaced by the straight line that touches its load line where
the chassis rests, so that the rest of the solver sees an EMF behind a resistance like any other rail.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from .elements import SHORT_S, Array, Table

ANGLES = 64
"""Steps of one ripple period."""

CYCLES = 6
"""Newton steps towards the periodic state; each walks one ripple period."""

PERIODIC = 1e-8
"""Difference between start and end of a period, as a share of the peak, that ends them."""

FEW = 20
"""Samples for which a period is cheaper written down than walked step by step: arrays are short."""

PEAK_STEPS, FLATTEST = 60, 0.1
"""Secant steps towards the peak of a rail, and the least rise of its mean with it that a step is taken by."""

LEAST_FARAD = 1e-12
"""What is left of the reservoirs where all are out, farad."""

OPEN_OHM = 1e9
"""Source resistance that stands for an open one."""

LEAST_S = 1e-9
"""Least conductance of a load, siemens."""

LEAST_ANGLE = 0.02
"""Half conduction angle, in radian, below which the load line is not followed: hardly any load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectifier:
    """A rectified rail.

    Parameters
    ----------
    key : str
        Rail: ``HT1.emf`` is the peak of the rectified wave, ``HT1.source`` the resistance it charges through.
    node : int
        Its node.
    reservoirs : tuple of str
        Capacitors from that node to ground.
    full_wave : bool
        Two pulses a period of the mains instead of one.
    mains_hz : float
        Frequency of the mains.
    slope_s : float, optional
        Conductance of everything behind the reservoir at the ripple's frequency; steady current over steady volts
        when left out. It matters where the reservoir hardly holds.
    """

    key: str
    node: int
    reservoirs: tuple[str, ...]
    full_wave: bool
    mains_hz: float
    slope_s: float | None = None

    @property
    def ripple_hz(self) -> float:
        """Frequency of the ripple's first line."""
        return self.mains_hz * (2.0 if self.full_wave else 1.0)

    def load_s(self, load_a: Array, rail_v: Array) -> Array:
        """Conductance that stands for everything behind the reservoir, shape (S,) or (1,).

        Parameters
        ----------
        load_a, rail_v : ndarray, shape (S,)
            Steady current and volts.
        """
        mean_s = load_a / np.maximum(rail_v, 1e-3)
        return np.clip(mean_s if self.slope_s is None else np.full(1, self.slope_s), LEAST_S, SHORT_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Charging:
    """The periodic state of a rectifier.

    Parameters
    ----------
    mean_v : ndarray, shape (S,)
        Average of the rail.
    mean_a : ndarray, shape (S,)
        Average current.
    current_a, rail_v : ndarray, shape (ANGLES, S)
        Charging current and volts of the rail over one ripple period.
    conducting_s : ndarray, shape (S,)
        Conductance of the source, by the share of the period in which the rectifier conducts.
    slope_ohm : ndarray, shape (S,)
        How steeply the load line falls.
    start_v : ndarray, shape (S,)
        Reservoir volts at the start of a ripple period.
    """

    mean_v: Array
    mean_a: Array
    current_a: Array
    rail_v: Array
    conducting_s: Array
    slope_ohm: Array
    start_v: Array

    @property
    def driven_a(self) -> Array:
        """The rectifier as a source of current with `conducting_s` beside it, shape (ANGLES, S).

        Into the load that `charge` took it gives the volts of the charging current alone. Into another, as a choke
        without its reservoir, the rectifier holds the rail as far as it conducts.
        """
        return np.asarray(self.current_a + self.conducting_s * self.rail_v)


CHARGING_FIELDS = tuple(f.name for f in fields(Charging))


def charge(
    rectifier: Rectifier, table: Table, load_a: Array, rail_v: Array, start_v: Array | None = None
) -> Charging:
    """Find the periodic state under a load.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    table : mapping of str to ndarray
        Values by key.
    load_a, rail_v : ndarray, shape (S,)
        The load: current, at volts of the rail. Around those it follows the slope of the rectifier's load.
    start_v : ndarray, optional
        Reservoir volts of a neighbouring state, to start from.

    Returns
    -------
    Charging
        Over the samples.

    Notes
    -----
    The load draws ``i0 + g*v``. With ``k = 1/(1 + esr*g)`` the reservoir moves as ``c*dv/dt = -k*(g*v + i0)`` while
    the rectifier rests, and towards ``(e - i0*r)/(k + g*p)``, ``p = r + k*esr``, while it conducts through r.
    """
    peak = np.abs(table[f"{rectifier.key}.emf"] * table["mains"])
    r = np.clip(table[f"{rectifier.key}.source"], 1.0 / SHORT_S, OPEN_OHM)
    farad, esr = _reservoir(rectifier, table)
    peak, r, farad, esr, load_a, rail_v = np.broadcast_arrays(peak, r, farad, esr, load_a, rail_v)
    g = rectifier.load_s(load_a, rail_v)
    i0 = load_a - g * rail_v
    k = 1.0 / (1.0 + esr * g)
    p = r + k * esr
    step_s = 1.0 / (rectifier.ripple_hz * ANGLES)
    rest_v, reach = -i0 / g, k + g * p
    span = np.pi if rectifier.full_wave else 2.0 * np.pi
    wave = np.maximum(np.sin((np.arange(ANGLES) + 0.5) * (span / ANGLES)), 0.0)[:, None]
    period = _Period(
        idle=-k * g / farad * step_s,
        busy=-k * (k / p + g) / farad * step_s,
        rest_v=rest_v,
        # A step takes the reservoir towards rest while the wave is below the rail, else towards the wave.
        towards_v=(peak * wave - i0 * r) / reach,
        from_v=peak * wave / k + esr * i0,
    )
    start = np.clip(rail_v, 0.0, peak) if start_v is None else np.broadcast_to(start_v, peak.shape)
    for cycle in range(CYCLES + 1):
        path, on = period.walk(start)
        miss = path[-1] - start
        if cycle == CYCLES or np.all(np.abs(miss) <= PERIODIC * peak):
            break
        share_on = on.sum(axis=0)
        memory = np.exp(period.busy * share_on + period.idle * (ANGLES - share_on))
        start = start + miss / np.maximum(1.0 - memory, 1e-6)
    middle = 0.5 * (path[1:] + path[:-1])
    current = np.where(on, np.diff(path, axis=0) * (farad / (step_s * k)) + i0 + g * middle, 0.0)
    rail = k * (middle + esr * (current - i0))
    mean = rail.mean(axis=0)
    angle = np.arccos(np.clip(mean / np.maximum(peak, 1e-9), 0.0, np.cos(LEAST_ANGLE)))
    slope = np.pi * r / angle * (0.5 if rectifier.full_wave else 1.0)
    return Charging(
        mean_v=mean, mean_a=i0 + g * mean, current_a=np.maximum(current, 0.0), rail_v=rail,
        conducting_s=on.mean(axis=0) / r, slope_ohm=slope, start_v=start,
    )  # fmt: skip


def _reservoir(rectifier: Rectifier, table: Table) -> tuple[Array, Array]:
    """Capacitance and series resistance of all reservoirs as one, as they are at the ripple's first line.

    Not the sum: beside a good one a reservoir of high series resistance takes hardly any of the current.
    """
    s = 2j * np.pi * rectifier.ripple_hz
    admittance = np.zeros(1, dtype=complex)
    for key in rectifier.reservoirs:
        through = s * np.maximum(table[key], LEAST_FARAD)
        admittance = admittance + through / (1.0 + through * table[f"{key}.esr"])
    impedance = 1.0 / admittance if rectifier.reservoirs else 1.0 / np.full(1, s * LEAST_FARAD)
    return -1.0 / (s.imag * impedance.imag), impedance.real


class _Period:
    """The reservoir over one ripple period, in steps.

    Parameters
    ----------
    idle, busy : ndarray, shape (S,)
        Logarithm of what a step leaves of the distance to its end, while the rectifier rests and while it conducts.
    rest_v : ndarray, shape (S,)
        Where the reservoir would end if the rectifier rested.
    towards_v : ndarray, shape (ANGLES, S)
        And if it conducted, the wave held.
    from_v : ndarray, shape (ANGLES, S)
        The rectifier conducts in a step at whose end the reservoir would otherwise stand below this.
    """

    def __init__(self, *, idle: Array, busy: Array, rest_v: Array, towards_v: Array, from_v: Array) -> None:
        self.idle, self.busy, self.from_v = idle, busy, from_v
        self.rest_v = rest_v
        self._resting_v, self._gained_v = -np.expm1(idle) * rest_v, -np.expm1(busy) * towards_v

    def walk(self, start: Array) -> tuple[Array, Array]:
        """Volts over a period, shape (ANGLES + 1, S), and the steps in which the rectifier conducts.

        Parameters
        ----------
        start : ndarray, shape (S,)
            Volts at its start.
        """
        if start.size <= FEW:
            path, on = self._once(start)
            if (on == self._conducts(path)).all():
                return path, on
        return self._step_by_step(start)

    def _step_by_step(self, start: Array) -> tuple[Array, Array]:
        idle, busy, resting_v, gained_v = np.exp(self.idle), np.exp(self.busy), self._resting_v, self._gained_v
        path, on = np.empty((ANGLES + 1, start.size)), np.empty((ANGLES, start.size), dtype=bool)
        path[0] = start
        for place in range(ANGLES):
            held = path[place]
            rested = held * idle + resting_v
            on[place] = conducts = rested < self.from_v[place]
            path[place + 1] = np.where(conducts, held * busy + gained_v[place], rested)
        return path, on

    def _once(self, start: Array) -> tuple[Array, Array]:
        """The walk of rectifiers that conduct once a period, as they do where the reservoir holds at all."""
        samples, steps, idle = np.arange(start.size), np.arange(ANGLES + 1)[:, None], self.idle
        path = self.rest_v + (start - self.rest_v) * np.exp(idle * steps)
        starts = path[1:] < self.from_v
        begin = np.where(starts.any(axis=0), starts.argmax(axis=0), ANGLES)
        rise_v = path[begin, samples] - self._driven_v[begin, samples]
        driven = self._driven_v + rise_v * np.exp(self.busy * np.maximum(steps - begin, 0))
        ends = ~self._conducts(driven) & (steps[:-1] > begin)
        end = np.where(ends.any(axis=0), ends.argmax(axis=0), ANGLES)
        rested = self.rest_v + (driven[end, samples] - self.rest_v) * np.exp(idle * np.maximum(steps - end, 0))
        path = np.where(steps > end, rested, np.where(steps > begin, driven, path))
        return path, (steps[:-1] >= begin) & (steps[:-1] < end)

    def _conducts(self, path: Array) -> Array:
        return np.asarray(path[:-1] * np.exp(self.idle) + self._resting_v < self.from_v)

    @cached_property
    def _driven_v(self) -> Array:
        """Volts from none, conducting all the time."""
        kept, result = np.exp(self.busy), np.zeros((ANGLES + 1, self.busy.size))
        for place, gained_v in enumerate(self._gained_v):
            result[place + 1] = result[place] * kept + gained_v
        return result


def peak_for(rectifier: Rectifier, table: Table, volts: float, load_a: float) -> float:
    """Find the peak of the rectified wave that gives a rail its volts under its load.

    Parameters
    ----------
    rectifier : Rectifier
        The rail.
    table : mapping of str to ndarray
        Values by key, one sample; its ``emf`` does not matter.
    volts, load_a : float
        What the rail shows, and the current it gives.
    """
    load, rail = np.full(1, max(load_a * np.sign(volts), 0.0)), np.full(1, abs(volts))
    peak, held = abs(volts), None
    before: tuple[float, float] | None = None
    for _ in range(PEAK_STEPS):
        state = charge(rectifier, {**table, f"{rectifier.key}.emf": np.full(1, peak)}, load, rail, held)
        mean = float(state.mean_v[0])
        if abs(mean - abs(volts)) <= 1e-8 * abs(volts):
            break
        # Not in proportion: of a load that draws the same at any volts the mean is a straight line beside it.
        slope = mean / peak if before is None else (mean - before[1]) / (peak - before[0])
        before = peak, mean
        peak += (abs(volts) - mean) / max(slope, FLATTEST)
        held = state.start_v * (peak / before[0])
    return peak if volts > 0 else -peak
