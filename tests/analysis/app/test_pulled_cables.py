"""Cables pulled out and plugged in again under the real verbs: what is said and when, and that the work goes on."""

import os
import subprocess
import sys
import threading
import time

import pytest

from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.hands import Hands
from acquisition.store import open_job
from analysis.app.demo.plant import TablePlant, load_table

TOLD_S = 2.0
"""Within which the person hears of it; a busy machine is given as much again."""


class Cable:
    """The meter's cable: a socket that refuses, or a serial port whose lasting name points nowhere for a while."""

    def __init__(self, bench, folder):
        self.bench, self.is_serial = bench, bench.stream is not None
        self.text = bench.bench_text()
        if self.is_serial:
            self.name = folder / "by-id-meter"
            self.name.symlink_to(bench.stream.path)
            self.text = self.text.replace(bench.stream.path, str(self.name))

    def pull(self):
        if self.is_serial:
            self.name.unlink()
            self.bench.stream.replug()
        else:
            self.bench.links["meter"].refuse()
            self.bench.links["meter"].drop()

    def plug_in(self):
        if self.is_serial:
            self.name.symlink_to(self.bench.stream.path)
        else:
            self.bench.links["meter"].refuse(False)


@pytest.mark.parametrize("meter", ["scpi-meter", "stream-meter"])
def test_the_meter_is_pulled_out_in_mid_survey(tmp_path, meter):
    """After the first reading; the second is right, in the same run, without a key."""
    job = tmp_path / "amp.stagewalk"
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3, meter=meter) as bench:
        hands, cable = Hands(bench.wiring, seed=3, pace=0.2), Cable(bench, tmp_path)
        if bench.stream is not None:
            bench.meter.conversion_s = 0.1
        (tmp_path / "bench.yaml").write_text(cable.text)
        options = ["--chassis", "quayside-five", "--from", "V1.3", "--mains", "231", "--tubes-glow", "--bench"]
        process = subprocess.Popen(
            [sys.executable, "-c", "from analysis.app.entry import entry; entry()", "survey", job, *options,
             tmp_path / "bench.yaml"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "ascii"},
        )  # fmt: skip
        told, pulled_s, heard_s = [], None, None
        with process:
            for line in process.stdout:
                told.append(line)
                if line.startswith("?") or "press space" in line or "then space" in line:
                    process.stdin.write(" ")
                    process.stdin.flush()
                if line.startswith("   Touch"):
                    hands.touch(line.split()[1].strip(","))
                if "Lift" in line:
                    hands.lift()
                if line.startswith("== V1.3"):
                    cable.pull()
                    pulled_s = time.monotonic()
                if "The meter is lost" in line:
                    heard_s = time.monotonic()
                    threading.Timer(0.8, cable.plug_in).start()
                if line.startswith("== V1.8"):
                    process.stdin.write("q")
                    process.stdin.flush()
        text = "".join(told)
        assert process.returncode == 0, text
        assert heard_s - pulled_s < 2 * TOLD_S
        assert "The meter answers again" in text
        lost = next(line for line in told if "The meter is lost" in line)
        assert "goes on by itself" in lost
        with open_job(job, read_only=True) as opened:
            kept = {reading.point: reading for reading in opened.read_pass("as-found").readings}
        assert set(kept) == {"V1.3", "V1.8"}
        # The table, solved by another program, holds 1.9604 V for V1.8.
        assert kept["V1.8"].value == pytest.approx(1.9604, rel=1e-3 if meter == "scpi-meter" else 1e-2)
