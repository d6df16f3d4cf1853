"""How long a report of 200 readings and 100 captures takes, and how large it is. Run by hand:

python tests/speed/report_of_a_large_job.py [FILE.html]
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "report"))
from repaired_five import build

PROGRAM = "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))"


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        path = build(Path(folder) / "large.stagewalk")
        page = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(folder) / "large.html"
        walls, processors = [], []
        for _ in range(3):
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            begun = time.perf_counter()
            subprocess.run([sys.executable, "-c", PROGRAM, "report", path, "--out", page], check=True)
            walls.append(time.perf_counter() - begun)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            processors.append(after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime)
        print(f"job {path.stat().st_size / 1e6:.1f} MB; report {page.stat().st_size / 1e6:.2f} MB; whole command, "
              f"best of 3: {min(walls):.2f} s, processor {min(processors):.2f} s")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
