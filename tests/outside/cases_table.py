"""Print how well the suspects are found on the independent reference cases; run by hand.

    python -m tests.outside.cases_table [--dc] [--folder F] [--processes N] [--details]

Tables: right part first, within three, part and kind first, by class of fault and by severity ("alike": the answer
file says that the readings cannot tell the part from it); healthy chassis called faulty; a reliability table;
coverage of the estimates' 95 % intervals.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from acquisition.quantities import parse_value
from acquisition.store import read_readings_csv
from analysis.chassis import ChassisModel, load_chassis
from analysis.suspects import Diagnoser

FOLDER = Path(__file__).parent / "data" / "cases"


def load_case(folder: Path, name: str):
    """Chassis, readings and answer of one case."""
    answer = json.loads((folder / f"{name}.answer.json").read_text())
    readings = read_readings_csv(folder / f"{name}.readings.csv")
    return load_chassis(str(folder / f"{name}.chassis.yaml")), readings, answer


def case_names(folder: Path) -> list[str]:
    """Names of all cases in a folder."""
    return sorted(p.name.removesuffix(".answer.json") for p in folder.glob("*.answer.json"))


def names_of(suspect) -> set[str]:
    """A tube answers to its socket and to its section."""
    return {suspect.part, suspect.section} - {""}


def parts_of(found) -> list[str]:
    """Parts in the order of the answer: one part with two faults takes one place."""
    return list(dict.fromkeys(suspect.part for suspect in found.suspects))


def is_right(suspect, answer) -> tuple[bool, bool]:
    """Whether the part is right, and whether part and fault are."""
    parts = {part for part, _ in answer["accept"]} | {answer["part"]}
    pairs = {(part, fault) for part, fault in answer["accept"]}
    names = names_of(suspect)
    return bool(names & parts), any((name, suspect.fault) in pairs for name in names)


def true_value(answer, chassis, fault):
    """Value the answer states for the part, in the unit of the fault's estimate; None where it states none."""
    amount, part = answer.get("amount", ""), chassis.parts.get(answer.get("part", ""))
    if part is None or part.kind not in ("resistor", "capacitor"):
        return None
    if fault == "lossy":  # its estimate is the series resistance
        match = re.search(r"ESR ([\d.]+ [kM]?ohm)", amount)
        return parse_value(match.group(1)) if match else None
    if match := re.fullmatch(r"x([\d.]+)(?:, ESR .*)?", amount):
        return part.value * float(match.group(1))
    if re.fullmatch(r"[\d.]+ [kM]?ohm", amount):
        return parse_value(amount)
    return None


def run_case(job):
    """One case: what came first, with which probability."""
    folder, name, dc_only = job
    chassis, readings, answer = load_case(folder, name)
    if dc_only:
        readings = tuple(r for r in readings if r.quantity == "dc_v")
    started = time.perf_counter()
    found = Diagnoser(ChassisModel(chassis), [r.measurand for r in readings], dc_only=dc_only).diagnose(readings)
    row = {
        "name": name,
        "answer": answer,
        "healthy": found.healthy_probability,
        "seconds": time.perf_counter() - started,
    }
    row["title"] = chassis.title.removeprefix("reference case, ")
    row["top"] = [(s.part, s.section, s.fault, round(s.probability, 3)) for s in found.suspects[:4]]
    row["notes"] = found.notes
    row["odd"] = found.suspects[0].because if found.suspects else ""
    if not answer["healthy"]:
        marks = [is_right(s, answer) for s in found.suspects]
        parts = parts_of(found)
        good = {s.part for s in found.suspects if is_right(s, answer)[0]}
        row["place"] = next((n for n, part in enumerate(parts, 1) if part in good), 99)
        row["kind"] = bool(marks) and marks[0][1]
        row["first"] = bool(marks) and marks[0][0]
        row["alike"] = bool(marks) and bool(names_of(found.suspects[0]) & set(answer["alike"]))
        near = set().union(*(names_of(s) for s in found.suspects if s.part in parts[:3]))
        row["near"] = row["place"] <= 3 or bool(near & set(answer["alike"]))
        row["kinds"] = answer["accept"][0][1]
        match = next((s for s in found.suspects if is_right(s, answer)[1] and s.estimate), None)
        value = true_value(answer, chassis, match.fault) if match else None
        if value is not None and match is not None and match.estimate.unit in ("ohm", "farad"):
            low = 0.0 if match.estimate.bound == "below" else match.estimate.low
            high = math.inf if match.estimate.bound == "above" else match.estimate.high
            row["estimate"] = (low, value, high, match.estimate.value)
    return row


CLASS_OF = {"R": "resistor", "P": "resistor", "C": "capacitor", "V": "tube", "T": "transformer"}


def share(rows, test) -> str:
    """Count and per cent of rows that pass a test."""
    good = sum(bool(test(r)) for r in rows)
    return f"{good:3d}/{len(rows):<3d} {100 * good / len(rows):4.0f} %" if rows else "   -        "


