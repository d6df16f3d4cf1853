"""Make fresh diagnosis cases with ngspice, tubes by other laws than the product's; run by hand.

    python -m tests.outside.fresh_cases FOLDER COUNT SEED [DRAWINGS] [--aged]
    python -m tests.outside.cases_table --folder FOLDER

The drawings are those of the reference cases and of the shipped chassis, or the chassis files of a folder (a
rectified rail becomes one with ripple).
Everything else is drawn by chance: specimens of all parts, one of the laws of `foreign_tubes` a tube, one fault or
none, a meter. Scatter and noise are those that the reference cases state (their README): resistors and film
capacitors half the tolerance, electrolytics +5 +- 30 %, perveance +-15 %, mu +-7.5 %, mains +-3 %; DC 0.5 % + 2 mV,
AC 1.5 %, phase 1 degree. Which fault and how bad is drawn by `FAULTS`, not by the product's priors.

Of an aged chassis every resistor has drifted up besides, 8 +- 6 % (carbon; common practice, no source).

A fault is `visible` when it moves a reading by more than three times the scatter of healthy specimens with noise.
A specimen with a node beyond its rails is no chassis but a law far outside its range, and is drawn anew.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from functools import cache
from pathlib import Path

import numpy as np

from acquisition.configs import config_names
from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.loader import parse_chassis
from analysis.faults import class_of
from tests.outside.foreign_tubes import Specimen, draw_specimen, tube_lines
from tests.outside.ngspice_peer import netlist, nominal_table, run, spice_node

CASES = Path(__file__).parent / "data" / "cases"
DRIFT, DRIFT_SPREAD = 0.08, 0.06  # logarithm
LEFT_OUT = {"harbour-twenty"}  # minutes a case
HEALTHY_SHARE, SCATTER_OF, VISIBLE = 0.15, 12, 3.0
BEYOND = 0.05  # of the span of the rails: grid current and gas may carry a node a little past them
SHARES = {"resistor": 0.36, "capacitor": 0.36, "tube": 0.18, "transformer": 0.05, "rail": 0.05}
FREQS_HZ = (20.0, 100.0, 1000.0, 5000.0, 20000.0)

RESISTOR = [("high", (1.25, 4.0), 0.5), ("open", (1e3, 1e5), 0.3), ("low", (0.05, 0.75), 0.2)]
FILM = [
    ("leaky", (1e5, 2e7), 0.4),
    ("shorted", (10.0, 1e3), 0.1),
    ("low", (0.03, 0.5), 0.2),
    ("open", (1e-4, 1e-3), 0.3),
]
ELECTROLYTIC = [("low", (0.05, 0.45), 0.35), ("open", (1e-4, 1e-3), 0.35), ("leaky", (150.0, 1e5), 0.2),
                ("shorted", (0.5, 20.0), 0.1)]  # fmt: skip
TUBE = [("weak", (0.3, 0.7), 0.5), ("dead", (1e-5, 1e-4), 0.25), ("gassy", (5e-7, 1e-5), 0.25)]
SAME = {"open": ("high", "open"), "high": ("high", "open"), "low": ("low",), "leaky": ("leaky", "shorted"),
        "shorted": ("leaky", "shorted"), "weak": ("weak", "dead"), "dead": ("weak", "dead")}  # fmt: skip
SAME_C = {"low": ("low", "open"), "open": ("low", "open")}


def drawings(folder: Path | None = None) -> dict[str, str]:
    """Text of every drawing by title."""
    found = {}
    for path in sorted(folder.glob("*.yaml") if folder else CASES.glob("*.chassis.yaml")):
        text = path.read_text()
        found.setdefault(load_chassis(str(path)).title, text)
    for name in () if folder else config_names("chassis"):
        chassis = load_chassis(name)
        if chassis.parts and name not in LEFT_OUT:
            found[chassis.title] = (
                chassis.path.read_text() if isinstance(chassis.path, Path) else Path(chassis.path).read_text()
            )
    for title, text in found.items():
        for word in ("full-wave", "half-wave"):
            text = text.replace(f"rectified: {word}", "ripple_pp: 5")
        found[title] = text
    return found


@dataclasses.dataclass(frozen=True, kw_only=True)
class Drawn:
    """A drawing with its model (used for names, and for the numbers a drawing fixes) and its readings."""

    text: str
    model: ChassisModel
    measurands: tuple[Measurand, ...]


@cache
def drawn(text: str) -> Drawn:
    """Readings of a technician with meter, scope and generator."""
    model = ChassisModel(parse_chassis(text, "fresh case"))
    points = [name for name, p in model.points.items() if p.node and not p.heater and p.node != "gnd"]
    stages = dict.fromkeys((s.source, s.target) for s in model.stages.values())
    wanted = [Measurand(point=p, quantity="dc_v") for p in points]
    wanted += [
        Measurand(point=f"{a}>{b}", quantity=q, freq_hz=f)
        for a, b in stages
        for f in FREQS_HZ
        for q in ("gain", "phase_deg")
    ]
    wanted += [Measurand(point=p, quantity="ripple_pp_v", freq_hz=2 * model.chassis.mains_hz) for p in points]
    return Drawn(text=text, model=model, measurands=tuple(wanted))


def scattered(model: ChassisModel, rng: np.random.Generator, aged: bool = False) -> dict[str, float]:
    """One healthy specimen of every part."""
    table = nominal_table(model)
    mains = math.exp(0.03 * rng.standard_normal())
    for key, parameter in model.parameters.items():
        if key not in table or parameter.kind not in ("resistor", "capacitor", "potentiometer", "rail"):
            continue
        part = model.chassis.parts.get(parameter.part)
        if key == parameter.part and part is not None:
            low, high = part.tolerance
            if class_of(parameter, model.chassis) == "electrolytic":
                table[key] *= max(1.05 + 0.3 * rng.standard_normal(), 0.6)
            else:
                table[key] *= 1.0 + 0.25 * (high - low) * rng.standard_normal()
        elif key.endswith(".emf"):
            table[key] *= mains * math.exp(0.01 * rng.standard_normal())
        elif key.endswith(".leak"):
            table[key] = table[parameter.part] / math.exp(rng.uniform(math.log(300), math.log(30000)))
        elif key.endswith(".esr") and table[key] > 0:
            table[key] *= math.exp(0.5 * rng.standard_normal())
        if aged and parameter.kind == "resistor" and key == parameter.part and key != "RL":
            table[key] *= math.exp(abs(DRIFT + DRIFT_SPREAD * rng.standard_normal()))
    return table


def draw_fault(model: ChassisModel, rng: np.random.Generator) -> tuple[str, str, str, float]:
    """Part, fault word, key of the table, amount."""
    by_class: dict[str, list[str]] = {}
    for key, parameter in model.parameters.items():
        kind = "capacitor" if parameter.kind == "capacitor" else parameter.kind
        if key == parameter.part and kind in ("resistor", "capacitor"):
            if parameter.part != "RL":
                by_class.setdefault(kind, []).append(key)
        elif key.endswith(".strength"):
            by_class.setdefault("tube", []).append(parameter.section)
        elif key.endswith(".emf"):
            by_class.setdefault("rail", []).append(parameter.part)
        elif key.endswith("_open_ohms") and "secondary" not in key:
            by_class.setdefault("transformer", []).append(key)
    names = [name for name in SHARES if name in by_class]
    weights = np.array([SHARES[name] for name in names])
    kind = names[rng.choice(len(names), p=weights / weights.sum())]
    name = str(rng.choice(by_class[kind]))
    if kind == "transformer":
        return model.parameters[name].part, "winding open", name, 1e7
    if kind == "rail":
        return name, "low", f"{name}.emf", float(rng.uniform(0.5, 0.92))
    table = {"resistor": RESISTOR, "tube": TUBE}.get(kind)
    if table is None:
        table = ELECTROLYTIC if class_of(model.parameters[name], model.chassis) == "electrolytic" else FILM
    word, (low, high), _ = table[rng.choice(len(table), p=[row[2] for row in table])]
    amount = math.exp(rng.uniform(math.log(low), math.log(high)))
    key = f"{name}.leak" if word in ("leaky", "shorted") else name
    return name, word, key, amount


def simulate(
    case: Drawn, table: dict[str, float], tubes: dict[str, Specimen], opened: str = ""
) -> np.ndarray | None:
    """Readings without noise, in the order of the measurands; None without an operating point that can be."""
    model = case.model
    node = {p: spice_node(n) for p, n in model.chassis.node_names.items()}
    lines = netlist(model, "DC 0 AC 0", table, lambda *pins: tube_lines(tubes, *pins))
    lines = [_with_ripple(line, model, table) for line in lines]
    if opened:
        part, _, label = opened.partition(".")
        winding = f"R{part}w{int(label[1]) - 1 if label[1].isdigit() else 0} "
        lines = [" ".join([*line.split()[:-1], "1e7"]) if line.startswith(winding) else line for line in lines]
    real = sorted({n for m in case.measurands for p in m.points if (n := node[p]) != "0"})
    for i, n in enumerate(real):
        lines += [f"Rmet{i} {n} 0 1e18", f"Cmet{i} {n} 0 1e-21"]
    place = {n: i for i, n in enumerate(real)}
    control = ["set appendwrite", "op"]
    for n in real:
        control += [f"alter rmet{place[n]} 1e7", "op", f"wrdata out.txt v({n})", f"alter rmet{place[n]} 1e18"]

    def probes(nodes: set[str], on: bool) -> list[str]:
        ohm, farad = ("1e7", "12e-12") if on else ("1e18", "1e-21")
        return [t for n in nodes - {"0"} for t in (f"alter rmet{place[n]} {ohm}", f"alter cmet{place[n]} {farad}")]

    hum = 2 * model.chassis.mains_hz
    for n in real:
        control += [*probes({n}, True), f"ac lin 1 {hum:g} {hum:g}", f"wrdata out.txt v({n})", *probes({n}, False)]
    control += [f"alter @{name}[acmag]=0" for name in _rail_sources(model)] + ["alter @vdrive[acmag]=1"]
    stages = list(dict.fromkeys(m.point for m in case.measurands if m.quantity == "gain"))
    for stage in stages:
        a, b = (node[p] for p in stage.split(">"))
        control += probes({a, b}, True)
        for freq in FREQS_HZ:
            control.append(f"ac lin 1 {freq:g} {freq:g}")
            for n in (a, b):
                control.append(f"wrdata out.txt {'v(drive)-v(drive)' if n == '0' else f'v({n})'}")
        control += probes({a, b}, False)
    try:
        (rows,) = run(lines, control, ["out.txt"])
    except (AssertionError, OSError, ValueError):
        return None
    if len(rows) != 2 * len(real) + 2 * len(FREQS_HZ) * len(stages):
        return None
    dc = {n: rows[i][1] for n, i in place.items()}
    if not within_rails(list(dc.values()), [table[f"{name}.emf"] for name in model.chassis.rails]):
        return None
    ripple = {n: 2.0 * abs(complex(*rows[len(real) + i][1:3])) for n, i in place.items()}
    ratio = {}
    spot = 2 * len(real)
    for stage in stages:
        for freq in FREQS_HZ:
            va, vb = (complex(*rows[spot + i][1:3]) for i in (0, 1))
            ratio[stage, freq] = vb / va if abs(va) > 1e-12 else complex("nan")
            spot += 2
    values = []
    for m in case.measurands:
        if m.quantity == "dc_v":
            values.append(dc.get(node[m.point], 0.0))
        elif m.quantity == "ripple_pp_v":
            values.append(ripple.get(node[m.point], 0.0))
        else:
            h = ratio[m.point, m.freq_hz]
            values.append(abs(h) if m.quantity == "gain" else math.degrees(np.angle(h)))
    return np.array(values)


def within_rails(dc_v: list[float], rails_v: list[float]) -> bool:
    """Whether no node stands beyond what feeds it: the maximum principle of a network of resistances and tubes."""
    low, high = min(0.0, *rails_v), max(0.0, *rails_v)
    slack = BEYOND * (high - low)
    return low - slack <= min(dc_v) and max(dc_v) <= high + slack


def _rail_sources(model: ChassisModel) -> list[str]:
    return [f"v{name.lower()}" for name in model.chassis.rails]


def _with_ripple(line: str, model: ChassisModel, table: dict[str, float]) -> str:
    """Ripple in the EMF of a rail, so large that the drawn chassis shows what the drawing says (as the product)."""
    for ripple in model._rippling:
        if line.startswith(f"V{ripple.key} "):
            return f"{line} AC {float(np.asarray(ripple.ratio).ravel()[0]) * abs(table[f'{ripple.key}.emf']):.9g}"
    return line


def noisy(
    measurands: tuple[Measurand, ...], values: np.ndarray, rng: np.random.Generator
) -> list[tuple[float, float]]:
    """Value and standard deviation as the meter gives them."""
    result = []
    for m, value in zip(measurands, values, strict=True):
        if m.quantity == "dc_v":
            std = 0.005 * abs(value) + 0.002
        elif m.quantity == "phase_deg":
            std = 1.4
        elif m.quantity == "gain":
            std = 0.021 * abs(value)
        else:
            std = max(0.02 * abs(value), 0.0002)
        result.append((value + std * rng.standard_normal(), std))
    return result


def comparable(measurands: tuple[Measurand, ...], values: np.ndarray) -> np.ndarray:
    """Logarithms above a floor, so that scatter is even."""
    floor = {"dc_v": 0.1, "gain": 0.01, "ripple_pp_v": 0.005}
    return np.array([
        math.radians(v) if m.quantity == "phase_deg" else math.asinh(v / floor[m.quantity])
        for m, v in zip(measurands, values, strict=True)
    ])  # fmt: skip


@cache
def scatter_of(text: str, aged: bool = False) -> np.ndarray:
    """Standard deviation of healthy specimens with the meter's noise, in the comparable variable."""
    case, rng, seen = drawn(text), np.random.default_rng(0), []
    while len(seen) < SCATTER_OF:
        values = simulate(case, scattered(case.model, rng, aged), draw_specimen(case.model, rng))
        if values is not None:
            seen.append(comparable(case.measurands, values))
    noise = np.array([{"dc_v": 0.005}.get(m.quantity, 0.02) for m in case.measurands])
    return np.hypot(np.std(seen, axis=0, ddof=1), noise)


