"""A chassis written out for ngspice from its parts, tube laws as behavioural sources: an outside solver for tests.

The netlist is made from the parts of the chassis file and the published form of the tube equations, not from the
product's circuit; only the numbers (EMF of the rails, losses of the parts) are taken from the model under test.
"""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from analysis.chassis import ChassisModel
from analysis.chassis.nodes import wired_sections

NGSPICE = shutil.which("ngspice")
NEED_NGSPICE = "ngspice is not installed: this check compares with it"
OPTIONS = ".options reltol=1e-7 abstol=1e-14 vntol=1e-9 chgtol=1e-17 gmin=1e-15 itl1=500 itl2=500 method=gear"


def spice_node(name: str) -> str:
    """Spell a node for ngspice, which knows neither dots nor capitals."""
    return "0" if name == "gnd" else re.sub(r"[^a-z0-9_]", "_", name.lower())


def _soft(x: str) -> str:
    return f"(max({x},0)+ln(1+exp(-abs({x}))))"


def _pow(base: str, exponent: float) -> str:
    return f"pwr({base},{exponent:.12g})"


def tube_sources(
    key: str, p: str, g: str, k: str, s: str | None, model: object, strength: float, mu: float, gas: float
) -> list[str]:
    """Behavioural sources of one section: KV for triodes, RR and RX for pentodes, grid current of Dempwolf."""
    vg = f"(v({g})-v({k}))" if g != "0" else f"(-v({k}))"
    vp = f"(v({p})-v({k}))" if k != "0" else f"v({p})"
    drawn = vp if s is None else (f"(v({s})-v({k}))" if k != "0" else f"v({s})")
    m = model
    u, v = f"({vg}+{m.vct:.12g})", f"max({drawn},0)"
    root = f"sqrt({m.kvb:.12g}+{v}*{v})"
    z = f"({m.kp:.12g}*({1.0 / (m.mu * mu):.15g}+{u}/{root}))"
    e1 = f"({v}/{m.kp:.12g}*{_soft(z)})"
    lines = []
    if s is None:
        plate_current = f"{2.0 * strength / m.kg1:.15g}*{_pow(e1, m.ex)}"
    else:
        x = f"({m.beta:.12g}*max({vp},0))"
        share = f"(1/(1+{x}))" if m.law == "RR" else f"exp(-{_pow(x, 1.5)})"
        a, b = 1.0 / m.kg1 - 1.0 / m.kg2, m.a / m.kg1
        plate = f"({a:.15g}*(1-{share})+{b:.15g}*max({vp},0))"
        plate_current = f"{strength:.12g}*{_pow(e1, m.ex)}*{plate}"
        lines.append(f"B{key}s {s} {k} I={strength / m.kg2:.15g}*{_pow(e1, m.ex)}*(1+{m.alpha_s:.12g}*{share})")
    lines.append(f"B{key}p {p} {k} I={plate_current}")
    lines.append(f"B{key}i {k} {g} I={gas:.12g}*({plate_current})/(({plate_current})+1e-5)")
    if m.grid is not None:
        c = m.grid.sharpness
        soft = f"({_soft(f'({c:.12g}*{vg})')}/{c:.12g})"
        lines.append(f"B{key}g {g} {k} I={strength * m.grid.perveance:.15g}*{_pow(soft, m.grid.exponent)}")
    return lines


def nominal_table(model: ChassisModel) -> dict[str, float]:
    """Value of every element of the nominal chassis."""
    return {key: float(value[0]) for key, value in model.supplied({}).table.items()}


