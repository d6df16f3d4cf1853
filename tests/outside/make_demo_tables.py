"""Solve the circuits behind the simulated bench with ngspice and write them as tables.

Run by hand: ``python -m tests.outside.make_demo_tables``; needs ngspice on the path. The product reads only the
committed tables. The tubes obey other equations than the product's model, with parameters of other specimens, and
every part has a value of its own inside its tolerance, so that the product cannot agree with itself:

- triodes: K. Dempwolf and U. Zoelzer, "A physically-motivated triode model for circuit simulations", DAFx-11, 2011,
  the measured specimens RSD-2 and EHX-1 of a 12AX7; medium-mu: N. Koren, Glass Audio 8(5), 1996, 12AU7
- pentode: Koren's arctangent form of 1996 with public parameters of an EL84; kg2 chosen so that the screen takes
  the published 5.5 mA at 250 V, 250 V, -7.3 V
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
METER_OHM = 10e6
FREQUENCIES_HZ = [round(10 ** (k / 6), 4) for k in range(6, 31)]  # 10 Hz to 100 kHz, six a decade
IMPEDANCE_HZ = "dec 8 0.01 100k"

DEMPWOLF = {  # G, mu, gamma, C, Gg, xi, Cg, Ig0
    "RSD2": (2.173e-3, 100.2, 1.28, 3.19, 5.911e-4, 1.358, 11.76, 4.527e-8),
    "EHX1": (1.371e-3, 86.9, 1.349, 4.56, 3.263e-4, 1.156, 11.99, 3.917e-8),
}
KOREN_12AU7 = (21.5, 1.3, 1180.0, 84.0, 300.0)
KOREN_EL84 = (21.3, 1.24, 401.7, 1150.0, 111.1, 17.9)  # mu, ex, kg1, kg2, kp, kvb


def sp(x: str) -> str:
    """ln(1 + e^x), written so that it does not overflow."""
    return f"(max({x},0)+ln(1+exp(-abs({x}))))"


def dempwolf(name: str, kind: str, plate: str, grid: str, cathode: str) -> list[str]:
    g, mu, gamma, c, gg, xi, cg, ig0 = DEMPWOLF[kind]
    va, vg = f"V({plate},{cathode})", f"V({grid},{cathode})"
    ik = f"{g}*pow({sp(f'({c}*({va}/{mu}+{vg}))')}/{c},{gamma})"
    ig = f"({gg}*pow({sp(f'({cg}*{vg})')}/{cg},{xi})+{ig0})"
    return [
        f"B{name}p {plate} {cathode} I=max({ik}-{ig},0)",
        f"B{name}g {grid} {cathode} I={ig}",
        # Published capacitances of the type: 1.6 pF grid to plate, 1.6 pF in, 0.4 pF out.
        f"C{name}1 {grid} {plate} 1.6p",
        f"C{name}2 {grid} {cathode} 1.6p",
        f"C{name}3 {plate} {cathode} 0.4p",
    ]


def koren_triode(name: str, plate: str, grid: str, cathode: str) -> list[str]:
    mu, ex, kg1, kp, kvb = KOREN_12AU7
    va, vg = f"max(V({plate},{cathode}),1e-3)", f"V({grid},{cathode})"
    e1 = f"({va}/{kp}*{sp(f'({kp}*(1/{mu}+{vg}/sqrt({kvb}+{va}*{va})))')})"
    return [
        f"B{name}p {plate} {cathode} I=2*pow({e1},{ex})/{kg1}",
        # A grid conducts once it is positive: 1 kohm beyond 0 V, the usual simplification of netlists.
        f"B{name}g {grid} {cathode} I=max({vg},0)/1k",
        f"C{name}1 {grid} {plate} 1.6p",
        f"C{name}2 {grid} {cathode} 1.8p",
        f"C{name}3 {plate} {cathode} 1.3p",
    ]


def koren_pentode(name: str, plate: str, screen: str, grid: str, cathode: str) -> list[str]:
    mu, ex, kg1, kg2, kp, kvb = KOREN_EL84
    va, vs, vg = f"V({plate},{cathode})", f"max(V({screen},{cathode}),1e-3)", f"V({grid},{cathode})"
    e1 = f"({vs}/{kp}*{sp(f'({kp}*(1/{mu}+{vg}/{vs}))')})"
    return [
        f"B{name}p {plate} {cathode} I=2*pow({e1},{ex})/{kg1}*atan(max({va},0)/{kvb})",
        f"B{name}s {screen} {cathode} I=pow(max({vs}/{mu}+{vg},1e-6),{ex})/{kg2}",
        f"B{name}g {grid} {cathode} I=max({vg},0)/1k",
        f"C{name}1 {grid} {plate} 0.5p",
        f"C{name}2 {grid} {cathode} 10.8p",
    ]


@dataclass
class Circuit:
    """A netlist without its sources of analysis, and the points a probe can reach."""

    lines: list[str]
    points: dict[str, str]  # point as the technician says it -> node
    rail: str  # name of the voltage source of the supply
    rail_node: str
    ripple_peak_v: float  # at the rail node
    ripple_hz: float = 100.0
    drive_peak_v: float = 3.0  # overdrive that shows the limits of the waveform
    states: dict[str, list[str]] = field(default_factory=dict)
    quiet: tuple[str, ...] = ()  # points whose response to the generator is not kept


def run(lines: list[str], commands: list[str], outputs: list[str]) -> list[np.ndarray]:
    """Run a netlist and return what ``wrdata`` wrote, one array a file name of ``outputs``."""
    with tempfile.TemporaryDirectory() as folder:
        text = "\n".join(
            ["circuit", *lines, ".options reltol=1e-6 abstol=1e-14 vntol=1e-9 gmin=1e-15 method=gear", ".control",
             "set wr_singlescale", "set numdgt=12", *commands, "quit", ".endc", ".end", ""]
        )  # fmt: skip
        path = Path(folder) / "circuit.cir"
        path.write_text(text)
        done = subprocess.run(["ngspice", "-b", str(path)], cwd=folder, capture_output=True, text=True, check=False)
        found = []
        for name in outputs:
            file = Path(folder) / name
            if not file.exists():
                raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
            found.append(np.loadtxt(file, ndmin=2))
        return found


def operating_point(lines: list[str], nodes: list[str]) -> dict[str, float]:
    wanted = " ".join(f"v({node})" for node in nodes)
    (data,) = run([*lines, "VGEN gen 0 DC 0 AC 0"], ["op", f"wrdata op.txt {wanted}"], ["op.txt"])
    return dict(zip(nodes, (float(v) for v in data[0, 1:]), strict=True))


def sweep(lines: list[str], nodes: list[str], grid: str) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies, and complex volts of shape (len(nodes), F)."""
    wanted = " ".join(f"v({node})" for node in nodes)
    (data,) = run(lines, [f"ac {grid}", f"wrdata ac.txt {wanted}"], ["ac.txt"])
    return data[:, 0], (data[:, 1::2] + 1j * data[:, 2::2]).T