def with_fault(
    model: ChassisModel, table: dict[str, float], tubes: dict[str, Specimen], rng: np.random.Generator
) -> tuple[tuple[str, tuple[str, ...], str, str], dict[str, float], dict[str, Specimen], str]:
    """Part, fault words that are right, the word drawn and its amount; table, tubes and opened winding with it."""
    part, word, key, amount = draw_fault(model, rng)
    table, tubes, opened, told = dict(table), dict(tubes), "", f"x{amount:.4g}"
    if word == "winding open":
        opened, told = key, "winding open"
    elif word in ("leaky", "shorted"):
        table[key], told = 1.0 / amount, _ohms(amount)
    elif word in ("weak", "dead"):
        tubes[part] = dataclasses.replace(tubes[part], strength=tubes[part].strength * amount)
    elif word == "gassy":
        tubes[part] = dataclasses.replace(tubes[part], gas_a=amount)
        told = f"{amount * 1e6:.2g} uA grid current at the usual plate current"
    else:
        table[key] = (table[key] if key.endswith(".emf") else nominal_table(model)[key]) * amount
    capacitor = part in model.chassis.parts and model.chassis.parts[part].kind == "capacitor"
    words = (SAME_C if capacitor and word in SAME_C else SAME).get(word, (word,))
    return (part, words, word, told), table, tubes, opened


