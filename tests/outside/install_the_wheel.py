"""Build a wheel of this checkout, install it for each Python and run verbs as on a poor platform. Run by hand:

python -m tests.outside.install_the_wheel /path/to/python3.12 /path/to/python3.13

No writable home, a terminal that knows only ASCII, output into a pipe, another working folder.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
READINGS = "point,quantity,value\nV1.1,dc_v,190\nV1.3,dc_v,1.4\nV2.3,dc_v,7.5\n"
VERBS = [
    ["--help"],
    ["tube", "EL84"],
    ["expect", "quayside-five"],
    ["suspects", "--chassis", "quayside-five", "r.csv", "--json"],
    ["draw", "quayside-five"],
    ["import", "j.stagewalk", "r.csv", "--pass", "as-found", "--chassis", "quayside-five"],
    ["report", "j.stagewalk"],
    ["demo", "--fast"],
]


def run(command: list[object], **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False, **options)


def main() -> int:
    bad = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        done = run([sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", folder, ROOT])
        (wheel,) = folder.glob("*.whl") if done.returncode == 0 else sys.exit(done.stderr)
        for python in sys.argv[1:] or [sys.executable]:
            version = run([python, "-c", "import platform; print(platform.python_version())"]).stdout.strip()
            place = folder / f"py{version}"
            began = time.monotonic()
            run([python, "-m", "venv", place])
            done = run([place / "bin" / "pip", "install", "-q", wheel])
            print(f"Python {version}: installed in {time.monotonic() - began:.0f} s, exit {done.returncode}")
            work = place / "work"
            work.mkdir()
            (work / "r.csv").write_text(READINGS)
            poor = {
                "PATH": os.environ["PATH"], "HOME": "/nonexistent", "LANG": "C", "LC_ALL": "C",
                "PYTHONIOENCODING": "ascii", "PYTHONWARNINGS": "default", "OMP_NUM_THREADS": "1",
            }  # fmt: skip
            for verb in VERBS:
                began = time.monotonic()
                done = run([place / "bin" / "stagewalk", *verb], cwd=work, env=poor)
                fine = done.returncode == 0 and "Traceback" not in done.stderr
                bad += not fine
                print(f"  {verb[0]:<9} exit {done.returncode}, {time.monotonic() - began:5.1f} s", flush=True)
                if not fine:
                    print(done.stderr[-1500:])
                for line in done.stderr.splitlines():
                    if "Warning" in line:
                        print(f"            {line}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
