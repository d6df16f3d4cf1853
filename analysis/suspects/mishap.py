"""One way in which readings may mean something else, and what all such ways ask of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from acquisition.records import Reading

from ..faults import ArtefactEntry
from ..inference.data import Data, Refined
from ..inference.panel import Panel
from ..inference.variables import FLOORS, to_variable
from ..judge import LIVE_V

SUSPICIOUS = 4.0
"""Standard deviations from healthy from which a reading is questioned itself."""

NEAR = 2.0
"""Standard deviations within which a reading, put right, must come to what is expected."""

ANYTHING = 3.0
"""Width (logarithm) of what a wrong reading may be, 4 times either way. Common practice, no source."""

MISREAD = "misread"
"""The slip for which nothing speaks but that nothing else explains a reading."""

PICKED_UP_V = 0.1
"""What a loose lead shows (standard deviation). Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """One way in which readings may have gone wrong.

    Parameters
    ----------
    entry : ArtefactEntry
        Of ``configs/faults.yaml``.
    rows : tuple of int
        Readings concerned.
    readings : tuple of Reading
        The same put right; none where nobody knows what was really read.
    because : str
        What speaks for it.
    share : float
        Of the chance of such a slip, the part that this one has.
    """

    entry: ArtefactEntry
    rows: tuple[int, ...]
    readings: tuple[Reading, ...]
    because: str
    share: float = 1.0

    def worth(self, data: Data, plain: Refined) -> float:
        """Log probability of readings of which nobody knows what they were of.

        Parameters
        ----------
        data : Data
            Readings.
        plain : Refined
            The hypothesis for which they are left out.
        """
        rows = list(self.rows)
        if self.entry.name == MISREAD:
            return -math.log(ANYTHING)
        if self.entry.name == "nothing read":
            spread = np.hypot(data.noise[rows], PICKED_UP_V / FLOORS["dc_v"])
            left = data.measured[rows] / spread
        else:  # a reading that fits another pin is worth what any fitting reading is worth
            spread, left = plain.scale[rows], np.ones(len(rows))
        return -float(np.log(spread * math.sqrt(2 * math.pi)).sum() + 0.5 * (left**2).sum())


def dc_rows(data: Data) -> list[int]:
    """Readings of direct volts.

    Parameters
    ----------
    data : Data
        Readings.
    """
    return np.flatnonzero(data.quantities == "dc_v").tolist()


def live_rows(panel: Panel, data: Data) -> list[int]:
    """DC readings of points that are live for sure when healthy, most volts first.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    """
    least = float(to_variable("dc_v", np.array(LIVE_V)))
    live = [row for row in dc_rows(data) if abs(panel.centre[data.columns[row]]) > least]
    return sorted(live, key=lambda row: -abs(panel.centre[data.columns[row]]))


def divided(reading: Reading, factor: float) -> Reading:
    """A reading divided by a factor, its uncertainty with it.

    Parameters
    ----------
    reading : Reading
        As it stands.
    factor : float
        May be negative.
    """
    std = None if reading.std is None else reading.std / abs(factor)
    return replace(reading, value=reading.value / factor, std=std)