def netlist(
    model: ChassisModel,
    drive: str = "DC 0 AC 1",
    table: Mapping[str, float] | None = None,
    tube_lines: Callable[..., list[str]] | None = None,
) -> list[str]:
    """Write a chassis, the nominal one if no table is given; ``drive`` is what the generator's EMF is.

    ``tube_lines`` takes key, plate, grid, cathode and screen node, and writes a tube by laws of the caller's own.
    """
    chassis, table = model.chassis, table or nominal_table(model)
    node = {point: spice_node(name) for point, name in chassis.node_names.items()}
    lines = []
    for part in chassis.parts.values():
        n, name = [node[point] for point in part.nodes], part.name
        if part.kind == "resistor":
            lines.append(f"R{name.replace('=', '_')} {n[0]} {n[1]} {table[name]:.12g}")
        elif part.kind == "capacitor":
            esr = table[f"{name}.esr"]
            top = f"esr_{name}".lower() if esr else n[0]
            lines.append(f"C{name} {top} {n[1]} {table[name]:.12g}")
            if esr:
                lines.append(f"Resr{name} {n[0]} {top} {esr:.12g}")
            lines.append(f"Rleak{name} {n[0]} {n[1]} {1.0 / table[f'{name}.leak']:.12g}")
        elif part.kind == "inductor":
            lines.append(f"L{name} {n[0]} li_{name} {table[name]:.12g}")
            lines.append(f"Rl{name} li_{name} {n[1]} {table[f'{name}.ohms']:.12g}")
        elif part.kind == "potentiometer":
            at, whole = table[f"{name}.at"], table[name]
            at = at * table[f"{name}.turned"] / (at * table[f"{name}.turned"] + 1.0 - at)
            lines.append(f"Ra{name} {n[0]} {n[2]} {max(whole * (1.0 - at), 1e-3):.12g}")
            lines.append(f"Rb{name} {n[2]} {n[1]} {max(whole * at, 1e-3):.12g}")
        else:
            lines += _transformer(part, n, table)
    for rail in chassis.rails.values():
        lines.append(f"V{rail.name} emf_{rail.name.lower()} 0 {table[f'{rail.name}.emf']:.12g}")
        source = max(table[f"{rail.name}.source"], 0.01)
        lines.append(f"R{rail.name}src emf_{rail.name.lower()} {node[rail.name]} {source:.12g}")
    lines.append(f"Vdrive drive 0 {drive}")
    lines.append(f"Rdrive drive {node[chassis.signal.inputs[0]]} {table['generator.ohms']:.12g}")
    for socket, _, section, wired in wired_sections(chassis.sockets, chassis.node_names):
        if socket in chassis.pulled:
            continue
        key = f"{socket}{section.name}"
        p, g, k = (spice_node(wired[name]) for name in ("plate", "grid", "cathode"))
        s = spice_node(wired["screen"]) if section.kind == "pentode" else None
        if tube_lines is not None:
            lines += tube_lines(key, p, g, k, s)
        else:
            strength, mu, gas = (table[f"{key}.{name}"] for name in ("strength", "mu", "gas"))
            inside = {"plate": p, "grid": g}
            for electrode in inside:  # an open contact: inside the tube a source of its own, nothing to the pin
                if adrift_v := table.get(f"{key}.{electrode}_adrift", 0.0):
                    inside[electrode] = f"{electrode}_in_{key.lower()}"
                    lines.append(f"V{key}{electrode} {inside[electrode]} {k} {-adrift_v:.12g}")
            lines += tube_sources(key, inside["plate"], inside["grid"], k, s, section.model, strength, mu, gas)
        heated = [
            n for n, pin in chassis.sockets[socket].pins.items() if pin.is_heater and "cathode" not in pin.functions
        ]
        f = next((node[point] for n in heated if (point := f"{socket}.{n}") in node), "0")
        lines.append(f"R{key}heat {k} {f} {1.0 / table[f'{key}.heater_leak']:.12g}")
        if section.capacitances is not None:
            c = section.capacitances
            lines += [f"C{key}gp {g} {p} {c.grid_plate_farad:.12g}", f"C{key}in {g} {k} {c.input_farad:.12g}",
                      f"C{key}out {p} {k} {c.output_farad:.12g}"]  # fmt: skip
    return [line for line in lines if line.split()[1] != line.split()[2]]


def _transformer(part: object, n: list[str], table: Mapping[str, float]) -> list[str]:
    name = part.name
    ratio = (part.value / part.facts["secondary_impedance"]) ** 0.5
    core = f"core_{name.lower()}"
    taps = n[:-2]
    # Turns of each point of the primary, counted from its first end.
    tap = part.facts.get("tap", 0.0)
    at = {2: [0.0, 1.0], 3: [0.0, 0.5, 1.0], 5: [0.0, 0.5 - tap / 2, 0.5, 0.5 + tap / 2, 1.0]}[len(taps)]
    pairs = zip(itertools.pairwise(taps), itertools.pairwise(at), strict=True)
    windings = [(a, b, ratio * (end - start), end - start) for (a, b), (start, end) in pairs]
    windings.append((n[-2], n[-1], 1.0, 0.0))
    lines = [f"L{name}m {core} 0 {table[f'{name}.primary_henries'] / ratio**2:.12g}", f"R{name}m {core} 0 1e12"]
    for i, (a, b, turns, share) in enumerate(windings):
        ohm = table[f"{name}.primary_ohms"] * share if share else table[f"{name}.secondary_ohms"]
        leak = 0.5 * table[f"{name}.leakage_henries"]
        leak = leak * share if share else leak / ratio**2
        x, y, z = (f"{letter}{i}_{name.lower()}" for letter in "xyz")
        lines += [
            f"R{name}w{i} {a} {x} {ohm:.12g}", f"L{name}l{i} {x} {y} {leak:.12g}", f"V{name}i{i} {y} {z} 0",
            f"E{name}e{i} {z} {b} {core} 0 {turns:.12g}", f"F{name}f{i} 0 {core} V{name}i{i} {turns:.12g}",
        ]  # fmt: skip
    lines.append(f"C{name}p {taps[0]} {taps[-1]} {table[f'{name}.primary_farads']:.12g}")
    return lines


