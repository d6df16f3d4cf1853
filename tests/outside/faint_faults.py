"""How often a fault stands among the first three where the model is exactly right; run by hand.

    python -m tests.outside.faint_faults CASE KEY VALUE COUNT      (0191 C102.leak 3.03e-5 30)

Specimens are drawn from the model with that fault, and read as the readings of a reference case were taken, with
the noise that their instruments state. What is missed here no diagnosis of these readings can find every time.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from analysis.chassis import ChassisModel
from analysis.suspects import Diagnoser
from tests.outside.cases_table import FOLDER, load_case, parts_of


def places_of(case: str, key: str, value: float, count: int) -> list[int]:
    """Place of the part in the answer for each specimen, 99 where it is not listed.

    Parameters
    ----------
    case : str
        Number of the reference case.
    key : str
        Parameter of the model: ``R3`` in ohms, ``C3.leak`` in siemens.
    value : float
        What it is in every specimen.
    count : int
        Specimens.
    """
    chassis, readings, _ = load_case(FOLDER, f"case_{case}")
    readings = [reading for reading in readings if reading.quantity != "thd_pct"]
    model, rng = ChassisModel(chassis), np.random.default_rng(1)
    diagnoser = Diagnoser(model, [reading.measurand for reading in readings])
    specimens = model.draw(count, rng) | {key: np.full(count, value)}
    found = []
    for row in model.predict(specimens, [reading.measurand for reading in readings]):
        read = [
            replace(reading, value=float(shown) + (reading.std or 0.0) * rng.standard_normal())
            for reading, shown in zip(readings, row, strict=True)
        ]
        parts = parts_of(diagnoser.diagnose(read))
        part = model.parameters[key].part
        found.append(parts.index(part) + 1 if part in parts else 99)
    return found


if __name__ == "__main__":
    places = places_of(sys.argv[1], sys.argv[2], float(sys.argv[3]), int(sys.argv[4]))
    print(f"first {sum(p == 1 for p in places)}, within three {sum(p <= 3 for p in places)} of {len(places)}")