def make_case(
    text: str, rng: np.random.Generator, aged: bool = False
) -> tuple[dict, list[tuple[Measurand, float, float]]] | None:
    """Answer and readings of one case; None where it has no operating point."""
    case = drawn(text)
    table, tubes = scattered(case.model, rng, aged), draw_specimen(case.model, rng)
    healthy = simulate(case, table, tubes)
    if healthy is None:
        return None
    answer: dict = {
        "healthy": True,
        "severity": "",
        "amount": "",
        "part": "",
        "accept": [],
        "alike": [],
        "visible": False,
    }
    values = healthy
    if rng.random() > HEALTHY_SHARE:
        (part, words, word, told), table, tubes, opened = with_fault(case.model, table, tubes, rng)
        found = simulate(case, table, tubes, opened)
        if found is None:
            return None
        values = found
        moved = np.abs(comparable(case.measurands, values) - comparable(case.measurands, healthy))
        phase = np.array([m.quantity == "phase_deg" for m in case.measurands])
        moved[phase] = 0.0
        visible = bool(np.nanmax(moved / scatter_of(text, aged)) > VISIBLE)
        severity = "gross" if word in ("open", "shorted", "dead", "winding open") else "partial"
        answer |= {"healthy": False, "amount": told, "part": part, "accept": [[part, w] for w in words]}
        answer |= {"visible": visible, "severity": severity}
    readings = [
        (m, v, s)
        for m, (v, s) in zip(case.measurands, noisy(case.measurands, values, rng), strict=True)
        if math.isfinite(v)
    ]
    return answer, readings


