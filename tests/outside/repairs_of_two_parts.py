"""Simulated repairs of chassis with two bad parts, by ngspice and tubes of other laws; run by hand.

    python -m tests.outside.repairs_of_two_parts COUNT SEED [KIND ...] [--drawing TITLE]

Of each kind COUNT repairs: two parts among resistors and capacitors, or a part and a tube, are bad before. Either
both are changed and noted (``both``), or one is and the other stays bad (``one``, ``beside tube``), or only one
was bad and both were changed (``spare``). Specimens are those of `fresh_cases`; the bench has errors that both
passes share and noise of its own; the mains moves between the passes and is written down as a meter shows it. Told
is how often the intervals of 95 % in circuit hold the truth, of values before and after, and how many cannot tell.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from collections import Counter

import numpy as np

from acquisition.records import Event, Pass, Reading
from analysis.compare import InCircuit, compare, replaced_values
from analysis.faults import faults_of
from tests.outside.foreign_tubes import draw_specimen
from tests.outside.fresh_cases import Drawn, draw_fault, drawings, drawn, scattered, simulate
from tests.outside.ngspice_peer import nominal_table

KINDS = ("both", "one", "beside tube", "spare")
MAINS_SIGMA, MAINS_READ = 0.015, 0.005
"""How far the mains moves from pass to pass, and the error of the meter that showed it (common practice)."""


def faults_drawn(case: Drawn, rng: np.random.Generator, kind: str) -> list[tuple[str, str, float]]:
    """Part, key of the table and times or siemens, of two different parts; the second a tube where asked for."""
    found: list[tuple[str, str, float]] = []
    while len(found) < 2:
        name, word, key, amount = draw_fault(case.model, rng)
        wanted_tube = kind == "beside tube" and len(found) == 1
        if any(name == part for part, _, _ in found) or wanted_tube != (word in ("weak", "dead")):
            continue
        if wanted_tube:
            found.append((name, "tube", amount))
        elif key.endswith(".leak"):
            found.append((name, key, 1.0 / amount))
        elif name in case.model.chassis.parts and case.model.chassis.parts[name].kind in ("resistor", "capacitor"):
            found.append((name, key, amount))
    return found


def repair(case: Drawn, rng: np.random.Generator, kind: str) -> tuple[list[Pass], list[dict[str, float]]] | None:
    """Both passes of one repair, and the values behind each; None where a state has no operating point."""
    specimen, tubes = scattered(case.model, rng), draw_specimen(case.model, rng)
    bad = faults_drawn(case, rng, kind)
    rails = [key for key in specimen if key.endswith(".emf")]
    nominal = {key: nominal_table(case.model)[key] for key in rails}
    apart = {key: math.exp(0.01 * rng.standard_normal()) for key in rails}
    parts = [name for name, key, _ in bad if key != "tube"]
    changed = parts if kind in ("both", "spare") else parts[:1]
    new = dict(specimen)
    for name in changed:
        low, high = case.model.chassis.parts[name].tolerance
        new[name] = case.model.parameters[name].nominal * (1.0 + 0.25 * (high - low) * rng.standard_normal())
    meter, scope, skew = 0.003 * rng.uniform(-1, 1), 0.01 * rng.standard_normal(), rng.standard_normal()
    rounds, truths = [], []
    for name in ("as-found", "after"):
        table, fitted = dict(specimen if name == "as-found" else new), dict(tubes)
        for place, (part, key, amount) in enumerate(bad):
            if (name == "after" and part in changed) or (kind == "spare" and place == 1):
                continue
            if key == "tube":
                fitted[part] = dataclasses.replace(fitted[part], strength=fitted[part].strength * amount)
            else:
                table[key] = amount if key.endswith(".leak") else amount * case.model.parameters[key].nominal
        mains = math.exp(MAINS_SIGMA * rng.standard_normal())
        table |= {key: nominal[key] * apart[key] * mains for key in rails}
        values = simulate(case, table, fitted)
        if values is None:
            return None
        shown = case.model.chassis.mains_v * mains * (1.0 + MAINS_READ * rng.standard_normal())
        readings = []
        for m, true in zip(case.measurands, values, strict=True):
            value, std = _read(m.quantity, true, rng.standard_normal(), meter, scope, skew)
            dc = m.quantity == "dc_v"
            reading = Reading(
                point=m.point, quantity=m.quantity, value=float(value), std=float(std), freq_hz=m.freq_hz,
                drive_pp_v=0.02 if m.quantity in ("gain", "phase_deg") else None,
                instrument="meter" if dc else "scope", range_v=300.0 if dc else 10.0,
            )  # fmt: skip
            readings.append(reading)
        work = [Event(kind="part_replaced", subject=part) for part in changed] if name == "after" else []
        one = Pass(name=name, started_utc="", mains_v=shown, readings=tuple(readings), events=tuple(work))
        rounds.append(one)
        truths.append(table)
    return rounds, truths


def _read(quantity: str, true: float, noise: float, meter: float, scope: float, skew: float) -> tuple[float, float]:
    """What the bench shows, and the standard uncertainty it states."""
    if quantity == "dc_v":
        return true * (1 + meter + 0.0015 * noise) + 0.002 * noise, math.hypot(0.0025 * true, 0.003)
    if quantity == "gain":
        return true * (1 + scope + 0.004 * noise), 0.011 * abs(true)
    if quantity == "phase_deg":
        return true + skew + 0.3 * noise, 1.1
    return true * (1 + scope + 0.02 * noise), math.hypot(0.025 * true, 0.0003)


def told(case: Drawn, rounds: list[Pass]) -> tuple[str, list[tuple[str, str, int, InCircuit]]]:
    """The verdict, and each value of each changed part as `stagewalk compare` tells it."""
    model = case.model
    result = compare(*rounds, model=model, faults=faults_of(model.chassis, model.parameters),
                     work_after=rounds[1].events)  # fmt: skip
    values = replaced_values(model, *rounds, work_after=rounds[1].events, faults=result.faults)
    found = []
    for one in values:
        found += [(one.part, one.what, side, answer) for side, answer in enumerate((one.before, one.after))]
    return result.verdict, found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("kinds", nargs="*", default=KINDS, metavar="KIND")
    parser.add_argument("--drawing", default="Quayside Five", help="How its title begins.")
    wanted = parser.parse_args()
    count, seed = wanted.count, wanted.seed
    case = drawn(next(text for title, text in drawings().items() if title.startswith(wanted.drawing)))
    totals: Counter = Counter()
    for kind in wanted.kinds:
        rng = np.random.default_rng([seed, KINDS.index(kind)])
        made = 0
        while made < count:
            one = repair(case, rng, kind)
            if one is None:
                continue
            made += 1
            rounds, truths = one
            verdict, values = told(case, rounds)
            totals[kind, verdict] += 1
            parts = list(dict.fromkeys(part for part, _, _, _ in values))
            for part, what, side, answer in values:
                key = part if what == "value" else f"{part}.{what}"
                true = truths[side].get(key, 0.0)
                true = (1.0 / true if true else math.inf) if what == "leak" else true
                state = "none" if answer.low is answer.high is None else "held" if answer.holds(true) else "missed"
                totals[kind, what, side, state] += 1
                totals["all", kind, side, state] += 1
                if answer.low is not None and answer.high is not None:
                    totals["both ends", kind, side, state] += 1
                if state == "missed":
                    print(f"{kind} {made - 1} {'/'.join(parts)}: {part} {what} {'after' if side else 'before'} "
                          f"{answer.text}, true {true:.4g}; {verdict}", flush=True)  # fmt: skip
        print(f"{kind}: " + ", ".join(f"{n} {v!r}" for (k, *v), n in totals.items() if k == kind and len(v) == 1))
        for name in ("all", "both ends"):
            for side in (0, 1):
                held, missed, none = (totals[name, kind, side, s] for s in ("held", "missed", "none"))
                print(
                    f"  {name} {'after' if side else 'before'}: {held} of {held + missed} inside"
                    f" ({100 * held / max(held + missed, 1):.1f} %), {none} cannot tell", flush=True,
                )  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
