"""Time of a 30-point response on the simulated bench, against the sum of the instruments' own times.

Run by hand:

    python -m tests.speed.response_overhead

Own time: settling of the generator after switching on, the wait for the time constants of the chassis, once the
rest after the scope's coupling capacitors were switched in, and for each single shot the record itself with half a
period on average until the trigger. Everything else is overhead: SCPI traffic, polling, shots that only found a
range, fits, writing to the job.
"""

import sys
import tempfile
import threading
import time
from pathlib import Path

from acquisition.capture import AC_SETTLE_S
from acquisition.clock import SystemClock
from acquisition.configs import find_config
from acquisition.instruments import load_bench
from acquisition.simulated.bench import SimulatedBench
from acquisition.store import create_job
from analysis.app.demo.plant import TablePlant, load_table
from analysis.app.signal.plan import plan_stage
from analysis.app.signal.session import SignalRun
from analysis.chassis import load_chassis
from analysis.response import log_frequencies


def watch_sleeps(late_s):
    """Add up how much later than asked the machine wakes this thread: a busy machine's share of the overhead."""
    sleep_s, mine = SystemClock.sleep_s, threading.get_ident()

    def watched(self, seconds):
        start = time.perf_counter()
        sleep_s(self, seconds)
        if threading.get_ident() == mine:
            late_s.append(time.perf_counter() - start - max(0.0, seconds))

    SystemClock.sleep_s = watched


def main():
    late_s = []
    watch_sleeps(late_s)
    folder = Path(tempfile.mkdtemp())
    chassis = load_chassis("quayside-five")
    with SimulatedBench(TablePlant(load_table(), "mended")) as simulated:
        simulated.wiring.clip(1, "V1.2")
        simulated.wiring.clip(2, "V1.1")
        bench = load_bench(str(simulated.write(folder / "bench.yaml")))
        plan = plan_stage("first", chassis, bench)
        frequencies = log_frequencies(20.0, 20e3, 30)
        text = find_config("chassis", "quayside-five").read_text(encoding="utf-8")
        own_s = {"settling of the chassis": 0.0, "settling of the generator": 0.0, "records": 0.0}
        with create_job(folder / "job.stagewalk", "quayside-five", text) as job:
            job.start_pass("as-found")
            with SignalRun(plan, job, "as-found", drive_pp_v=0.1, ask=lambda text: None) as run:
                late_s.clear()
                start = time.perf_counter()
                processor = time.process_time()
                for _ in run.two_channels(frequencies):
                    pass
                wall_s, woken_late_s = time.perf_counter() - start, sum(late_s)
                processor_s = time.process_time() - processor
            captures = job.read_pass("as-found").captures[::2]
            if captures[0].coupling == "ac":
                own_s["coupling of the scope"] = AC_SETTLE_S
            for capture in captures:
                own_s["records"] += capture.dt_s * capture.codes.size + 0.5 / capture.freq_hz
            for freq_hz in frequencies:
                own_s["settling of the chassis"] += plan.settle_s(freq_hz)
                own_s["settling of the generator"] += 3 / freq_hz + 0.05
    total = sum(own_s.values())
    for name, seconds in own_s.items():
        print(f"{name:<28}{seconds:8.2f} s")
    print(f"{'instruments, sum':<28}{total:8.2f} s")
    print(f"{'wall':<28}{wall_s:8.2f} s, of which {processor_s:.2f} s processor (both sides of the links)")
    share = 100 * (wall_s - woken_late_s - total) / total
    print(
        f"overhead {100 * (wall_s / total - 1):.1f} %; without {woken_late_s:.2f} s of waking late, {share:.1f} %"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
