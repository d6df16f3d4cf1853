"""A circuit whose numbers can be worked out on paper, for the simulated instruments to measure."""

import math
from typing import ClassVar

import numpy as np
import pytest

from acquisition.simulated.plant import Line, Wiring


class PaperPlant:
    """``A`` is 200 V behind 60 kohm with 100 Hz ripple; ``IN`` is the generator; ``OUT`` is -10 times IN."""

    dc: ClassVar = {"A": 200.0, "IN": 0.0, "OUT": 150.0, "ZERO": 0.0, "HIGH": 1500.0, "LOW": 1.125}
    gains: ClassVar = {"A": 0.0, "IN": 1.0, "OUT": -10.0, "ZERO": 0.0, "HIGH": 0.0, "LOW": 0.0}

    def dc_v(self, point, load_ohm=math.inf):
        source_ohm = 60e3 if point == "A" else 0.0
        return self.dc[point] * (1 / (1 + source_ohm / load_ohm))

    def settle_s(self, point):
        return 0.05

    def ripple(self, point):
        return [Line(100.0, 0.5)] if point == "A" else []

    def response(self, points, freq_hz, loads_s):
        return np.array([self.gains[point] for point in points], complex)

    def swing_v(self, point):
        return (20.0, 290.0) if point == "OUT" else (-2000.0, 2000.0)


@pytest.fixture
def wiring():
    return Wiring(PaperPlant())
