"""A circuit for the simulated bench whose answers come from a table that another program solved."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from acquisition.simulated.plant import Line

HEATER_PINS = ("V1.4", "V1.5", "V1.9", "V2.4", "V2.5")
"""Heater pins, left out of the table of the demonstration: 6.3 V rms from a winding with a grounded centre tap."""

HEATER_PEAK_V = 6.3 / 2.0 * math.sqrt(2.0)
"""Half of the winding, peak, against the chassis; full-wave ripple has twice its frequency."""

_HEATER = {"dc_v": 0.0, "dc_loaded_v": 0.0, "settle_s": 0.0, "lowest_v": -HEATER_PEAK_V, "highest_v": HEATER_PEAK_V}


class TablePlant:
    """One state of a table as a `acquisition.simulated.plant.Plant`.

    Parameters
    ----------
    table : mapping
        As ``tests/outside/make_demo_tables.py`` writes it.
    state : str
        Key of its ``states``.
    """

    def __init__(self, table: Mapping[str, Any], state: str) -> None:
        from scipy.interpolate import CubicSpline

        found = table["states"][state]
        self.points: tuple[str, ...] = tuple(found["points"])
        self._entries = {**dict.fromkeys(HEATER_PINS, _HEATER), **found["points"]}
        self._meter_ohm = float(table["meter_ohm"])
        self._ripple_hz = float(table["ripple_hz"])
        self._row = {point: index for index, point in enumerate(found["signal_points"])}
        count, log_hz = len(self._row), np.log(table["frequencies_hz"])
        self._limits_hz = (table["frequencies_hz"][0], table["frequencies_hz"][-1])
        gain = _complex(found["gain"]).reshape(count, -1)
        impedance = _complex(found["impedance_ohm"]).reshape(count, count, -1)
        # Smooth curves on a logarithmic axis: six points a decade and a cubic leave about 1e-4.
        self._gain = CubicSpline(log_hz, gain, axis=-1)
        self._impedance = CubicSpline(log_hz, impedance, axis=-1)

    def dc_v(self, point: str, load_ohm: float = math.inf) -> float:
        """Settled direct voltage with a resistance to the chassis.

        Parameters
        ----------
        point : str
            Where the probe is.
        load_ohm : float
            Resistance of the instrument.
        """
        entry = self._entries[point]
        free, loaded = entry["dc_v"], entry["dc_loaded_v"]
        if math.isinf(load_ohm) or free == 0.0 or loaded == 0.0:
            return float(free)
        source_ohm = self._meter_ohm * (free / loaded - 1.0)
        return float(free / (1.0 + source_ohm / load_ohm))

    def settle_s(self, point: str) -> float:
        """Slowest time constant of the point in seconds.

        Parameters
        ----------
        point : str
            Where the probe is.
        """
        return float(self._entries[point]["settle_s"])

    def ripple(self, point: str) -> Sequence[Line]:
        """Ripple line of the supply.

        Parameters
        ----------
        point : str
            Where the probe is.
        """
        entry = self._entries[point]
        if entry is _HEATER:
            return [Line(0.5 * self._ripple_hz, HEATER_PEAK_V, 0.0)]
        return [Line(self._ripple_hz, entry["ripple_peak_v"], entry["ripple_phase_rad"])]

    def response(self, points: Sequence[str], freq_hz: float, loads_s: Sequence[complex]) -> np.ndarray:
        """Volts at each point per volt of generator EMF, all loads connected at once.

        Parameters
        ----------
        points : sequence of str
            Where the probes are.
        freq_hz : float
            Within the table; beyond, its last value serves.
        loads_s : sequence of complex
            Admittance of each probe in siemens.

        Returns
        -------
        ndarray, shape (len(points),)
            Complex.

        Notes
        -----
        With currents ``-Y V`` drawn at the points, ``V = H - Z Y V``, so ``(1 + Z Y) V = H``.
        """
        log_hz = math.log(min(max(freq_hz, self._limits_hz[0]), self._limits_hz[1]))
        known = [self._row.get(point) for point in points]
        inside = [index for index, row in enumerate(known) if row is not None]
        rows = [row for row in known if row is not None]
        gains = np.zeros(len(points), complex)
        if rows:
            impedance = self._impedance(log_hz)[np.ix_(rows, rows)]
            matrix = np.eye(len(rows)) + impedance * np.array([loads_s[i] for i in inside])[None, :]
            gains[inside] = np.linalg.solve(matrix, self._gain(log_hz)[rows])
        return gains

    def swing_v(self, point: str) -> tuple[float, float]:
        """Lowest and highest instantaneous volts, as an overdriven run showed them, with the ripple beyond.

        That run has no ripple, and its mean moves: what rests in peace is never clipped.

        Parameters
        ----------
        point : str
            Where the probe is.
        """
        entry = self._entries[point]
        rest_v, ripple_v = float(entry["dc_v"]), float(entry.get("ripple_peak_v", 0.0))
        return min(float(entry["lowest_v"]), rest_v) - ripple_v, max(float(entry["highest_v"]), rest_v) + ripple_v


def load_table(path: Path | None = None) -> dict[str, Any]:
    """Read a table.

    Parameters
    ----------
    path : Path, optional
        The demonstration amplifier when left out.
    """
    if path is None:
        text = (resources.files(__package__) / "quayside-five.json").read_text(encoding="utf-8")
    else:
        text = path.read_text(encoding="utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


def _complex(flat: Sequence[float]) -> np.ndarray:
    parts = np.array(flat, float).reshape(-1, 2)
    return np.asarray(parts[:, 0] + 1j * parts[:, 1])
