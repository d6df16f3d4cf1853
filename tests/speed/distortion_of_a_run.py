"""Distortion of the drives of a headroom run, together and each alone. Run by hand:

    OMP_NUM_THREADS=1 python -m tests.speed.distortion_of_a_run [COUNT]

The peer is the same model asked for one drive at a time, which solves every state from rest; same samples.
"""

import sys
import time

import numpy as np

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis

DRIVES_PP_V = {"V1.6": (0.002, 0.004, 0.008, 0.012), "SPK": (0.002, 0.004, 0.006, 0.008)}


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    model = ChassisModel(load_chassis("quayside-five"))
    values = model.draw(count, np.random.default_rng(1))
    wanted = [
        Measurand(point=point, quantity="thd_pct", freq_hz=1000.0, drive_pp_v=drive)
        for point, drives in DRIVES_PP_V.items()
        for drive in drives
    ]
    started = time.process_time()
    together = model.predict(values, wanted)
    together_s = time.process_time() - started
    started = time.process_time()
    alone = np.concatenate([model.predict(values, [one]) for one in wanted], axis=1)
    alone_s = time.process_time() - started
    apart = float(np.nanmax(np.abs(together / alone - 1.0)))
    print(f"{count} chassis, {len(wanted)} readings: together {together_s:.1f} s, each alone {alone_s:.1f} s, "
          f"ratio {alone_s / together_s:.1f}; the figures differ by {apart:.1g} of their size")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
