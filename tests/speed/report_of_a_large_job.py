"""How long a report of 200 readings and 100 captures takes, and how large it is.

Twice: of a job of which nothing was told yet, and of one whose suspects and values in circuit were told before, by
``suspects``, ``compare`` or an earlier report. Beside it, in the same run, an interpreter that only loads the
libraries a report needs. Run by hand:

python -m tests.speed.report_of_a_large_job [FILE.html]
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "report"))
from repaired_five import build

PROGRAM = "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))"
PEER = "import click, jinja2, numpy, pydantic, sqlalchemy, yaml"
RUNS = 5


def best_of(command, environment, job=None, untold=None):
    """Least wall and processor time of the command, in seconds; every time on a job of which nothing was told."""
    walls, processors = [], []
    for _ in range(RUNS):
        if untold is not None:
            shutil.copy(untold, job)
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        begun = time.perf_counter()
        subprocess.run(command, check=True, env=environment, stdout=subprocess.DEVNULL)
        walls.append(time.perf_counter() - begun)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        processors.append(after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime)
    return min(walls), min(processors)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        untold = build(Path(folder) / "untold.stagewalk")
        job = Path(folder) / "large.stagewalk"
        page = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(folder) / "large.html"
        # Compiled files as an installed program has them: the first run writes them.
        environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": f"{folder}/compiled"}
        command = [sys.executable, "-c", PROGRAM, "report", job, "--out", page]
        _, floor_s = best_of([sys.executable, "-c", PEER], environment)
        first = best_of(command, environment, job, untold)
        again = best_of(command, environment)
        print(f"job {untold.stat().st_size / 1e6:.1f} MB; report {page.stat().st_size / 1e6:.2f} MB; whole "
              f"command, best of {RUNS}; loading the libraries {floor_s:.2f} s")  # fmt: skip
        for state, (wall_s, processor_s) in (("nothing told before", first), ("told before", again)):
            print(f"{state}: {wall_s:.2f} s, processor {processor_s:.2f} s, {processor_s / floor_s:.1f} times that")
    return 0


if __name__ == "__main__":
    sys.exit(main())
