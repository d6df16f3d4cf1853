"""Cut and flip job files at random places: nothing wrong may be read, nothing touched, never a traceback. By hand:

python -m tests.outside.damage_the_store 1000
"""

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from acquisition.errors import StoreError
from acquisition.records import Capture, Event, Reading
from acquisition.store import create_job, list_jobs, open_job


def reading(number: int) -> Reading:
    return Reading(point="V1.1", quantity="dc_v", value=number + 0.25, std=0.1)


def make(path: Path) -> None:
    with create_job(path, "Quayside Five", "chassis: x\n") as job:
        job.start_pass("as-found", mains_v=230.0)
        for number in range(500):
            job.add_reading("as-found", reading(number))
            if number % 25 == 0:
                job.add_event("as-found", Event(kind="note", text=f"event {number}", taken_utc="t"))
                codes = np.full(3000, number % 100, dtype=np.int8)
                record = Capture(
                    point="V1.1", codes=codes, scale_v=1.0, offset_v=0.0, t0_s=0.0, dt_s=1.0, full_scale_v=256.0
                )
                job.add_capture("as-found", record)


def damage(content: bytes, draw: random.Random) -> tuple[str, bytes]:
    kind = draw.choice(["cut", "cut", "flip", "flip", "flips", "zeros", "garbage", "grown"])
    place = draw.randrange(len(content))
    if kind == "cut":
        return kind, content[:place]
    if kind == "grown":
        return kind, content + draw.randbytes(draw.randrange(1, 9000))
    out = bytearray(content)
    if kind in {"flip", "flips"}:
        for _ in range(1 if kind == "flip" else draw.randrange(2, 60)):
            out[draw.randrange(len(out))] ^= 1 << draw.randrange(8)
    else:
        length = min(draw.choice([1, 16, 512, 4096, 20_000]), len(out) - place)
        out[place : place + length] = bytes(length) if kind == "zeros" else draw.randbytes(length)
    return kind, bytes(out)


def main() -> int:
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    draw = random.Random(1)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.stagewalk"
        make(path)
        sound = path.read_bytes()
        for _ in range(turns):
            kind, content = damage(sound, draw)
            path.write_bytes(content)
            counts[kind] += 1
            try:
                list_jobs(Path(folder))
                with open_job(path, read_only=True) as job:
                    found = [job.read_pass(name) for name in job.passes()]
                    assert job.sheet.chassis_name
                    counts["told as damaged"] += bool(job.damage)
                readings = [r for one in found for r in one.readings]
                counts["wrong readings"] += sum(r != reading(round(r.value)) for r in readings)
                records = [c for one in found for c in one.captures]
                counts["wrong records"] += sum(len(set(c.codes.tolist())) != 1 for c in records)
                counts["readings rescued"] += len(readings)
                counts["opened"] += 1
            except StoreError as told:
                assert "\n" not in str(told), str(told)
                assert told.hint, str(told)
                counts["refused in one line"] += 1
            assert path.read_bytes() == content, "the original was changed"
            assert [file.name for file in Path(folder).iterdir()] == [path.name], "something was left behind"
            try:
                with open_job(path) as job:
                    for name in job.passes():
                        counts["wrong readings"] += sum(
                            r != reading(round(r.value)) for r in job.read_pass(name).readings
                        )
            except StoreError:
                counts["not opened for writing"] += 1
    print(f"{turns} damaged files: " + ", ".join(f"{name} {count}" for name, count in sorted(counts.items())))
    print(f"{counts['readings rescued'] / (500 * turns):.1%} of all readings rescued")
    return 1 if counts["wrong readings"] + counts["wrong records"] else 0


if __name__ == "__main__":
    sys.exit(main())
