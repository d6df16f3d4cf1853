"""More facts of the trade through the simulated bench and the verb: hum, inverters, and a program that was killed.

Common practice, no source: a plate inverts and a cathode does not; equal loads in plate and cathode give equal and
opposite outputs (RDH 4th ed., ch. 12, for the split load); a heater leaks at the mains frequency, a filter of a
full-wave supply lets twice that through.
"""

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from acquisition.configs import find_config
from acquisition.instruments import load_bench, open_meter
from acquisition.records import Reading
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.plant import Line
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table

DATA = Path(__file__).resolve().parents[1] / "data"


class LeakyHeater(TablePlant):
    """The demonstration amplifier with 50 Hz from the heater at one cathode."""

    def ripple(self, point):
        lines = list(super().ripple(point))
        return [*lines, Line(50.0, 0.02, 0.4)] if point == "V1.8" else lines

    def swing_v(self, point):
        low, high = super().swing_v(point)
        return low - 0.02, high + 0.02


def job_of(tmp_path, bench, chassis):
    path = tmp_path / "facts.stagewalk"
    text = find_config("chassis", chassis).read_text(encoding="utf-8") if chassis else ""
    create_job(path, chassis or "an inverter", text, bench.bench_text()).close()
    return path


def asked(capsys, *arguments):
    assert main(["gain", *map(str, arguments), "--ready", "--load-connected", "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_heater_and_filter_are_told_apart(tmp_path, capsys):
    table = load_table()
    with SimulatedBench(LeakyHeater(table, "mended"), seed=4) as bench:
        path = job_of(tmp_path, bench, "quayside-five")
        bench.wiring.clip(1, "HT1")
        rail = asked(capsys, path, "HT1", "--hum")
        bench.wiring.clip(1, "V1.8")
        cathode = asked(capsys, path, "V1.8", "--hum")
        assert not bench.wiring.drive.on
    truth_v = table["states"]["mended"]["points"]["HT1"]["ripple_peak_v"]
    strongest = max(rail["lines"], key=lambda line: line["peak_v"])
    assert strongest["freq_hz"] == pytest.approx(100.0, abs=0.1)
    assert strongest["peak_v"] == pytest.approx(truth_v, rel=0.03)
    strongest = max(cathode["lines"], key=lambda line: line["peak_v"])
    assert strongest["freq_hz"] == pytest.approx(50.0, abs=0.1)
    assert strongest["peak_v"] == pytest.approx(0.02, rel=0.06)
    assert rail["kind"] != cathode["kind"]
    assert "heater" in cathode["meaning"]


def test_the_two_outputs_of_a_split_load(tmp_path, capsys):
    with SimulatedBench(TablePlant(load_table(DATA / "split-load.json"), "healthy"), seed=6) as bench:
        path = job_of(tmp_path, bench, None)
        found = {}
        for source, output in (("V1.6", "V1.1"), ("V1.6", "V1.7"), ("V1.7", "V1.1")):
            bench.wiring.clip(1, source)
            bench.wiring.clip(2, output)
            balance = ["--supply", "210", *(["--balance"] if source == "V1.7" else [])]
            found[output, source] = asked(capsys, path, f"{source}>{output}", "--drive", "1", *balance)
        assert not bench.wiring.drive.on
    assert found["V1.1", "V1.6"]["inverts"] is True
    assert found["V1.7", "V1.6"]["inverts"] is False
    balance = found["V1.1", "V1.7"]["balance"]
    assert balance["opposite"]
    assert abs(balance["from_opposite_deg"]) < 2.0
    assert balance["ratio"] == pytest.approx(1.0, abs=0.05)


def test_a_pair_is_matched_beside_the_balance(tmp_path, capsys):
    """Cathode volts of the output pair, and the direct volts of the inverter, by the meter of the bench."""
    volts = {"V3.8": 0.40, "V4.8": 0.55}  # 40 and 55 mA through the 10 ohm that are drawn there
    with SimulatedBench(TablePlant(load_table(DATA / "split-load.json"), "healthy"), seed=6) as bench:
        path = job_of(tmp_path, bench, "harbour-twenty")
        bench.change(_Renamed(bench.wiring.plant, {"V2.1": "V1.7", "V2.6": "V1.1"}, volts))
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_job(path) as job, open_meter(described) as meter:
            job.start_pass("as-found")
            for point in ("V3.8", "V4.8", "V2.1", "V2.6"):
                bench.wiring.lead.move([(bench.wiring.clock.monotonic_s(), point)])
                for _ in range(8):  # the filter of its input settles
                    sample = meter.read()
                reading = Reading(
                    point=point, quantity="dc_v", value=sample.value_v, std=meter.std_v(sample),
                    instrument=meter.identity, range_v=sample.range_v,
                )  # fmt: skip
                job.add_reading("as-found", reading)
        bench.wiring.clip(1, "V2.1")
        bench.wiring.clip(2, "V2.6")
        facts = asked(capsys, path, "V2.1>V2.6", "--drive", "4", "--balance", "--supply", "400")
    (pair,) = facts["pairs"]
    assert (pair["first"], pair["second"]) == ("V3", "V4")
    assert pair["first_a"] == pytest.approx(0.040, rel=0.002)
    assert pair["second_a"] == pytest.approx(0.055, rel=0.002)
    assert abs(pair["difference_pct"]) == pytest.approx(100 * 0.015 / 0.0475, rel=0.01)
    assert pair["verdict"] == "unmatched"
    assert facts["balance"]["opposite"]


class _Renamed:
    """Another circuit whose points carry the names of this one; some have direct volts only."""

    def __init__(self, plant, names, volts):
        self._plant, self._names, self._volts = plant, names, volts

    def __getattr__(self, name):
        return getattr(self._plant, name)

    def dc_v(self, point, load_ohm=float("inf")):
        return self._volts[point] if point in self._volts else self._plant.dc_v(self._names[point], load_ohm)

    def settle_s(self, point):
        return 0.01

    def ripple(self, point):
        return [] if point in self._volts else self._plant.ripple(self._names[point])

    def swing_v(self, point):
        return self._plant.swing_v(self._names[point])

    def response(self, points, freq_hz, loads_s):
        return self._plant.response([self._names[p] for p in points], freq_hz, loads_s)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is a matter of POSIX systems")
def test_a_killed_sweep_leaves_the_generator_on_and_the_next_start_switches_it_off_first(
    tmp_path, capsys, monkeypatch
):
    import click

    with SimulatedBench(TablePlant(load_table(), "mended"), seed=7) as bench:
        path = job_of(tmp_path, bench, "quayside-five")
        bench.wiring.clip(1, "V1.2")
        bench.wiring.clip(2, "V1.1")
        words = ["gain", str(path), "first", "--sweep", "20:200:8", "--ready", "--load-connected"]
        program = f"import sys; from analysis.app.cli import main; sys.exit(main({words!r}))"
        run = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, env=dict(os.environ))
        patience = threading.Event()
        for _ in range(2000):
            if bench.wiring.drive.on:
                break
            patience.wait(0.01)
        run.send_signal(signal.SIGKILL)
        assert run.wait(10) == -signal.SIGKILL
        run.stdout.close()
        assert bench.wiring.drive.on  # nothing in a program can prevent this
        states = []
        echo = click.echo

        def watched(text="", **more):
            states.append((str(text), bench.wiring.drive.on))
            echo(text, **more)

        monkeypatch.setattr(click, "echo", watched)
        assert main([*words[:3], "--ready", "--load-connected"]) == 0
        told = [on for text, on in states if "was ON and was switched off just now; the last run" in text]
        assert told == [False]
        assert not bench.wiring.drive.on
