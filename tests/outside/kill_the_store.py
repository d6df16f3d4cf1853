"""Kill a writing program at random moments and count what was told but is not in the file. Run by hand:

python -m tests.outside.kill_the_store 300
"""

import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

from acquisition.store import open_job

ROOT = Path(__file__).resolve().parents[2]
WRITER = [sys.executable, "-m", "tests.outside.writer_to_kill"]


def kill_once(path: Path, kind: str, wanted: int, delay_s: float) -> tuple[int, int]:
    """Readings told and readings lost, of a survey or a sweep killed a random while after a number was told."""
    with subprocess.Popen([*WRITER, path, kind], cwd=ROOT, stdout=subprocess.PIPE, text=True) as writer:
        told = -1
        while told < wanted:
            told = int(writer.stdout.readline())
        try:
            writer.wait(timeout=delay_s)
        except subprocess.TimeoutExpired:
            writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split("\n")[:-1]
    told = int(rest[-1]) if rest else told
    with open_job(path) as job:
        kept = job.read_pass("as-found")
    values = [reading.value for reading in kept.readings]
    assert values == [number + 0.0 for number in range(len(values))], "a gap"
    if kind == "sweep":
        assert len(values) % 2 == 0, "a gain without its phase"
        assert len(kept.captures) >= len(values), "a reading without its records"
    with sqlite3.connect(path) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    file.close()
    return told + 1, max(0, told + 1 - len(values))


def main() -> int:
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    draw = random.Random(1)
    total = lost = 0
    for turn in range(turns):
        kind = ("survey", "sweep")[turn % 2]
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "job.stagewalk"
            told, missing = kill_once(path, kind, draw.randrange(0, 400), draw.uniform(0.0, 0.02))
        total += told
        lost += missing
        print(f"\r{turn + 1} kills, {total} readings told, {lost} lost", end="", flush=True)
    print()
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
