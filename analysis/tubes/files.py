"""Read tube types from ``configs/tubes``: one YAML file a type, found by number, alias or path."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path

from acquisition.configs import config_roots, read_yaml
from acquisition.errors import ConfigError, Problem

from .article import with_article
from .equations import (
    PentodeParameters,
    RectifierParameters,
    TriodeParameters,
)
from .grid_current import grid_current_of
from .numbering import is_regulator
from .schema import (
    CapacitancesFile,
    LimitsFile,
    PointFile,
    RectifierFile,
    TriodeFile,
    TubeFile,
    UnitFile,
    UnlikeFile,
    check_tube_file,
    read_tube_file,
)
from .types import (
    ELECTRODES,
    HEATER_PARTS,
    Capacitances,
    HeaterConnection,
    Limits,
    Parameters,
    Pin,
    Point,
    Section,
    Tube,
)

_ALIASES = re.compile(r"^aliases: *\[([^\]\n]*)\]", re.M)
_HEPTODE = {"g1": "oscillator grid", "g3": "signal grid"}
_PENTODE = {"plate": "P", "grid": "g1", "cathode": "K", "screen": "g2"}
_MODELLED = {"KV": {"plate": "P", "grid": "G", "cathode": "K"}, "RR": _PENTODE, "RX": _PENTODE}
"""Electrodes that a law needs, with the codes of their pins."""
_OF_KIND: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "triode": {"law": ("KV",), "kind": ("triode",), "connection": ("triode",)},
    "pentode": {
        "law": ("RR", "RX"),
        "kind": ("small pentode", "power pentode", "beam tube"),
        "connection": ("pentode", "triode-connected"),
    },
    "heptode": {"law": (), "kind": (), "connection": ("converter",)},
    "rectifier": {"law": ("three-halves",), "kind": ("rectifier",), "connection": ("rectifier",)},
}
"""Laws, fits and points that a kind of section takes; with others the verbs have nothing to compare."""
_UNITS = {"a": 1, "b": 2}
_NO_ELECTRODE = HEATER_PARTS | {"shield", "shell", "not connected", "internal connection"}


def load_tube(name: str) -> Tube:
    """Load a tube type.

    Parameters
    ----------
    name : str
        Type number or alias in any case, with or without hyphens; two of them joined by ``/`` where both are
        the same tube; or the path of a file.

    Returns
    -------
    Tube
        Checked; the same object while the file does not change.

    Raises
    ------
    ConfigError
        Unknown type, with the nearest names as hint; a near relative, with what differs; or a mistake in the file.

    Examples
    --------
    >>> load_tube("ecc83").name, load_tube("6L6-GC").name, load_tube("12AX7/ECC83").name
    ('12AX7', '6L6GC', '12AX7')
    """
    path = _find(name)
    return _load(path, path.stat().st_mtime_ns)


def tube_names() -> list[str]:
    """Names of every type there is a file for, sorted."""
    return sorted({path.stem for path in _paths()})


def _normal(name: str) -> str:
    return name.upper().replace("-", "").replace(" ", "")


def _paths() -> Iterator[Path]:
    for root in config_roots():
        yield from sorted((root / "tubes").glob("*.yaml"))


def _find(name: str) -> Path:
    given = Path(name)
    if given.suffix in {".yaml", ".yml"}:
        if os.path.isfile(given):
            return given
        raise ConfigError.from_problems([Problem(name, 0, "", "no such file")], hint="check the path")
    wanted = _normal(name)
    known = _known_names()
    if wanted in known:
        return known[wanted]
    if "/" in wanted:
        found = {known.get(part) for part in wanted.split("/")}
        if len(found) == 1 and (only := found.pop()):
            return only
    return _search_files(name, known)


def _known_names() -> dict[str, Path]:
    return _index(tuple((path, path.stat().st_mtime_ns) for path in _paths()))


@lru_cache(maxsize=4)
def _index(files: tuple[tuple[Path, int], ...]) -> dict[str, Path]:
    # Parsing every file for one lookup would cost more than the rest of the start; the aliases line is enough.
    # Earlier roots win, and a type's own file wins over an alias of another.
    names: dict[str, Path] = {}
    aliases: dict[str, Path] = {}
    for path, _ in files:
        names.setdefault(_normal(path.stem), path)
        match = _ALIASES.search(path.read_text(encoding="utf-8", errors="replace"))
        for alias in match.group(1).split(",") if match else ():
            aliases.setdefault(_normal(alias.strip(" '\"")), path)
    return aliases | names


def _search_files(name: str, known: Mapping[str, Path]) -> Path:
    # The slow way, before giving up: aliases written in another layout, and relatives, which only explain.
    wanted = _normal(name)
    for path in _paths():
        file = read_tube_file(path)
        if wanted in map(_normal, file.aliases):
            return path
        for relative, difference in file.relatives.items():
            if _normal(relative) == wanted:
                problem = Problem(name, 0, "", f"no data for this type; near {file.tube}, but {difference}")
                hint = f"write {file.tube} if that will do, or add a file"
                raise ConfigError.from_problems([problem], hint=hint)
    # Four figures say nothing of a tube: 5751 is no relative of 7591.
    near = [] if wanted.isdigit() else difflib.get_close_matches(wanted, known, n=3, cutoff=0.6)
    hint = (
        f"did you mean {' or '.join(near)}?"
        if near
        else "stagewalk tube lists the types, README says how to add one"
    )
    if is_regulator(name):
        hint = "this one holds a voltage: leave it out, and make the point it holds a rail of its volts"
    raise ConfigError.from_problems([Problem(name, 0, "", "unknown tube type")], hint=hint)


@lru_cache(maxsize=128)
def _load(path: Path, _mtime_ns: int) -> Tube:
    document = read_yaml(path)
    file = check_tube_file(document)
    if _normal(file.tube) != _normal(path.stem):
        raise ConfigError.from_problems(
            [document.problem(("tube",), f"the file is called {path.stem}, expected the same name")]
        )
    tube = _tube(file, str(path))
    if missing := _missing_electrodes(file, tube):
        raise ConfigError.from_problems([document.problem(("pins",), text) for text in missing])
    if not isinstance(file, UnlikeFile) and len({s.kind for s in tube.sections if s.kind != "diode"}) > 1:
        kinds = " and ".join(section.kind for section in tube.sections if section.kind != "diode")
        text = f"{kinds} are unlike: expected units 1 and 2, each with limits, model, fit and points of its own"
        raise ConfigError.from_problems([document.problem(("pins",), text)])
    if alien := _alien_entries(file, tube):
        raise ConfigError.from_problems([document.problem(place, text) for place, text in alien])
    return tube


def _missing_electrodes(file: TubeFile | UnlikeFile, tube: Tube) -> list[str]:
    """What the model would look for among the pins in vain."""
    return [
        f"section {section.label} has no {electrode}: expected a pin {code}"
        + (f"_{'ab'.index(section.name) + 1}, with the number of its unit" if section.name else "")
        for section in tube.sections
        if section.kind != "diode"
        if (model := file.unit(_UNITS.get(section.name, 1)).model)
        for electrode, code in _MODELLED.get(model.law, {}).items()
        if electrode not in section.electrodes
    ]


def _alien_entries(file: TubeFile | UnlikeFile, tube: Tube) -> list[tuple[tuple[str | int, ...], str]]:
    """Laws, fits and points of another kind of section than the pins make, with their places in the file."""
    found: dict[tuple[str | int, ...], str] = {}
    for section in tube.sections:
        if section.kind == "diode":
            continue
        number = _UNITS.get(section.name, 1)
        unit, start = file.unit(number), ("units", str(number)) if isinstance(file, UnlikeFile) else ()
        given: list[tuple[tuple[str | int, ...], str, str]] = [
            (("points", i, "connection"), "connection", point.connection) for i, point in enumerate(unit.points)
        ]
        if unit.fit:
            given.insert(0, (("fit", "kind"), "kind", unit.fit.kind))
        if unit.model:
            given.insert(0, (("model",), "law", unit.model.law))
        for place, name, value in given:
            expected = _OF_KIND[section.kind][name]
            if value not in expected:
                wanted = f"expected {name} {' or '.join(expected)}" if expected else f"expected no {name}"
                found[*start, *place] = f"{wanted}, not {value}: by its pins this is {with_article(section.kind)}"
    return list(found.items())


def _tube(file: TubeFile | UnlikeFile, path: str) -> Tube:
    codes = {number: code.split("_") for number, code in sorted(file.pins.items())}
    diodes = sorted({f"d{parts[-1]}" for parts in codes.values() if parts[0] == "D"})
    is_twin = any(parts[0] != "D" and parts[-1] == "2" for parts in codes.values())
    is_rectifier = "rectifier" in file.construction
    danger = {"plate", "screen"}
    if is_rectifier:
        danger.add("cathode")
        if any(parts[0] == "F" or parts == ["H", "K"] for parts in codes.values()):
            danger |= HEATER_PARTS  # the heater hangs on the cathode, which is the output
    renamed = _HEPTODE if any("g4" in parts for parts in codes.values()) else {}
    pins = {number: _pin(number, parts, renamed, danger, is_twin) for number, parts in codes.items()}
    return Tube(
        name=file.tube,
        aliases=tuple(file.aliases),
        relatives=file.relatives,
        construction=file.construction,
        base=file.base,
        basing=file.basing,
        pins=pins,
        sections=tuple(
            _section(name, pins, file.unit(_UNITS.get(name, 1)), is_rectifier)
            for name in (*(("a", "b") if is_twin else ("",)), *diodes)
        ),
        heater=_heater(file),
        confirmed=file.confirmed,
        source=file.source,
        notes=file.notes,
        path=path,
    )


def _pin(number: int, parts: list[str], renamed: Mapping[str, str], danger: set[str], is_twin: bool) -> Pin:
    functions = tuple(renamed.get(part, ELECTRODES[part]) for part in parts if not part.isdigit())
    functions = tuple(dict.fromkeys(functions))
    section: str | None
    unit = parts[-1]
    if unit.isdigit():
        section = f"d{unit}" if parts[0] == "D" else "ab"[int(unit) - 1]
    else:
        section = None if is_twin or not set(functions) - _NO_ELECTRODE else ""
    return Pin(
        number=number,
        code="_".join(parts),
        functions=functions,
        section=section,
        is_heater=bool(HEATER_PARTS & set(functions)),
        is_high_voltage=bool(danger & set(functions)),
    )


def _section(name: str, pins: Mapping[int, Pin], unit: UnitFile, is_rectifier: bool) -> Section:
    electrodes: dict[str, tuple[int, ...]] = {}
    for number, pin in pins.items():
        shared = "cathode" in pin.functions and (pin.section is None or name.startswith("d"))
        if pin.section == name or shared:
            for function in pin.functions:
                if function not in _NO_ELECTRODE:
                    electrodes[function] = (*electrodes.get(function, ()), number)
    if is_rectifier:
        kind = "rectifier"
    elif name.startswith("d"):
        kind = "diode"
    elif "signal grid" in electrodes:
        kind = "heptode"
    else:
        kind = "pentode" if "screen" in electrodes else "triode"
    has_law = kind != "diode"
    fitted = set(unit.fit.points) if unit.fit else set()
    points = (_point(point, number in fitted) for number, point in enumerate(unit.points, start=1))
    return Section(
        name=name,
        kind=kind,
        electrodes=electrodes,
        model=_parameters(unit) if has_law else None,
        capacitances=_capacitances(unit.capacitances_pf) if kind not in ("diode", "rectifier") else None,
        limits=_limits(unit.limits),
        points=tuple(points) if has_law else (),
        model_source=unit.model.source if unit.model and has_law else "",
    )


def _parameters(unit: UnitFile) -> Parameters | None:
    model = unit.model
    if model is None:
        return None
    if isinstance(model, RectifierFile):
        return RectifierParameters(perveance=model.perveance)
    if isinstance(model, TriodeFile):
        constants = model.model_dump(exclude={"law", "source"})
        return TriodeParameters(**constants, grid=grid_current_of(2.0 / model.kg1))
    constants = model.model_dump(exclude={"source"})
    return PentodeParameters(**constants, grid=grid_current_of(1.0 / model.kg1 + 1.0 / model.kg2))


def _capacitances(values: CapacitancesFile | None) -> Capacitances | None:
    if values is None:
        return None
    return Capacitances(
        grid_plate_farad=values.grid_plate * 1e-12,
        input_farad=values.input * 1e-12,
        output_farad=values.output * 1e-12,
    )


def _heater(file: TubeFile | UnlikeFile) -> tuple[HeaterConnection, ...]:
    rated = file.heater
    ends = [number for number, code in sorted(file.pins.items()) if code.split("_")[0] in ("H", "F")]
    tap = [number for number, code in file.pins.items() if code == "HT"]
    first, last = ends
    if rated.halves is None:
        return (HeaterConnection(name="only", volts=rated.volts, amps=rated.amps, between=((first,), (last,))),)
    return (
        HeaterConnection(
            name="series", volts=rated.volts, amps=rated.amps, between=((first,), (last,)), open_pins=tuple(tap)
        ),
        HeaterConnection(
            name="parallel", volts=rated.halves.volts, amps=rated.halves.amps, between=((first, last), tuple(tap))
        ),
    )


def _milli(value: float | None) -> float | None:
    return None if value is None else value * 1e-3


def _limits(file: LimitsFile) -> Limits:
    values = file.model_dump(exclude={"cathode_ma", "output_ma", "peak_ma", "grid_fixed", "grid_self"})
    return Limits(
        **values,
        cathode_a=_milli(file.cathode_ma),
        output_a=_milli(file.output_ma),
        peak_a=_milli(file.peak_ma),
        grid_fixed_ohm=file.grid_fixed,
        grid_self_ohm=file.grid_self,
    )


def _point(file: PointFile, fitted: bool) -> Point:
    values = file.model_dump(exclude={"cathode", "plate_ma", "screen_ma", "gm_ma_v", "rp", "rp_above"})
    return Point(
        **values,
        cathode_ohm=file.cathode,
        plate_a=_milli(file.plate_ma),
        screen_a=_milli(file.screen_ma),
        gm_s=_milli(file.gm_ma_v),
        rp_ohm=file.rp,
        rp_above_ohm=file.rp_above,
        fitted=fitted,
    )
