"""What instruments put across the points they read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLoad:
    """What the DC meter puts across the point it reads.

    Parameters
    ----------
    resistance_ohm : float
        Input resistance; ``inf`` for none.
    """

    resistance_ohm: float = 10e6


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeLoad:
    """What a scope probe puts across the point it reads.

    Parameters
    ----------
    resistance_ohm, capacitance_farad : float
        In parallel, from the tip to ground.
    """

    resistance_ohm: float = 10e6
    capacitance_farad: float = 12e-12

    def admittance(self, s: np.ndarray) -> np.ndarray:
        """Admittance at complex frequencies.

        Parameters
        ----------
        s : ndarray
            ``j*omega``.
        """
        return 1.0 / self.resistance_ohm + s * self.capacitance_farad
