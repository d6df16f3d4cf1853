"""Press Ctrl-C at random moments of verbs: exit 130 in silence, and no half-written file. Run by hand:

python tests/outside/interrupt_the_verbs.py 200
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

ROOT = Path(__file__).resolve().parents[2]
JOB = ROOT / "tests" / "data" / "jobs" / "version-2.stagewalk"
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
]
ENDINGS = {".svg": "</svg>", ".html": "</html>", ".csv": "\n"}


def press(verb: list[str], folder: Path, delay_s: float) -> tuple[int, float, str]:
    """Exit code, seconds until it ended after the key, and what standard error said."""
    (folder / "r.csv").write_text(READINGS)
    arguments = [word.format(out=folder, job=JOB) for word in verb]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-c", START, *arguments],
        cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
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
    return bad


def longest_s(verb: list[str]) -> float:
    """How long the verb takes when left alone."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        (Path(folder) / "r.csv").write_text(READINGS)
        arguments = [word.format(out=folder, job=JOB) for word in verb]
        try:
            subprocess.run(
                [sys.executable, "-c", START, *arguments], cwd=ROOT, capture_output=True, timeout=30, check=False
            )
        except subprocess.TimeoutExpired:
            pass
        return time.monotonic() - began


def main() -> int:
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    chosen = [verb for verb in VERBS if len(sys.argv) < 3 or verb[0] in sys.argv[2:]]
    draw = random.Random(1)
    bad = 0
    for verb in chosen:
        span_s = longest_s(verb)
        codes: Counter[int] = Counter()
        slowest_s, faults = 0.0, []
        for _ in range(max(1, turns // len(chosen))):
            with tempfile.TemporaryDirectory() as name:
                # Not before our first line: until then the interpreter itself answers the key.
                code, took_s, said = press(verb, Path(name), draw.uniform(0.08, span_s))
                codes[code] += 1
                slowest_s = max(slowest_s, took_s)
                left = halves(Path(name))
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
