"""How long the suspects take after each reading of a DC survey, as a ratio to a peer in the same run; run by hand::

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m tests.speed.suspects_in_a_survey [CHASSIS] [--peer]

Without a name: harbour-twenty with a fifth tube, a side-chain driver; a coupling capacitor to an output grid leaks.
The unit is one prediction of 60 healthy chassis by the solver for large batches (sparse elimination, rounds between
rectifier and chassis): what the diagnosis was made of before small batches had a solver of their own. After each
reading, as on the page: the answer at a glance, then the full one, and the share of belief that moves between them.
``--peer`` also times the last answer with that solver throughout. Process time, one core. At the end the same
readings are given at once to a fresh diagnoser, and the two answers compared.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from acquisition.configs import find_config
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis, predicting
from analysis.circuit import supplied
from analysis.suspects import Diagnoser
from tests.outside.glance_table import belief_moved

FIFTH = "  C40: 22n   V1.6  V5.2\n  R40: 1M    V5.2  gnd\n  R41: 1k    V5.3  gnd\n  R42: 47k   HT4   V5.1\n"
LEAK = {"C6.leak": 1.0 / 2e6}
SEED = 3

WANTED_S = 0.3
"""A list should follow a reading within this time."""


def five_tubes() -> ChassisModel:
    """Harbour-twenty with a driver for a side chain behind its second stage."""
    text = Path(find_config("chassis", "harbour-twenty")).read_text(encoding="utf-8")
    text = text.replace("V4: EL34}", "V4: EL34, V5: 12AU7}").replace("joined:", FIFTH + "joined:")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "five-tubes.yaml"
        path.write_text(text, encoding="utf-8")
        return ChassisModel(load_chassis(str(path)))


def survey(model: ChassisModel) -> list[Reading]:
    """DC of every node a meter may go to, of a chassis drawn at random with the fault in it."""
    points: dict[str, str] = {}
    for point in model.points.values():
        if point.node and point.node != "gnd" and not point.heater and not point.delicate:
            points.setdefault(point.node, point.name)
    wanted = [Measurand(point=name, quantity="dc_v") for name in points.values()]
    rng = np.random.default_rng(SEED)
    values = model.draw(1, rng) | {k: np.array([v]) for k, v in LEAK.items() if k in model.parameters}
    volts = model.predict(values, wanted)[0] * (1.0 + 0.002 * rng.standard_normal(len(wanted)))
    return [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=float(np.hypot(0.003 * v, 0.002)))
        for m, v in zip(wanted, volts, strict=True)
    ]


def spent(work) -> tuple[float, object]:
    """Process time of a call, and what it gave."""
    begin = time.process_time()
    result = work()
    return time.process_time() - begin, result


def for_many() -> None:
    """Leave everything to the solver for large batches."""
    supplied.FEW = predicting.FEW = 0


def leading(found) -> dict[str, float]:
    """Probabilities of the first suspects."""
    return {f"{s.section or s.part} {s.fault}": round(s.probability, 3) for s in found.suspects[:3]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("chassis", nargs="?")
    parser.add_argument("--peer", action="store_true")
    options = parser.parse_args()
    model = ChassisModel(load_chassis(options.chassis)) if options.chassis else five_tubes()
    readings = survey(model)
    wanted = [reading.measurand for reading in readings]
    few = supplied.FEW
    for_many()
    unit, _ = spent(lambda: model.predict(model.draw(60, np.random.default_rng(1)), wanted))
    supplied.FEW = predicting.FEW = few
    opening, diagnoser = spent(lambda: Diagnoser(model, wanted, dc_only=True))
    sockets = {socket for socket, _ in model.sections.values()}
    print(f"{len(sockets)} tubes, {len(model.circuit.tubes)} sections, {len(readings)} readings")
    print(f"unit (60 chassis, solver for large batches) {unit:.3f} s; opening {opening:.2f} s")
    times = []
    for count in range(1, len(readings) + 1):
        at_a_glance, rough = spent(lambda n=count: diagnoser.glance(readings[:n]))
        seconds, found = spent(lambda n=count: diagnoser.diagnose(readings[:n]))
        times.append((at_a_glance, seconds))
        moved = f"{belief_moved(rough, found):.3f}" if rough is not None else "-"
        advised = found.next[0].point if found.next else "-"
        print(
            f"{count:3d} {readings[count - 1].point:8s} {at_a_glance:6.2f} {seconds:6.2f} s, moved {moved}: "
            f"{leading(found)} next {advised}"
        )
    for label, column in zip(("at a glance", "in full"), np.array(times).T, strict=True):
        print(
            f"{label}: median {np.median(column):.2f} s, longest {column.max():.2f} s, "
            f"{np.count_nonzero(column <= WANTED_S)} of {len(column)} within {WANTED_S} s: "
            f"median {np.median(column) / unit:.1f} units, longest {column.max() / unit:.1f}"
        )
    at_once = Diagnoser(model, wanted, dc_only=True).diagnose(readings)
    print(f"one at a time {leading(found)}\nall at once   {leading(at_once)}")
    if options.peer:
        for_many()
        peer, _ = spent(lambda: diagnoser.diagnose(readings))
        print(
            f"last answer {times[-1][1]:.2f} s; by the solver for large batches {peer:.2f} s: "
            f"{peer / times[-1][1]:.1f}"
        )


if __name__ == "__main__":
    main()