def _ohms(value: float) -> str:
    return (
        f"{value / 1e6:.4g} Mohm"
        if value >= 1e6
        else f"{value / 1e3:.4g} kohm"
        if value >= 1e3
        else f"{value:.4g} ohm"
    )


def main(folder: Path, count: int, seed: int, drawn_in: Path | None = None, aged: bool = False) -> None:
    """Write cases until there are enough."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = list(drawings(drawn_in).values())
    made = failed = 0
    while made < count:
        rng = np.random.default_rng([seed, made + failed])  # one drawn anew leaves the others as they are
        text = texts[rng.integers(len(texts))]
        found = make_case(text, rng, aged)
        if found is None:
            failed += 1
            continue
        answer, readings = found
        name = f"case_{seed:02d}{made:04d}"
        (folder / f"{name}.answer.json").write_text(json.dumps(answer))
        (folder / f"{name}.chassis.yaml").write_text(text)
        rows = [
            f"{m.point},{m.quantity},{v:.6g},{s:.4g},{'' if m.freq_hz is None else f'{m.freq_hz:g}'},"
            for m, v, s in readings
        ]
        (folder / f"{name}.readings.csv").write_text(
            "\n".join(["point,quantity,value,std,freq_hz,drive_pp_v", *rows, ""])
        )
        made += 1
        print(f"\r{made} of {count}, {failed} drawn anew", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("drawings", type=Path, nargs="?")
    parser.add_argument("--aged", action="store_true")
    options = parser.parse_args()
    main(options.folder, options.count, options.seed, options.drawings, options.aged)
