"""Writes readings to a new job as fast as it can and tells each number after it is kept; made to be killed.

Not a test: `tests/acquisition/store/test_store_trouble.py` and `tests/outside/kill_the_store.py` start it.
"""

import sys

import numpy as np

from acquisition.records import Capture, Reading
from acquisition.store import create_job

with create_job(sys.argv[1], "made to be killed") as job:
    job.start_pass("as-found")
    for number in range(100_000):
        if number % 10 == 0:
            codes = np.full(20_000, number % 100, dtype=np.int8)
            job.add_capture(
                "as-found",
                Capture(
                    point="V1.1", codes=codes, scale_v=1.0, offset_v=0.0, t0_s=0.0, dt_s=1.0, full_scale_v=256.0
                ),
            )
        job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=float(number), std=0.1))
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()
