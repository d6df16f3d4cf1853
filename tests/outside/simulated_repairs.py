"""A hundred simulated repairs of each kind, on specimens with tolerances of their own and a bench with errors of
its own: how often does the comparison say what was done? Run by hand:

    python -m tests.outside.simulated_repairs 100

The wanted rates are 95 of 100 each. Specimens and comparison share the circuit model; what is tried here is the
statistics: tolerances that the comparison does not know, gain errors of meter and scope, contact, mains that moves.
Then the values of the replaced capacitor in circuit, before and after: how often do the intervals of 95 % hold the
truth? Kinds of `VALUES` may follow the count, to try only those.
"""

import sys
from collections import Counter

import numpy as np

from acquisition.records import Event, Measurand, Pass, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.compare import AGREES, NOT_EXPLAINED, UNCHANGED, InCircuit, compare, values_in_circuit
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
RIPPLE = [Measurand(point=point, quantity="ripple_pp_v", freq_hz=100.0) for point in ("HT1", "HT2", "HT3")]
KINDS = {
    "healthy, swapped for its equal": ("C4", {}, {}, UNCHANGED),
    "lost 85 % of its capacitance": ("C4", {"C4": 0.15 * 22e-9}, {}, AGREES),
    "leaks 2 Mohm": ("C4", {"C4.leak": 1 / 2e6}, {}, AGREES),
    "leaks 20 Mohm": ("C4", {"C4.leak": 1 / 20e6}, {}, AGREES),
    "cathode resistor R4 changed by mistake": ("C4", {"C4.leak": 1 / 2e6}, {"R4": 2.0}, NOT_EXPLAINED),
}
"""Part replaced, fault of the old one, what else is changed by mistake, and what the comparison is to say."""

VALUES = {
    **{name: kind[:2] for name, kind in KINDS.items() if kind[3] != NOT_EXPLAINED},
    "bypass lost 85 %": ("C3", {"C3": 0.15 * 22e-6}),
    "bypass with 300 ohm in series": ("C3", {"C3.esr": 300.0}),
    "bypass leaks 3 kohm": ("C3", {"C3.leak": 1 / 3e3}),
    "reservoir lost 80 %": ("C6", {"C6": 0.2 * 47e-6}),
}
"""Repairs whose capacitors are measured in circuit."""


def passes(part: str, fault: dict, mistake: dict, seed) -> tuple[list[Pass], list[dict]]:
    """Both rounds of readings of one simulated repair, and the values behind each."""
    rng = np.random.default_rng(seed)
    specimen = {key: values[0] for key, values in MODEL.draw(1, rng).items()}
    meter, scope, skew = 0.003 * rng.uniform(-1, 1), 0.01 * rng.standard_normal(), rng.standard_normal()
    nominal = MODEL.parameters[part].nominal
    equal = nominal * np.exp(0.05 * rng.standard_normal()) if fault else specimen[part]
    after = {part: equal, **{key: times * specimen[key] for key, times in mistake.items()}}
    wanted = [*WANTED, *(RIPPLE if part == "C6" else [])]
    rounds, truths = [], []
    for name, change in (("as-found", fault), (f"after-{part}", after)):
        mains_v = 230.0 * (1 + 0.015 * rng.standard_normal())
        values = {**specimen, **change, "mains": mains_v / 230.0}
        truth = MODEL.predict({key: np.full(1, value) for key, value in values.items()}, wanted)[0]
        readings = []
        for m, true in zip(wanted, truth, strict=True):
            noise = rng.standard_normal()
            if m.quantity == "dc_v":
                value, std = true * (1 + meter + 0.0015 * noise) + 0.002 * noise, np.hypot(0.0025 * true, 0.003)
            elif m.quantity == "gain":
                value, std = true * (1 + scope + 0.004 * noise), 0.011 * true
            elif m.quantity == "ripple_pp_v":
                value, std = true * (1 + scope + 0.02 * noise), np.hypot(0.025 * true, 0.0003)
            else:
                value, std = true + skew + 0.3 * noise, 1.1
            dc = m.quantity == "dc_v"
            reading = Reading(
                point=m.point, quantity=m.quantity, value=float(value), std=float(std), freq_hz=m.freq_hz,
                drive_pp_v=m.drive_pp_v, instrument="meter" if dc else "scope", range_v=300.0 if dc else 10.0,
            )  # fmt: skip
            readings.append(reading)
        events = () if name == "as-found" else (Event(kind="part_replaced", subject=part),)
        rounds.append(Pass(name=name, started_utc="", mains_v=mains_v, readings=tuple(readings), events=events))
        truths.append(values)
    return rounds, truths


def repair(kind: str, seed: int) -> str:
    part, fault, mistake, _ = KINDS[kind]
    rounds, _ = passes(part, fault, mistake, seed)
    return compare(*rounds, model=MODEL, faults=FAULTS).verdict


def inside(kind: str, seed: int) -> list[tuple[str, bool, float, InCircuit]]:
    """Each value of the part in both rounds: which, whether the truth is inside its interval, truth, answer."""
    part, fault = VALUES[kind]
    rounds, truths = passes(part, fault, {}, [seed, sorted(VALUES).index(kind)])
    found = []
    for one, truth in zip(rounds, truths, strict=True):
        for what, answer in values_in_circuit(MODEL, one, part).items():
            key = part if what == "value" else f"{part}.{what}"
            true = float(truth.get(key, MODEL.parameters[key].nominal))
            true = 1.0 / true if what == "leak" else true
            if answer.low is answer.high is None:
                continue  # the readings cannot tell, and that is what is said
            low, high = answer.low or 0.0, answer.high or np.inf
            found.append((what, low <= true <= high, true, answer))
    return found


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    failed = 0
    if len(sys.argv) < 3:
        for kind, (_, _, _, wanted) in KINDS.items():
            said = Counter(repair(kind, seed) for seed in range(count))
            failed += said[wanted] < 0.95 * count
            print(f"{kind:<42}{said[wanted]:>4} of {count} say {wanted!r}; {dict(said)}", flush=True)
    totals = Counter()
    for kind in sys.argv[2:] or VALUES:
        told = [found for seed in range(count) for found in inside(kind, seed)]
        for what in dict.fromkeys(found[0] for found in told):
            held = [found[1] for found in told if found[0] == what]
            both = sum(found[3].value is not None for found in told if found[0] == what)
            totals[what, "held"] += sum(held)
            totals[what, "all"] += len(held)
            print(
                f"{kind:<42}{what:<6}{sum(held):>4} of {len(held)} inside 95 %; {both} with both ends", flush=True
            )
    for what in dict.fromkeys(what for what, _ in totals):
        share = totals[what, "held"] / totals[what, "all"]
        failed += not 0.90 <= share <= 0.995
        print(f"all {what:<38}{100 * share:.1f} % of {totals[what, 'all']} inside")
    return failed


if __name__ == "__main__":
    sys.exit(main())