def table(rows, details: bool = False) -> None:
    """Print all tables."""
    faulty = [r for r in rows if not r["answer"]["healthy"]]
    seen = [r for r in faulty if r["answer"]["visible"]]
    groups = {"visible, all": seen, "hidden": [r for r in faulty if not r["answer"]["visible"]]}
    for r in seen:
        part = r["answer"]["part"]
        groups.setdefault(
            "visible " + CLASS_OF.get(part[0], "rail") if part != "BIASSRC" else "visible rail", []
        ).append(r)
        groups.setdefault("visible " + r["answer"]["severity"], []).append(r)
    heads = ("part first", "first or alike", "within three", "or alike", "part and kind")
    print(f"{'':22s} " + " ".join(f"{head:14s}" for head in heads))
    for name, members in groups.items():
        cells = [
            share(members, lambda r: r["first"]),
            share(members, lambda r: r["first"] or r["alike"]),
            share(members, lambda r: r["place"] <= 3),
            share(members, lambda r: r["near"]),
            share(members, lambda r: r["kind"]),
        ]
        print(f"{name:22s} " + "  ".join(cells))
    healthy = [r for r in rows if r["answer"]["healthy"]]
    for words, members, test in (
        ("healthy chassis, a part believed more than nothing wrong", healthy, lambda r: _first(r) > r["healthy"]),
        ("healthy chassis, nothing wrong believed less than half", healthy, lambda r: r["healthy"] < 0.5),
        ("visible faults, nothing wrong believed more than any part", seen, lambda r: r["healthy"] > _first(r)),
        ("visible faults, nothing wrong believed more than half", seen, lambda r: r["healthy"] > 0.5),
    ):
        print(f"{words + ':':60s} {share(members, test)}")
    bins = defaultdict(list)
    for r in rows:
        if not r["answer"]["healthy"] and not r["answer"]["visible"]:
            continue
        first = _first(r)
        if r["healthy"] > first:
            bins[_bin(r["healthy"])].append(r["answer"]["healthy"])
        else:
            bins[_bin(first)].append(not r["answer"]["healthy"] and (r["first"] or r["alike"]))
    print("reliability of the first answer (part or alike, hidden faults left out):")
    for key in sorted(bins):
        print(f"  said {key[0]:.2f} to {key[1]:.2f}: right {share(bins[key], bool)}")
    for r in rows:
        if details and "estimate" in r and not r["estimate"][0] <= r["estimate"][1] <= r["estimate"][2]:
            low, true, high, value = r["estimate"]
            print(
                f"  {r['name'][5:]} {r['answer']['part']}: true {true:.3g}, estimate {value:.3g}, {low:.3g} to {high:.3g}"  # noqa: E501
            )
    told = [r["estimate"] for r in rows if "estimate" in r]
    print(f"estimates inside their 95 % interval: {share(told, lambda e: e[0] <= e[1] <= e[2])}")
    times = sorted(r["seconds"] for r in rows)
    print(f"seconds a case: median {times[len(times) // 2]:.2f}, longest {times[-1]:.2f}")


def _first(row) -> float:
    """Belief in the part that comes first."""
    return row["top"][0][3] if row["top"] else 0.0


def _bin(p: float) -> tuple[float, float]:
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 0.99)):
        if p < high:
            return low, high
    return 0.99, 1.0


def main() -> None:
    """Read the command line, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--dc", action="store_true", help="DC readings only")
    parser.add_argument("--folder", type=Path, default=FOLDER)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--details", action="store_true", help="one line a case")
    parser.add_argument("--only", default="", help="part of the names of the cases to run")
    options = parser.parse_args()
    jobs = [(options.folder, name, options.dc) for name in case_names(options.folder) if options.only in name]
    rows = []
    with ProcessPoolExecutor(options.processes) as pool:
        results = pool.map(run_case, jobs) if options.processes > 1 else map(run_case, jobs)
        for number, row in enumerate(results, 1):
            print(f"\r{number} of {len(jobs)}", end="", file=sys.stderr, flush=True)
            rows.append(row)
    print(file=sys.stderr)
    if options.details:
        for r in rows:
            a = r["answer"]
            truth = (
                "healthy"
                if a["healthy"]
                else f"{a['part']} {a['accept'][0][1]} {a['severity']} {a['amount']} {'' if a['visible'] else 'HIDDEN'}"  # noqa: E501
            )
            mark = (
                "" if a["healthy"] else ("ok  " if r["first"] else "alike" if r["alike"] else f"MISS{r['place']}")
            )
            print(
                f"{r['name'][5:]} {r['title'][:24]:24s} {mark:5s} {truth:44s} healthy {r['healthy']:.3f} {r['top']}"
            )
    table(rows, options.details)


if __name__ == "__main__":
    main()