def at(grid_hz: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Rows on ``FREQUENCIES_HZ``; the sweep is dense, so linear steps of the logarithm are exact enough."""
    wanted = np.log(FREQUENCIES_HZ)
    return np.array([np.interp(wanted, np.log(grid_hz), r.real) + 1j * np.interp(wanted, np.log(grid_hz), r.imag)
                     for r in rows])  # fmt: skip


def solve(circuit: Circuit, state: str) -> dict:
    base = [*circuit.lines, *circuit.states[state]]
    points = list(circuit.points)
    nodes = [circuit.points[p] for p in points]
    free = operating_point(base, nodes)
    quiet = [*base, "VGEN gen 0 DC 0 AC 0"]
    grid = "dec 60 9 110k"
    grid_hz, gains = sweep([*base, "VGEN gen 0 DC 0 AC 1"], nodes, grid)
    rail = f"{circuit.rail} emf 0 DC"
    driven = [re.sub(f"^{re.escape(rail)} (\\S+).*", f"{rail} \\1 AC 1", line) for line in quiet]
    _, ripple = sweep(driven, [*nodes, circuit.rail_node], f"lin 1 {circuit.ripple_hz} {circuit.ripple_hz}")
    ripple = ripple[:-1, 0] / ripple[-1, 0] * circuit.ripple_peak_v
    tran = [*base, f"VGEN gen 0 SIN(0 {circuit.drive_peak_v} 1000)"]
    (wave,) = run(tran, ["tran 5u 60m 55m 5u", "wrdata tr.txt " + " ".join(f"v({n})" for n in nodes)], ["tr.txt"])
    entries, transfer = {}, []
    alive = [index for index, point in enumerate(points) if point not in circuit.quiet]
    for index, (point, node) in enumerate(zip(points, nodes, strict=True)):
        loaded = operating_point([*base, f"RMETER {node} 0 {METER_OHM}"], [node])[node]
        injected = [*quiet, f"ITEST 0 {node} DC 0 AC 1"]
        slow_hz, own = sweep(injected, [node], IMPEDANCE_HZ)
        size = np.abs(own[0])
        below = np.flatnonzero(size < size[0] / math.sqrt(2))
        corner_hz = slow_hz[below[0]] if below.size else 1e5
        if index in alive:
            _, across = sweep(injected, [nodes[k] for k in alive], grid)
            transfer.append(at(grid_hz, across))
        swing = wave[:, 1 + index]
        entries[point] = {
            "dc_v": sig(free[node], 7),
            "dc_loaded_v": sig(loaded, 7),
            "settle_s": sig(1 / (2 * math.pi * corner_hz), 3),
            "ripple_peak_v": sig(abs(ripple[index]), 4),
            "ripple_phase_rad": sig(float(np.angle(ripple[index])), 4),
            "lowest_v": sig(float(swing.min()), 5),
            "highest_v": sig(float(swing.max()), 5),
        }
    gain = at(grid_hz, gains)
    impedance = np.array(transfer).transpose(1, 0, 2)  # [seen at][injected at][frequency]
    return {
        "points": entries,
        "signal_points": [points[k] for k in alive],
        "gain": flat(gain[alive]),
        "impedance_ohm": flat(impedance),
    }


def sig(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}") if abs(value) > 1e-12 else 0.0


def flat(values: np.ndarray) -> list[float]:
    """Real and imaginary parts in turn, last index fastest."""
    return [sig(part, 5) for value in values.ravel() for part in (float(value.real), float(value.imag))]


def table(title: str, circuit: Circuit, note: str) -> dict:
    return {
        "title": title,
        "source": f"ngspice, tests/outside/make_demo_tables.py; {note}",
        "meter_ohm": METER_OHM,
        "ripple_hz": circuit.ripple_hz,
        "frequencies_hz": FREQUENCIES_HZ,
        "states": {state: solve(circuit, state) for state in circuit.states},
    }


def capacitor(
    name: str, a: str, b: str, farad: float, leak_ohm: float | None = None, esr: float = 0.0
) -> list[str]:
    lines = [f"C{name} {a} {name}x {farad}", f"R{name}x {name}x {b} {max(esr, 1e-3)}"]
    return lines + ([f"R{name}leak {a} {b} {leak_ohm}"] if leak_ohm else [])


def quayside_five() -> Circuit:
    """The amplifier of configs/chassis/quayside-five.yaml as one specimen of it; values drawn once, by hand."""
    lines = [
        # The supply stands a little above nominal; reservoir and source as printed.
        "VSUP emf 0 DC 262.0",
        "RSUP emf HT1 250",
        "RGEN gen IN 50",
        "R10 IN g1 10.2k",
        "R1 g1 0 1.03MEG",
        "R2 k1 0 1.46k",
        "R3 HT3 p1 102.5k",
        "RP1a N1 w1 0.49MEG",
        "RP1b w1 0 0.47MEG",
        "R4 k2 0 1.52k",
        "R5 HT3 p2 98.1k",
        "R6 g3 0 462k",
        "R7 k3 0 152",
        "R8 HT1 HT2 1.01k",
        "R9 HT2 HT3 9.7k",
        "RL SPK 0 8.05",
        *capacitor("C1", "k1", "0", 25e-6, esr=1.0),
        *capacitor("C3", "k2", "0", 24e-6, esr=1.0),
        *capacitor("C4", "p2", "g3", 21.5e-9),
        *capacitor("C5", "k3", "0", 115e-6, esr=0.4),
        *capacitor("C6", "HT1", "0", 52e-6, esr=0.3),
        *capacitor("C7", "HT2", "0", 25e-6, esr=0.6),
        *capacitor("C8", "HT3", "0", 24e-6, esr=0.7),
        # Output transformer: winding resistances, primary inductance, turns 25.2 to 1 (5 kohm to 8 ohm).
        "RT1p HT1 t1 272",
        "LT1p t1 p3 12.5",
        "ET1 t2 0 t1 p3 0.0397",
        "RT1s t2 t3 0.62",
        "VT1s t3 SPK 0",
        "FT1 t1 p3 VT1s 0.0397",
        *dempwolf("V1a", "RSD2", "p1", "g1", "k1"),
        *dempwolf("V1b", "EHX1", "p2", "w1", "k2"),
        *koren_pentode("V2", "p3", "HT2", "g3", "k3"),
    ]
    points = {
        "HT1": "HT1", "HT2": "HT2", "HT3": "HT3", "IN": "IN", "N1": "N1", "SPK": "SPK",
        "V1.1": "p1", "V1.2": "g1", "V1.3": "k1", "V1.6": "p2", "V1.7": "w1", "V1.8": "k2",
        "V2.2": "g3", "V2.3": "k3", "V2.7": "p3", "V2.9": "HT2",
    }  # fmt: skip
    circuit = Circuit(lines, points, "VSUP", "HT1", ripple_peak_v=2.9, quiet=("HT1", "HT2", "HT3", "V2.9"))
    circuit.states = {
        "leaky": capacitor("C2", "p1", "N1", 20.5e-9, leak_ohm=22e6),
        "mended": capacitor("C2", "p1", "N1", 22.3e-9),
    }
    return circuit


def single_triode() -> Circuit:
    """A medium-mu triode at 300 V: 100 k, 1.5 k, 470 k, 0.1 uF couplings."""
    lines = [
        "VSUP emf 0 DC 300",
        "RSUP emf HT 1",
        "RGEN gen IN 50",
        "CIN IN g 0.1u",
        "RG g 0 470k",
        "RK k 0 1.5k",
        "COUT p OUT 0.1u",
        "ROUT OUT 0 470k",
        *koren_triode("V1", "p", "g", "k"),
    ]
    points = {"HT": "HT", "IN": "IN", "V1.1": "p", "V1.6": "g", "V1.7": "k", "OUT": "OUT"}
    circuit = Circuit(lines, points, "VSUP", "HT", ripple_peak_v=0.02, drive_peak_v=30.0)
    circuit.states = {
        "healthy": ["RP HT p 100k"],
        "plate resistor open": ["RP HT p 20MEG"],
        "input coupling leaky": ["RP HT p 100k", "VPRE pre 0 DC 200", "RLEAK pre g 1.2MEG"],
    }
    return circuit


def split_load() -> Circuit:
    """The same tube with 30 k in plate and cathode at 350 V, biased from a tap of the cathode resistor."""
    lines = [
        "VSUP emf 0 DC 350",
        "RSUP emf HT 1",
        "RGEN gen IN 50",
        "CIN IN g 0.1u",
        "RG g 0 470k",
        "RP HT p 30k",
        "RK k 0 30k",
        *koren_triode("V1", "p", "g", "k"),
    ]
    points = {"HT": "HT", "IN": "IN", "V1.1": "p", "V1.6": "g", "V1.7": "k"}
    circuit = Circuit(lines, points, "VSUP", "HT", ripple_peak_v=0.02, drive_peak_v=30.0)
    circuit.states = {"healthy": []}
    return circuit


def main() -> None:
    files = {
        ROOT / "analysis/app/demo/quayside-five.json": (
            "Quayside Five", quayside_five(),
            "12AX7 by Dempwolf and Zoelzer (RSD-2, EHX-1), EL84 by Koren's arctangent form; C2 leaks 22 Mohm, "
            "then a new one",
        ),
        ROOT / "tests/data/single-triode.json": (
            "6C4, 100 k, 1.5 k at 300 V", single_triode(), "12AU7 by Koren 1996: two of it in one envelope",
        ),
        ROOT / "tests/data/split-load.json": ("6C4, 30 k and 30 k at 350 V", split_load(), "as single-triode.json"),
    }  # fmt: skip
    for path, (title, circuit, note) in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        content = table(title, circuit, note)
        path.write_text(json.dumps(content, separators=(",", ":")) + "\n")
        print(path.relative_to(ROOT), path.stat().st_size, "bytes")
        for state, found in content["states"].items():
            print(" ", state, {p: (e["dc_v"], e["dc_loaded_v"], e["settle_s"]) for p, e in found["points"].items()})


if __name__ == "__main__":
    main()
