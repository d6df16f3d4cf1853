"""Operating points and responses per second, as ratios against ngspice on this machine in this run.

Run by hand::

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m tests.speed.chassis_against_ngspice

ngspice gets one process for each measurement, the same tube equations as behavioural sources, its default options,
and a loop of ``alter`` and ``op`` (or ``ac``) in its own control language; its start is measured with an empty loop
and taken off. The product solves as many states of the same chassis, values drawn at random.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis
from tests.outside import ngspice_peer as peer

SINGLE, WHOLE = "bench-6c4", "harbour-twenty"
RESISTOR = {SINGLE: ("R2", 100e3), WHOLE: ("R11", 68e3)}
REPEATS = 3


def ngspice_s(name: str, model: ChassisModel, task: str, count: int) -> float:
    """Seconds ngspice takes to do a task with ``count`` values of one resistor, start taken off."""
    key, ohm = RESISTOR[name]

    def run(rounds: int) -> float:
        # The counter lives among the constants, which `destroy all` spares.
        step = ["setplot const", f"let r = {ohm:g} * (0.9 + 0.2 * i / {count})", f"alter r{key.lower()} = $&r"]
        loop = ["setplot const", "let i = 0", f"while i < {rounds}", *step, task, "destroy all", "setplot const"]
        loop += ["let i = i + 1", "end"]
        deck = ["* loop", *peer.netlist(model), ".control", *loop, ".endc", ".end", ""]
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "deck.cir").write_text("\n".join(deck), encoding="ascii")
            begin = time.perf_counter()
            subprocess.run(
                [peer.NGSPICE, "-b", "deck.cir"], cwd=folder, capture_output=True, check=False, timeout=300
            )
            return time.perf_counter() - begin

    return min(run(count) for _ in range(REPEATS)) - min(run(0) for _ in range(REPEATS))


def ours_s(work) -> float:
    work()
    times = []
    for _ in range(REPEATS):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def report(what: str, theirs: float, ours: float, unit: str) -> None:
    """Print one line: rates and their ratio."""
    print(f"{what:<58} {ours:>10.0f} {unit}   ngspice {theirs:>8.0f} {unit}   ratio {ours / theirs:>7.0f}")


def operating_points() -> None:
    for name, count, batch in ((SINGLE, 2000, 20_000), (WHOLE, 500, 2_000)):
        model = ChassisModel(load_chassis(name))
        key, ohm = RESISTOR[name]
        theirs = count / ngspice_s(name, model, "op", count)
        rng = np.random.default_rng(1)
        varied = model.draw(batch, rng)
        label = f"{name}: {len(model.circuit.tubes)} sections, {len(model.circuit.nodes)} nodes"
        report(
            f"operating points, {label}",
            theirs,
            batch / ours_s(lambda m=model, v=varied: m.operating_point(v)),
            "/s",
        )
        one = {key: ohm * np.linspace(0.9, 1.1, batch)}
        report(
            "  only one resistor varied, as there",
            theirs,
            batch / ours_s(lambda m=model, v=one: m.operating_point(v)),
            "/s",
        )


def responses() -> None:
    for name, count, batch in ((SINGLE, 200, 400), (WHOLE, 50, 100)):
        model = ChassisModel(load_chassis(name))
        theirs = count / ngspice_s(name, model, "ac lin 200 20 20000", count)
        freq = np.linspace(20.0, 20e3, 200)
        target = model.chassis.signal.outputs[0]
        varied = model.draw(batch, np.random.default_rng(1))
        spent = ours_s(lambda m=model, v=varied, t=target, f=freq: m.response(v, "IN", t, f))
        report(f"responses of 200 points, rest included, {name}", theirs, batch / spent, "/s")


def diagnosis() -> None:
    """What a diagnosis asks for: some hundred samples times some tens of readings."""
    model = ChassisModel(load_chassis(WHOLE))
    points = [name for name, point in model.points.items() if point.node and point.node != "gnd"][:30]
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    for stage in model.stages.values():
        path = f"{stage.source}>{stage.target}"
        wanted += [
            Measurand(point=path, quantity=q, freq_hz=f) for q in ("gain", "phase_deg") for f in (100.0, 1e3)
        ]
    for count in (1, 300, 1000):
        values = model.draw(count, np.random.default_rng(1))
        spent = ours_s(lambda v=values: model.predict(v, wanted))
        print(f"predict {count} samples x {len(wanted)} readings of {WHOLE}: {1e3 * spent:.0f} ms")


def cold_expect() -> None:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    code = f"from analysis.app.cli import main; main(['expect', '{WHOLE}', '--json'])"
    subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"expect {WHOLE}, cold, start included: {spent:.2f} s of process time")


if __name__ == "__main__":
    if peer.NGSPICE is None:
        sys.exit(peer.NEED_NGSPICE)
    operating_points()
    responses()
    diagnosis()
    cold_expect()
