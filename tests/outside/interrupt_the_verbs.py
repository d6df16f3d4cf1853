"""Press Ctrl-C at random moments of verbs: exit 130 in silence, no half-written file, generator off. Run by hand:

python -m tests.outside.interrupt_the_verbs 200 [VERB ...]

Verbs that need instruments have the simulated bench; a survey and a page never end by themselves and are pressed
within their first eight seconds.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from acquisition.configs import find_config
from acquisition.errors import BenchError
from acquisition.simulated.bench import SimulatedBench
from acquisition.store import create_job, open_job
from analysis.app.demo.plant import TablePlant, load_table

ROOT = Path(__file__).resolve().parents[2]
JOB = ROOT / "tests" / "data" / "jobs" / "version-3.stagewalk"
READINGS = "point,quantity,value\nV1.1,dc_v,190\nV1.3,dc_v,1.4\nV2.3,dc_v,7.5\n"
START = "from analysis.app.entry import entry; entry()"
VERBS = [
    ["--help"],
    ["tube", "EL84", "--svg", "{out}/base.svg"],
    ["tube", "12AX7", "--json"],
    ["expect", "quayside-five"],
    ["draw", "quayside-five", "--out", "{out}/amp.svg"],
    ["check", "--chassis", "quayside-five", "{out}/r.csv"],
    ["suspects", "--chassis", "quayside-five", "{out}/r.csv", "{out}/r.csv", "--processes", "2"],
    ["list", "{out}"],
    ["export", "{job}", "--out", "{out}/all.csv"],
    ["import", "{out}/amp.stagewalk", "{out}/r.csv", "--pass", "p", "--chassis", "quayside-five"],
    ["report", "{job}", "--out", "{out}/report.html"],
    ["compare", "{job}", "as-found", "after-C2"],
    ["demo", "--fast", "--out", "{out}/demo"],
    ["bench", "{bench}"],
    ["survey", "{out}/s.stagewalk", "--chassis", "quayside-five", "--bench", "{bench}", "--mains", "231"],
    [
        "gain",
        "{out}/g.stagewalk",
        "first",
        "--bench",
        "{bench}",
        "--sweep",
        "20:20k:15",
        "--load-connected",
        "--ready",
    ],
    ["page", "{out}/s.stagewalk", "--chassis", "quayside-five", "--bench", "{bench}", "--no-browser"],
]
ENDLESS = {"survey": 8.0, "page": 8.0}  # seconds
ENDINGS = {".svg": "</svg>", ".html": "</html>", ".csv": "\n"}


def arguments_of(verb: list[str], folder: Path, bench_file: Path) -> list[str]:
    """What the verb needs is made, and its places are filled in."""
    (folder / "r.csv").write_text(READINGS)
    if verb[0] == "gain":
        text = find_config("chassis", "quayside-five").read_text(encoding="utf-8")
        create_job(folder / "g.stagewalk", "quayside-five", text).close()
    return [word.format(out=folder, job=JOB, bench=bench_file) for word in verb]


def press(verb: list[str], folder: Path, bench_file: Path, delay_s: float) -> tuple[int, float, str]:
    """Exit code, seconds until it ended after the key, and what standard error said."""
    arguments = arguments_of(verb, folder, bench_file)
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-c", START, *arguments],
        cwd=ROOT, env=environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    time.sleep(delay_s)
    pressed = time.monotonic()
    try:
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: every process of the group
    except ProcessLookupError:
        pass
    try:
        said = process.communicate(timeout=20)[1]
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        return -999, 20.0, process.communicate()[1]
    return process.returncode, time.monotonic() - pressed, said


def halves(folder: Path) -> list[str]:
    """Files that are not whole, and leftovers."""
    bad = [path.name for path in folder.rglob("*.part")]
    for path in folder.rglob("*"):
        ending = ENDINGS.get(path.suffix)
        if ending and path.is_file() and not path.read_text(encoding="utf-8").endswith((ending, ending + "\n")):
            bad.append(path.name)
        if path.suffix == ".stagewalk":
            try:
                with open_job(path, read_only=True) as job:
                    for name in job.passes():
                        job.read_pass(name)
            except BenchError as error:
                bad.append(f"{path.name}: {error}")
    return bad


def longest_s(verb: list[str], bench_file: Path) -> float:
    """How long the verb takes when left alone."""
    if verb[0] in ENDLESS:
        return ENDLESS[verb[0]]
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        arguments = arguments_of(verb, Path(folder), bench_file)
        try:
            subprocess.run(
                [sys.executable, "-c", START, *arguments], cwd=ROOT, capture_output=True, timeout=30, check=False
            )
        except subprocess.TimeoutExpired:
            pass
        return time.monotonic() - began


def main() -> int:
    with SimulatedBench(TablePlant(load_table(), "leaky")) as bench, tempfile.TemporaryDirectory() as folder:
        bench.wiring.clip(1, "V1.2")
        bench.wiring.clip(2, "V1.1")
        return interrupt(bench, bench.write(Path(folder) / "bench.yaml"))


def interrupt(bench: SimulatedBench, bench_file: Path) -> int:
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    chosen = [verb for verb in VERBS if len(sys.argv) < 3 or verb[0] in sys.argv[2:]]
    draw = random.Random(1)
    bad = 0
    for verb in chosen:
        span_s = longest_s(verb, bench_file)
        codes: Counter[int] = Counter()
        slowest_s, faults = 0.0, []
        for _ in range(max(1, turns // len(chosen))):
            with tempfile.TemporaryDirectory() as name:
                # Not before our first line: until then the interpreter itself answers the key.
                code, took_s, said = press(verb, Path(name), bench_file, draw.uniform(0.08, span_s))
                codes[code] += 1
                slowest_s = max(slowest_s, took_s)
                left = halves(Path(name))
                if bench.generator.output:
                    left.append("generator on")
            if "Traceback" in said or "Exception ignored" in said or left or code not in (0, 1, 2, 130):
                faults.append((code, left, said[-1500:]))
        bad += len(faults)
        print(f"{verb[0]:<9} {span_s:5.1f} s, exit codes {dict(codes)}, ended within {slowest_s:.1f} s,"
              f" {len(faults)} bad", flush=True)  # fmt: skip
        for code, left, said in faults[:2]:
            print(f"    {code} {left}\n{said}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
