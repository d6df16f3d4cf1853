"""Print what pulling the tube that the suspects ask for tells, on chassis solved with ngspice; run by hand.

    python -m tests.outside.tube_out_table COUNT SEED [DRAWINGS]

Chassis, specimens, tube laws, faults and meter as in `fresh_cases`. DC alone is read, as a bench does before it
pulls a tube; where the answer asks for a tube to be pulled, the same specimen is solved again without it, the one
point that was asked for is read, and both readings are counted together. Printed for those cases: right part first,
the belief in it, and how often answers held for 0.9 and more are right, before and after; how far the belief moved
in chassis whose tube was pulled for nothing.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel
from analysis.inference.standings import tail_of, told_apart
from analysis.suspects import Diagnoser
from tests.outside.cases_table import is_right
from tests.outside.foreign_tubes import draw_specimen
from tests.outside.fresh_cases import HEALTHY_SHARE, Drawn, drawings, drawn, noisy, scattered, simulate, with_fault


def changed(model, table, tubes, rng):
    """A specimen with one fault, or none: its answer, table, tubes and winding opened."""
    answer = {"healthy": True, "part": "", "accept": [], "alike": []}
    if rng.random() < HEALTHY_SHARE:
        return answer, table, tubes, ""
    (part, words, *_), table, tubes, opened = with_fault(model, table, tubes, rng)
    return answer | {"healthy": False, "part": part, "accept": [[part, w] for w in words]}, table, tubes, opened


def read(model, wanted, state, rng):
    """What a meter shows at some points; None without an operating point."""
    table, tubes, opened = state
    values = simulate(Drawn(text="", model=model, measurands=wanted), table, tubes, opened)
    if values is None:
        return None
    numbers = noisy(wanted, values, rng)
    return [
        Reading(point=m.point, quantity=m.quantity, value=float(v), std=float(s), taken_utc="", instrument="")
        for m, (v, s) in zip(wanted, numbers, strict=True)
    ]


def belief(found, answer) -> tuple[float, bool, float]:
    """Belief in the truth, whether it comes first, and how much is held for what comes first."""
    right = [s.probability for s in found.suspects if is_right(s, answer)[0]]
    truth = found.healthy_probability if answer["healthy"] else sum(right)
    top = max([found.healthy_probability, *(s.probability for s in found.suspects)])
    lead = found.suspects[0] if found.suspects else None
    if found.healthy_probability >= top:
        return truth, answer["healthy"], top
    return truth, bool(lead and not answer["healthy"] and is_right(lead, answer)[0]), top


def one_case(text, rng):
    """Before and after, as `belief`, and what was asked; None where no tube is to be pulled."""
    case = drawn(text)
    model = case.model
    state = changed(model, scattered(model, rng), draw_specimen(model, rng), rng)
    answer, state = state[0], state[1:]
    wanted = tuple(m for m in case.measurands if m.quantity == "dc_v")
    readings = read(model, wanted, state, rng)
    if readings is None:
        return None
    diagnoser = Diagnoser(model, wanted, dc_only=True)
    before = diagnoser.with_tube_out(diagnoser.diagnose(readings))
    if not before.tube_out:
        return None
    (asked,) = before.tube_out
    stood = ChassisModel(model.chassis.without(asked.pulled), beside=model)
    more = read(stood, (Measurand(point=asked.point, quantity="dc_v"),), state, rng)
    if more is None:
        return None
    tail = tail_of(model.chassis, asked.pulled)
    both = [*readings, *(told_apart(reading, tail) for reading in more)]
    after = Diagnoser(model, [r.measurand for r in both], beside=[stood], dc_only=True).diagnose(both)
    return answer, asked, belief(before, answer), belief(after, answer)


def main(count: int, seed: int, folder: Path | None) -> None:
    """Draw cases until so many asked for a tube."""
    texts, rows, tried = list(drawings(folder).values()), [], 0
    while len(rows) < count:
        rng = np.random.default_rng([seed, tried])
        tried += 1
        found = one_case(texts[rng.integers(len(texts))], rng)
        if found is None:
            continue
        rows.append(found)
        answer, asked, before, after = found
        what = "nothing wrong" if answer["healthy"] else " ".join(answer["accept"][0])
        places = ["first" if right else "" for _, right, _ in (before, after)]
        print(
            f"{what:20s} {asked.text:36s} {asked.bits:.2f} bits   {before[0]:.3f} {places[0]:5s}"
            f"  -> {after[0]:.3f} {places[1]}",
            flush=True,
        )
    print(f"{tried} chassis read, in {len(rows)} a tube was asked for")
    for name, column in (("before", 2), ("after", 3)):
        told = [row[column] for row in rows]
        sure = [right for _, right, top in told if top >= 0.9]
        print(
            f"{name:7s} right first {sum(r for _, r, _ in told)}/{len(told)}, mean belief in the truth "
            f"{np.mean([b for b, _, _ in told]):.2f}, held for 0.9 and more {len(sure)}, of these right {sum(sure)}"
        )
    said = np.mean([row[1].bits for row in rows])
    print(f"bits promised, on average {said:.2f}", file=sys.stdout)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("drawings", type=Path, nargs="?")
    options = parser.parse_args()
    main(options.count, options.seed, options.drawings)
