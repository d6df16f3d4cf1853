"""Processor time to make every other tube of a chassis ready, against one model of the drawing; run by hand.

python -m tests.speed.other_tubes [CHASSIS ...]
"""

import sys
import time

from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects.other_tubes import OtherTubes

CHASSIS = ("quayside-five", "breakwater-pair", "harbour-twenty")


def main(names: tuple[str, ...]) -> None:
    """Print a line a chassis."""
    for name in names:
        chassis = load_chassis(name)
        ChassisModel(chassis)  # what is loaded once is not counted
        begun = time.process_time()
        model = ChassisModel(chassis)
        one_s, begun = time.process_time() - begun, time.process_time()
        count = len(OtherTubes(model, {})._fitting)
        all_s = time.process_time() - begun
        print(f"{name}: {count} standings in {all_s:.2f} s, {all_s / one_s:.1f} times one model of the drawing")


if __name__ == "__main__":
    main(tuple(sys.argv[1:]) or CHASSIS)
