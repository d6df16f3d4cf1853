"""A channel of the simulated scope: its ranges, how far their offsets reach, and what a shot leaves of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

CHANNELS = (1, 2)
CODES_PER_DIVISION = 25
DIVISIONS = 10
"""Divisions of the time axis; the vertical axis has 8 on the screen and 10.24 in the converter."""

SCALES_V = tuple(m * 10.0**e for e in (-3, -2, -1, 0) for m in (2, 5, 10))
"""Volts a division at the input, 1-2-5 steps from 2 mV to 10 V."""

OFFSETS_V = ((0.1, 2.0), (math.inf, 50.0))
"""Largest offset at the input, up to so many volts a division (usual for such scopes, from memory)."""


@dataclass(slots=True)
class Channel:
    """Settings of one channel; volts are at the input, the probe factor comes on top.

    Parameters
    ----------
    shown, ac, limited, inverted : bool
        Displayed; capacitor in the input; bandwidth limit on; shown upside down.
    factor : float
        What the scope believes the probe to be.
    input_scale_v, centre_v : float
        Volts a division at the input; volts at the tip in the middle of the screen.
    """

    shown: bool = True
    ac: bool = False
    limited: bool = False
    inverted: bool = False
    factor: float = 1.0
    input_scale_v: float = 1.0
    centre_v: float = 0.0

    def step_v(self) -> float:
        """Volts of one code at the tip."""
        return self.input_scale_v * self.factor / CODES_PER_DIVISION

    def most_centre_v(self) -> float:
        """Largest offset at the tip: fine ranges reach no further than a few volts at the input."""
        return self.factor * next(most_v for scale_v, most_v in OFFSETS_V if self.input_scale_v <= scale_v)


@dataclass(frozen=True, slots=True)
class Record:
    """What one shot left in the memory.

    Parameters
    ----------
    first_s, step_s : float
        Time of the first sample against the trigger, and the interval.
    codes : mapping of int to ndarray
        Codes counted from the middle of the converter, -128 to 127.
    step_v, centre_v : mapping of int to float
        Scale of each channel when it was taken.
    """

    first_s: float
    step_s: float
    codes: dict[int, np.ndarray]
    step_v: dict[int, float]
    centre_v: dict[int, float]
