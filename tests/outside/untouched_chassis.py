"""Twenty DC readings of a chassis that nobody touched, compared with twenty more: how often is any called changed?
Run by hand:

    python -m tests.outside.untouched_chassis 1000 31

Wanted: 5 % at most, but where everything moved. Meters are within 0.5 %, rectangular, each range with an error of
its own; a touch repeats within half of what the comparison assumes, or as badly as that.
"""

import math
import sys
from typing import NamedTuple

import numpy as np

from acquisition.records import Pass, Reading
from analysis.compare import UNCHANGED, compare
from analysis.compare.pairing import CHANGE_STD

TRUE_V = np.geomspace(20.0, 280.0, 20)
WITHIN = 0.005
AS_ASSUMED = CHANGE_STD["dc_v"][0] / math.sqrt(2.0)


class Case(NamedTuple):
    """What differs between two passes; ``touch`` is the relative standard deviation of one touch."""

    name: str
    touch: float = 0.5 * AS_ASSUMED
    another_meter: bool = False
    other_range_from: int = len(TRUE_V)
    moved: float = 0.0


CASES = (
    Case("same meter"),
    Case("same meter, touches repeat as badly as assumed", touch=AS_ASSUMED),
    Case("another meter", another_meter=True),
    Case("another meter, touches as assumed", touch=AS_ASSUMED, another_meter=True),
    Case("same meter, half on another range", other_range_from=10),
    Case("same meter, half on another range, touches as assumed", touch=AS_ASSUMED, other_range_from=10),
    Case("same meter, all moved by 1 %", moved=0.01),
    Case("same meter, all moved by 1 %, touches as assumed", touch=AS_ASSUMED, moved=0.01),
)


def alarmed(case: Case, rng: np.random.Generator) -> bool:
    """Whether one comparison names a change."""
    errors: dict[tuple[str, float], float] = {}

    def read(name: str, meter: str, other_range_from: int, moved: float) -> Pass:
        readings = []
        for place, true_v in enumerate(TRUE_V):
            range_v = 1000.0 if place >= other_range_from else 300.0
            gain = errors.setdefault((meter, range_v), WITHIN * rng.uniform(-1.0, 1.0))
            shown_v = true_v * (1.0 + moved) * (1.0 + gain) * (1.0 + case.touch * rng.standard_normal())
            std_v = WITHIN * shown_v / math.sqrt(3.0)
            readings.append(
                Reading(
                    point=f"P{place}", quantity="dc_v", value=shown_v, std=std_v, instrument=meter, range_v=range_v
                )
            )
        return Pass(name=name, started_utc="", mains_v=230.0, readings=tuple(readings))

    before = read("before", "one", len(TRUE_V), 0.0)
    after = read("after", "two" if case.another_meter else "one", case.other_range_from, case.moved)
    return compare(before, after).verdict != UNCHANGED


def main() -> int:
    """Print the share of each case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 31
    for case in CASES:
        rng = np.random.default_rng(seed)
        share = sum(alarmed(case, rng) for _ in range(count)) / count
        print(f"{share:6.1%}  {case.name}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
