"""A hundred simulated repairs of each kind, on specimens with tolerances of their own and a bench with errors of
its own: how often does the comparison say what was done? Run by hand:

    python tests/outside/simulated_repairs.py 100

The wanted rates are 95 of 100 each. Specimens and comparison share the circuit model; what is tried here is the
statistics: tolerances that the comparison does not know, gain errors of meter and scope, contact, mains that moves.
"""

import sys
from collections import Counter

import numpy as np

from acquisition.records import Event, Measurand, Pass, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.compare import AGREES, UNCHANGED, compare
from analysis.faults import faults_of

CHASSIS = load_chassis("quayside-five")
MODEL = ChassisModel(CHASSIS)
FAULTS = faults_of(CHASSIS, MODEL.parameters)
DC = [Measurand(point=p, quantity="dc_v") for p in "HT1 HT2 HT3 V1.1 V1.3 V1.6 V1.8 V2.2 V2.3 V2.7".split()]
SWEEP = [
    Measurand(point=stage, quantity=quantity, freq_hz=freq, drive_pp_v=0.02)
    for stage in ("V1.7>V1.6", "V1.6>V2.2")
    for freq in (20.0, 50.0, 200.0, 1000.0, 5000.0)
    for quantity in ("gain", "phase_deg")
]
WANTED = [*DC, *SWEEP]
SWAP = (Event(kind="part_replaced", subject="C4"),)
KINDS = {
    "healthy, swapped for its equal": ({}, UNCHANGED),
    "lost 85 % of its capacitance": ({"C4": 0.15 * 22e-9}, AGREES),
    "leaks 2 Mohm": ({"C4.leak": 1 / 2e6}, AGREES),
    "leaks 20 Mohm": ({"C4.leak": 1 / 20e6}, AGREES),
    "cathode resistor R4 changed by mistake": ({"C4.leak": 1 / 2e6}, "changed, not explained by it"),
}


def repair(kind: str, seed: int) -> str:
    rng = np.random.default_rng(seed)
    specimen = {key: values[0] for key, values in MODEL.draw(1, rng).items()}
    meter, scope, skew = 0.003 * rng.uniform(-1, 1), 0.01 * rng.standard_normal(), rng.standard_normal()
    fault, _ = KINDS[kind]
    equal = specimen["C4"] if kind.startswith("healthy") else 22e-9 * np.exp(0.05 * rng.standard_normal())
    after = {"C4": equal, **({"R4": specimen["R4"] * 2.0} if "R4" in kind else {})}
    passes = []
    for name, change, events in (("as-found", fault, ()), ("after-C4", after, SWAP)):
        mains_v = 230.0 * (1 + 0.015 * rng.standard_normal())
        values = {**specimen, **change, "mains": mains_v / 230.0}
        truth = MODEL.predict({key: np.full(1, value) for key, value in values.items()}, WANTED)[0]
        readings = []
        for m, true in zip(WANTED, truth, strict=True):
            noise = rng.standard_normal()
            if m.quantity == "dc_v":
                value, std = true * (1 + meter + 0.0015 * noise) + 0.002 * noise, np.hypot(0.0025 * true, 0.003)
            elif m.quantity == "gain":
                value, std = true * (1 + scope + 0.004 * noise), 0.011 * true
            else:
                value, std = true + skew + 0.3 * noise, 1.1
            dc = m.quantity == "dc_v"
            reading = Reading(
                point=m.point, quantity=m.quantity, value=float(value), std=float(std), freq_hz=m.freq_hz,
                drive_pp_v=m.drive_pp_v, instrument="meter" if dc else "scope", range_v=300.0 if dc else 10.0,
            )  # fmt: skip
            readings.append(reading)
        passes.append(Pass(name=name, started_utc="", mains_v=mains_v, readings=tuple(readings), events=events))
    return compare(*passes, model=MODEL, faults=FAULTS).verdict


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    failed = 0
    for kind, (_, wanted) in KINDS.items():
        said = Counter(repair(kind, seed) for seed in range(count))
        failed += said[wanted] < 0.95 * count
        print(f"{kind:<42}{said[wanted]:>4} of {count} say {wanted!r}; {dict(said)}", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
