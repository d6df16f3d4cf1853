"""How many readings it takes until a part is sure, following the advice alone, in bench order, by chance; by hand.

    python -m tests.outside.advice_table FILE [--cases 6] [--seed 1] [--minutes 5] [CHASSIS ...]

Faulty chassis drawn by `fresh_cases` (specimens, tubes by other laws, faults by chance, solved by ngspice), so many
of each shipped chassis; only faults that show in some reading. Each is diagnosed from the DC of its rails, then one
reading more at a time, of those that the advice may propose (`candidates`):

- advice: what the diagnosis itself puts first,
- bench order: DC in the order of the survey plan, gains of the stages at 1 kHz, then ripple,
- chance: in random order,

until one part is 90 % sure, or its look-alikes with it and no proposal is left that tells them apart. The rails are
not counted. A case that never gets there counts with all the readings there are; its effort is that of the readings
it took. ``FILE`` keeps one line a case: a later run goes on where this one stopped.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from acquisition.configs import config_names
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.plan import survey_plan
from analysis.inference.variables import canonical
from analysis.suspects import Diagnoser, Diagnosis
from analysis.suspects.candidates import EFFORT, candidates
from analysis.suspects.next_reading import ENOUGH_BITS
from tests.outside.cases_table import CLASS_OF
from tests.outside.fresh_cases import LEFT_OUT, drawings, drawn, make_case

SURE = 0.9
ORDERS = ("advice", "bench", "chance")


def shipped() -> list[str]:
    """Names of the chassis files with parts that ngspice solves in seconds."""
    return [n for n in config_names("chassis") if n not in LEFT_OUT and load_chassis(n).parts]


def rails(model: ChassisModel) -> list[Measurand]:
    """DC of the rails."""
    return [Measurand(point=name, quantity="dc_v") for name in model.chassis.rails if name in model.points]


def bench_order(model: ChassisModel) -> list[Measurand]:
    """The readings that may be proposed as they come on the bench; the same node only once."""
    proposable = [canonical(m) for m in candidates(model)]
    by_node = {model.points[m.point].node: m for m in proposable if m.quantity == "dc_v"}
    nodes = dict.fromkeys(model.points[step.point].node for step in survey_plan(model.chassis, model).steps)
    in_plan = [by_node[node] for node in nodes if node in by_node]
    return list(dict.fromkeys([
        *in_plan,
        *by_node.values(),
        *(m for m in proposable if m.quantity == "gain"),
        *proposable,
    ]))  # fmt: skip


def sure_of(found: Diagnosis) -> tuple[str, ...]:
    """Parts (by socket and by section) that a diagnosis is sure of; empty while it is not.

    One part, or the first suspect with its look-alikes where no proposal tells enough to go on.
    """
    if not found.suspects:
        return ()
    chance: dict[str, float] = {}
    for suspect in found.suspects:
        chance[suspect.part] = chance.get(suspect.part, 0.0) + suspect.probability
    part = max(chance, key=lambda name: chance[name])
    group = {part}
    if chance[part] < SURE and not any(p.bits >= ENOUGH_BITS for p in found.next):
        group = {found.suspects[0].part} | {label.split()[0] for label in found.suspects[0].alike}
    if sum(chance.get(name, 0.0) for name in group) < SURE:
        return ()
    return tuple(sorted({name for s in found.suspects if s.part in group for name in (s.part, s.section) if name}))


def follow(
    diagnose: Callable[[frozenset[Measurand]], Diagnosis],
    start: Sequence[Measurand],
    choose: Callable[[Diagnosis, frozenset[Measurand]], Measurand | None],
) -> tuple[list[Measurand], tuple[str, ...]]:
    """Take reading after reading until a diagnosis is sure.

    Parameters
    ----------
    diagnose : callable
        What is said of a set of readings.
    start : sequence of Measurand
        Read before.
    choose : callable
        The next reading, given the diagnosis and what has been read; None where there is none left.

    Returns
    -------
    readings : list of Measurand
        Those taken, in order.
    parts : tuple of str
        What it was sure of in the end, if of anything.
    """
    taken: list[Measurand] = []
    while True:
        read = frozenset([*start, *taken])
        found = diagnose(read)
        if parts := sure_of(found):
            return taken, parts
        following = choose(found, read)
        if following is None:
            return taken, ()
        taken.append(following)


def advised(found: Diagnosis, read: frozenset[Measurand]) -> Measurand | None:
    """The reading that a diagnosis puts first."""
    first = next(iter(found.next), None)
    if first is None:
        return None
    chosen = canonical(Measurand(point=first.point, quantity=first.quantity, freq_hz=first.freq_hz))
    assert chosen not in read, f"{chosen} proposed again"
    return chosen


def in_order(order: Sequence[Measurand]) -> Callable[[Diagnosis, frozenset[Measurand]], Measurand | None]:
    """The next of a list that has not been read."""
    return lambda _, read: next((m for m in order if m not in read), None)


def run_case(
    diagnoser: Diagnoser, answers: Mapping[Measurand, Reading], rng: np.random.Generator
) -> dict[str, dict[str, Any]]:
    """One case in the three orders; the orders share what they have in common."""
    model = diagnoser.model
    start = [m for m in rails(model) if m in answers]
    nodes = {model.points[m.point].node for m in start}  # a rail may be a pin as well
    order = [m for m in bench_order(model) if m in answers]
    order = [m for m in order if not (m.quantity == "dc_v" and model.points[m.point].node in nodes)]
    known: dict[frozenset[Measurand], Diagnosis] = {}

    def diagnose(read: frozenset[Measurand]) -> Diagnosis:
        if read not in known:
            known[read] = diagnoser.diagnose([answers[m] for m in answers if m in read])
        return known[read]

    chooses = (advised, in_order(order), in_order([order[i] for i in rng.permutation(len(order))]))
    result = {}
    for name, choose in zip(ORDERS, chooses, strict=True):
        taken, parts = follow(diagnose, start, choose)
        result[name] = {
            "taken": [f"{m.quantity} {m.point}" for m in taken],
            "effort": sum(EFFORT[m.quantity] for m in taken),
            "sure": list(parts),
            "all": len(order),
        }
    return result


def faulty_case(text: str, seed: Sequence[int]) -> tuple[dict[str, Any], dict[Measurand, Reading]]:
    """A visible fault, and every reading of it."""
    rng = np.random.default_rng(seed)
    while True:
        found = make_case(text, rng)
        if found is not None and found[0]["visible"]:
            answer, rows = found
            return answer, {
                canonical(m): Reading(
                    point=m.point, quantity=m.quantity, value=value, std=std, freq_hz=canonical(m).freq_hz
                )
                for m, value, std in rows
            }


def table(rows: Sequence[Mapping[str, Any]]) -> None:
    """Print all tables."""
    groups: dict[str, list[Mapping[str, Any]]] = {"all": list(rows)}
    for row in rows:
        groups.setdefault(CLASS_OF.get(row["part"][0], "rail"), []).append(row)
    for name in dict.fromkeys(row["chassis"] for row in rows):
        groups[name] = [row for row in rows if row["chassis"] == name]
    print(f"{'':18s} {'':7s} {'readings to 90 %':>22s}   sure in the end   of these right   effort")
    for name, members in groups.items():
        for order in ORDERS:
            ran = [(row[order], row["accept"]) for row in members]
            sure = [(r, parts) for r, parts in ran if r["sure"]]
            counts = [len(r["taken"]) if r["sure"] else r["all"] for r, _ in ran]
            right = sum(bool(set(r["sure"]) & set(parts)) for r, parts in sure)
            print(
                f"{name if order == ORDERS[0] else '':18s} {order:7s} "
                f"mean {statistics.mean(counts):5.1f}, median {statistics.median(counts):4.1f}   "
                f"{len(sure):3d} of {len(ran):3d}        {right:3d} of {len(sure):3d}       "
                f"{statistics.mean(r['effort'] for r, _ in ran):5.1f}"
            )


def main() -> None:
    """Read the command line, run what is missing, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path, help="kept results")
    parser.add_argument("chassis", nargs="*", help="names of chassis files; all shipped ones when left out")
    parser.add_argument("--cases", type=int, default=6, help="of each chassis")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=5.0, help="start no further case after these")
    options = parser.parse_args()
    rows = [json.loads(line) for line in options.file.read_text().splitlines()] if options.file.exists() else []
    done = {(row["chassis"], row["seed"], row["number"]) for row in rows}
    names, texts = shipped(), drawings()
    ends = time.monotonic() + 60.0 * options.minutes
    for name in options.chassis or names:
        text, diagnoser = texts[load_chassis(name).title], None
        for number in range(options.cases):
            if (name, options.seed, number) in done or time.monotonic() > ends:
                continue
            if diagnoser is None:
                model = drawn(text).model
                diagnoser = Diagnoser(model, rails(model))
            seed = [options.seed, names.index(name), number]
            answer, answers = faulty_case(text, seed)
            parts = sorted({answer["part"], *(part for part, _ in answer["accept"])})
            row = {"chassis": name, "seed": options.seed, "number": number, "part": answer["part"], "accept": parts,
                   "fault": answer["accept"][0][1], "amount": answer["amount"],
                   "severity": answer["severity"]}  # fmt: skip
            row |= run_case(diagnoser, answers, np.random.default_rng([*seed, 1]))
            rows.append(row)
            with options.file.open("a") as file:
                file.write(json.dumps(row) + "\n")
            print(f"\r{name} {number + 1} of {options.cases}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if rows:
        table(rows)


if __name__ == "__main__":
    main()
