"""Print how near the answer at a glance comes to the full one, reading after reading; run by hand.

    OMP_NUM_THREADS=1 python -m tests.outside.glance_table [--folder F] [--processes N] [--only NAME]

The DC readings of each reference case come one at a time, as in a survey. Between both answers after each: the
share of belief that moves (half the sum of the differences of all probabilities), whether the first place goes to
another, and what the glance said of a first place that it had to give up.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from analysis.chassis import ChassisModel
from analysis.suspects import Diagnoser
from tests.outside.cases_table import FOLDER, case_names, load_case

SURE = 0.5


def beliefs(found) -> dict[str, float]:
    """Probability of each suspect and of nothing wrong."""
    listed = {f"{s.section or s.part} {s.fault}": s.probability for s in found.suspects}
    return listed | {"nothing wrong": found.healthy_probability}


def belief_moved(first, second) -> float:
    """Share of belief that lies elsewhere in a second answer; what only one of them lists counts whole."""
    one, other = beliefs(first), beliefs(second)
    return 0.5 * sum(abs(one.get(key, 0.0) - other.get(key, 0.0)) for key in one.keys() | other.keys())


def run_case(job):
    """Belief moved, first places and times of one case: a row for each reading."""
    folder, name = job
    chassis, readings, _ = load_case(folder, name)
    readings = [r for r in readings if r.quantity == "dc_v"]
    diagnoser = Diagnoser(ChassisModel(chassis), [r.measurand for r in readings], dc_only=True)
    rows = []
    for count in range(1, len(readings) + 1):
        begin = time.process_time()
        rough = diagnoser.glance(readings[:count])
        middle = time.process_time()
        full = diagnoser.diagnose(readings[:count])
        times = middle - begin, time.process_time() - middle
        if rough is None:
            rows.append((name, count, None, False, 0.0, times))
            continue
        seen, known = beliefs(rough), beliefs(full)
        first, moved = max(seen, key=lambda key: seen[key]), belief_moved(rough, full)
        rows.append((name, count, moved, first != max(known, key=lambda key: known[key]), seen[first], times))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=FOLDER)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", default="", help="part of the names of the cases to run")
    options = parser.parse_args()
    jobs = [(options.folder, name) for name in case_names(options.folder) if options.only in name]
    rows = []
    with ProcessPoolExecutor(options.processes) as pool:
        for number, found in enumerate(pool.map(run_case, jobs), 1):
            print(f"\r{number} of {len(jobs)}", end="", file=sys.stderr, flush=True)
            rows += found
    print(file=sys.stderr)
    told = [row for row in rows if row[2] is not None]
    moved = np.array([row[2] for row in told])
    print(f"{len(rows)} readings of {len(jobs)} cases; no answer at a glance after {len(rows) - len(told)}")
    print("belief moved: " + ", ".join(f"{q:.0%} {np.quantile(moved, q):.3f}" for q in (0.5, 0.9, 0.95, 0.99, 1.0)))
    other = [row for row in told if row[3]]
    print(f"another first place after {len(other)}, of which the glance held for more than half sure:")
    for name, count, share, _, belief, _ in other:
        if belief > SURE:
            print(f"  {name}, reading {count}: {belief:.2f}, belief moved {share:.2f}")
    for label, which in (("glance", 0), ("full", 1)):
        seconds = np.array([row[5][which] for row in rows])
        print(f"{label:7s} median {np.median(seconds):.3f} s, 95 % {np.quantile(seconds, 0.95):.3f} s, "
              f"longest {seconds.max():.3f} s")  # fmt: skip


if __name__ == "__main__":
    main()