def run(lines: Sequence[str], control: Sequence[str], files: Sequence[str]) -> list[np.ndarray]:
    """Run ngspice once and read the tables it wrote; where rows differ in length, they end in NaN."""
    with tempfile.TemporaryDirectory() as folder:
        settings = ["set wr_singlescale", "set wr_vecnames=0", "set numdgt=12"]
        deck = ["* chassis", OPTIONS, *lines, ".control", *settings, *control, ".endc", ".end", ""]
        path = Path(folder) / "deck.cir"
        path.write_text("\n".join(deck), encoding="ascii")
        done = subprocess.run(
            [NGSPICE, "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=280, check=False
        )
        missing = [name for name in files if not (Path(folder) / name).is_file()]
        assert not missing, done.stdout[-2000:] + done.stderr[-2000:]
        return [_table((Path(folder) / name).read_text()) for name in files]


def _table(text: str) -> np.ndarray:
    rows = [[float(number) for number in line.split()] for line in text.splitlines() if line.strip()]
    width = max(map(len, rows))
    return np.array([row + [np.nan] * (width - len(row)) for row in rows])


def operating_point(
    model: ChassisModel, meters: Sequence[str] = (), ohm: float = 1e7, table: Mapping[str, float] | None = None
) -> tuple[dict, dict]:
    """Volts of every node without a meter, and of each named point with the meter on it."""
    names = [name for name in model.circuit.nodes if not name.endswith(".core")]
    nodes = [spice_node(name) for name in names]
    lines = netlist(model, table=table)
    control = ["op", "wrdata rest.txt " + " ".join(f"v({n})" for n in nodes)]
    files = ["rest.txt"]
    for i, point in enumerate(meters):
        n = spice_node(model.chassis.node_names[point])
        lines.append(f"Rmeter{i} {n} 0 1e18")
        control += [f"alter rmeter{i} {ohm:g}", "op", f"wrdata m{i}.txt v({n})", f"alter rmeter{i} 1e18"]
        files.append(f"m{i}.txt")
    rest, *read = run(lines, control, files)
    return dict(zip(names, rest[0, 1:], strict=True)), {
        p: float(t[0, 1]) for p, t in zip(meters, read, strict=True)
    }


def response(
    model: ChassisModel,
    freqs: tuple[float, float, int],
    table: Mapping[str, float] | None = None,
    *,
    more: Sequence[str] = (),
    drive: str = "DC 0 AC 1",
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Complex volts of every node for one volt of generator EMF; ``freqs`` is first, last, points per decade.

    ``more`` are further lines of the netlist.
    """
    names = [name for name in model.circuit.nodes if not name.endswith(".core")]
    low, high, per_decade = freqs
    control = [f"ac dec {per_decade} {low:g} {high:g}",
               "wrdata ac.txt " + " ".join(f"v({spice_node(n)})" for n in names)]  # fmt: skip
    (found,) = run([*netlist(model, drive, table), *more], control, ["ac.txt"])
    return found[:, 0], {name: found[:, 1 + 2 * i] + 1j * found[:, 2 + 2 * i] for i, name in enumerate(names)}


def last_period(
    model: ChassisModel, point: str, drive_pp_v: float, freq_hz: float, periods: int, points: int = 128
):
    """One settled period at a point, from a transient that starts at rest."""
    n = spice_node(model.chassis.node_names[point])
    step = 1.0 / freq_hz / points
    drive = f"SIN(0 {drive_pp_v / 2.0:.9g} {freq_hz:g})"
    control = [f"tran {step:.9g} {periods / freq_hz:.9g} {(periods - 1) / freq_hz:.9g} {step:.9g}",
               f"linearize v({n})", f"wrdata tran.txt v({n})"]  # fmt: skip
    (table,) = run(netlist(model, drive), control, ["tran.txt"])
    time = (periods - 1) / freq_hz + np.arange(points) * step
    return np.interp(time, table[:, 0], table[:, 1])
