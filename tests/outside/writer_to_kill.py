"""Writes to a new job as fast as it can and tells each number after it is kept; made to be killed.

Not a test: `tests/acquisition/store/test_store_trouble.py` and `tests/outside/kill_the_store.py` start it. As a
``survey`` does, it keeps a reading a point and now and then an event; as a ``sweep`` does, two records, a gain and
a phase at each frequency, between the generator's on and off. A number is told for each reading.
"""

import sys

import numpy as np

from acquisition.records import Capture, Event, Reading
from acquisition.store import create_job


def tell(number):
    sys.stdout.write(f"{number}\n")
    sys.stdout.flush()


def survey(job):
    for number in range(0, 200_000):
        if number % 7 == 0:
            job.add_event("as-found", Event(kind="note", subject="V1.1", text="slipped off"))
        job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=float(number), std=0.1))
        tell(number)


def sweep(job):
    for number in range(0, 200_000, 2):
        job.add_event("as-found", Event(kind="state", subject="generator", text="on"))
        for channel in (1, 2):
            codes = np.full(20_000, number % 100, dtype=np.int8)
            record = Capture(
                point="V1.1", codes=codes, scale_v=1.0, offset_v=0.0, t0_s=0.0, dt_s=1.0, full_scale_v=256.0,
                channel=channel,
            )  # fmt: skip
            job.add_capture("as-found", record)
        job.add_event("as-found", Event(kind="state", subject="generator", text="off"))
        pair = [
            Reading(point="V1.2>V1.1", quantity="gain", value=float(number), std=0.1, freq_hz=1000.0),
            Reading(point="V1.2>V1.1", quantity="phase_deg", value=float(number + 1), std=0.1, freq_hz=1000.0),
        ]
        job.add_readings("as-found", pair)
        tell(number + 1)


if __name__ == "__main__":
    with create_job(sys.argv[1], "made to be killed") as opened:
        opened.start_pass("as-found")
        {"survey": survey, "sweep": sweep}[sys.argv[2]](opened)
