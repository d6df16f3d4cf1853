"""What to expect of a healthy chassis: volts with bands, gain and corners of stages, tubes against limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Measurand
from analysis.circuit.dc import OperatingPoint
from analysis.circuit.elements import Array, Inductor, Resistor, Track
from analysis.tubes import Limits

from .bands import Band, band_of, bands_of, healthy_values
from .description import GROUND
from .feedback import positive_feedback
from .model import ChassisModel
from .nodes import heater_node
from .parameters import Values

MIDBAND_HZ = 1000.0
SWEEP_HZ = (1.0, 1e6)
SWEEP_PER_DECADE = 16

PASSES_NOTHING_A = 1e-5
"""Plate current at idle below which a tube does nothing; starved stages pass more. Common practice, no source."""
GRID_DRAWS_A = 1e-5
"""Grid current at idle from which a grid is asked about: that of grid-leak bias is a hundredth. Common practice, no
source."""
NOTHING_REACHED = 1e-6
"""Gain below which a stage passes nothing. Common practice, no source."""
UNHEARD = 1e-3
"""Share of the generator's volts below which a stage hears nothing but crosstalk. Common practice, no source."""
CROSSTALK = 0.1
"""Share of what a point hears of its own channel that it hears of another's at most. Common practice, no source."""
NO_LOAD = 10.0
"""Times the rated impedance of a secondary from which a resistance is no load. Common practice, no source."""
NOTHING_OHM = 1e9
"""What every node has to elsewhere, so that two that nothing joins have a resistance too."""
ADDS = 0.5
"""Share of the signal that comes back in phase from which it is asked about: gains are doubled then. Bootstrapping
and the like return less. Common practice, no source."""

_RATED = {"W": "rated_watts", "A": "rated_amps"}
"""Unit of a rating to its field in the chassis file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageExpectation:
    """A stage at 1 kHz, and where its gain has fallen by 3 dB.

    Parameters
    ----------
    gain, phase_deg : Band
        Probes on both points.
    low_hz, high_hz : float, optional
        Corners of the nominal stage; None where there is none between 1 Hz and 1 MHz.
    """

    gain: Band
    phase_deg: Band
    low_hz: float | None
    high_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeExpectation:
    """A section at idle.

    Parameters
    ----------
    tube : str
        Type.
    plate_a, cathode_a, plate_w : Band
        Currents, and what the plate dissipates.
    screen_a, screen_w : Band, optional
        Of a pentode.
    limits : Limits
        Of the section.
    """

    tube: str
    plate_a: Band
    cathode_a: Band
    plate_w: Band
    limits: Limits
    screen_a: Band | None = None
    screen_w: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectations:
    """All of it.

    Parameters
    ----------
    points : mapping of str to Band
        DC volts as the meter shows them, by point.
    stages : mapping of str to StageExpectation
        By the names of the file.
    tubes : mapping of str to TubeExpectation
        By section key.
    warnings : tuple of str
        Where the design passes a limit.
    """

    points: Mapping[str, Band]
    stages: Mapping[str, StageExpectation]
    tubes: Mapping[str, TubeExpectation]
    warnings: tuple[str, ...]


def expect(
    model: ChassisModel, *, mains_v: float | None = None, level: float = 0.95, count: int = 300, seed: int = 1
) -> Expectations:
    """Compute what a healthy chassis shows.

    Parameters
    ----------
    model : ChassisModel
        The chassis, with the meter that will read it.
    mains_v : float, optional
        Mains to expect; as healthy mains vary when left out.
    level : float
        Probability inside the bands.
    count, seed : int
        Samples drawn, and the seed.
    """
    values = healthy_values(model, count, np.random.default_rng(seed), mains_v=mains_v)
    names = [name for name, point in model.points.items() if point.node and point.node != GROUND]
    wanted = [Measurand(point=name, quantity="dc_v") for name in names]
    for stage in model.stages.values():
        path = f"{stage.source}>{stage.target}"
        wanted += [Measurand(point=path, quantity=q, freq_hz=MIDBAND_HZ) for q in ("gain", "phase_deg")]
    supplied = model.supplied(values)
    shown = model.predict(values, wanted, supplied=supplied)
    found = bands_of(model, shown, wanted, level)
    stages = {}
    for place, stage in enumerate(model.stages.values()):
        gain, phase = found[len(names) + 2 * place : len(names) + 2 * place + 2]
        low, high = corners(model, stage.source, stage.target)
        stages[stage.name] = StageExpectation(gain=gain, phase_deg=phase, low_hz=low, high_hz=high)
    points = dict(zip(names, found, strict=False))
    tubes = _tubes(model, supplied.rest, level)
    return Expectations(
        points=points,
        stages=stages,
        tubes=tubes,
        warnings=(
            *_tube_warnings(model, tubes),
            *_part_warnings(model, points),
            *_rating_warnings(model, values, supplied.rest),
            *_load_warnings(model),
            *_stage_warnings(model, stages),
            *_feedback_warnings(model),
        ),
    )


def corners(model: ChassisModel, source: str, target: str) -> tuple[float | None, float | None]:
    """Frequencies where a stage of the nominal chassis has fallen 3 dB below its gain at 1 kHz.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    source, target : str
        Points.
    """
    decades = np.log10(SWEEP_HZ[1] / SWEEP_HZ[0])
    freq_hz = np.geomspace(*SWEEP_HZ, int(decades * SWEEP_PER_DECADE) + 1)
    middle = int(np.argmin(np.abs(freq_hz - MIDBAND_HZ)))
    gains = np.abs(model.response({}, source, target, freq_hz)[0])
    if not np.all((gains > 0.0) & np.isfinite(gains)):
        return None, None  # no signal at all at one end
    level = np.log(gains)
    level = level - level[middle] + 0.5 * np.log(2.0)
    below = np.flatnonzero(level[:middle] < 0.0)
    above = np.flatnonzero(level[middle:] < 0.0) + middle

    def crossing(i: int, j: int) -> float:
        part = level[i] / (level[i] - level[j])
        return float(freq_hz[i] * (freq_hz[j] / freq_hz[i]) ** part)

    low = crossing(int(below[-1]), int(below[-1]) + 1) if below.size else None
    high = crossing(int(above[0]), int(above[0]) - 1) if above.size else None
    return low, high


def _tubes(model: ChassisModel, rest: OperatingPoint, level: float) -> dict[str, TubeExpectation]:
    amps, watts = Measurand(point="", quantity="dc_v"), Measurand(point="", quantity="dc_v")
    result = {}
    for tube, currents in zip(model.circuit.tubes, rest.currents, strict=True):
        socket, section = model.sections[tube.key]
        kind = model.chassis.sockets[socket]
        volts = [rest.volts[n] if n >= 0 else 0.0 for n in (*tube.electrodes, tube.cathode)]
        power = [(v - volts[-1]) * i for v, i in zip(volts, currents, strict=False)]
        total = sum(currents)
        pentode = len(currents) == 3
        result[tube.key] = TubeExpectation(
            tube=kind.name,
            plate_a=band_of(currents[0], amps, level),
            cathode_a=band_of(np.asarray(total), amps, level),
            plate_w=band_of(power[0], watts, level),
            screen_a=band_of(currents[2], amps, level) if pentode else None,
            screen_w=band_of(power[2], watts, level) if pentode else None,
            limits=kind.section(section).limits,
        )
    return result


def _tube_warnings(model: ChassisModel, tubes: Mapping[str, TubeExpectation]) -> list[str]:
    rest = model.operating_point({})
    warnings = []

    def check(what: str, value: float, limit: float | None, unit: str, limits: Limits) -> None:
        if limit is not None and value > limit:
            system = f" ({limits.rating_system})" if limits.rating_system else ""
            shown = f"{value:.0f}" if value >= 1000.0 else f"{value:.3g}"
            warnings.append(f"{what} {shown} {unit}, limit {limit:g} {unit}{system}")

    for tube, currents in zip(model.circuit.tubes, rest.currents, strict=True):
        seen = tubes[tube.key]
        limits, name = seen.limits, f"{tube.key} {seen.tube}"
        cathode = float(rest.volts[tube.cathode][0]) if tube.cathode >= 0 else 0.0
        plate = (float(rest.volts[tube.plate][0]) if tube.plate >= 0 else 0.0) - cathode
        if float(np.ravel(currents[0])[0]) < PASSES_NOTHING_A and tube.plate != tube.cathode:
            warnings.append(f"{name}: passes next to no current at idle; is its plate fed, are its pins as drawn?")
        grid_a = float(np.ravel(currents[1])[0])
        if grid_a > GRID_DRAWS_A and tube.grid >= 0:
            above = float(rest.volts[tube.grid][0]) - cathode
            side = "above" if above > 0.0 else "below"
            warnings.append(
                f"{name}: its grid stands {format_value(abs(above), 'V')} {side} its cathode at idle and draws "
                f"{format_value(grid_a, 'A')}, which loads what drives it; is it meant so?"
            )
        check(f"{name}: plate to cathode", plate, limits.plate_v, "V", limits)
        check(f"{name}: plate dissipates", seen.plate_w.expected, limits.plate_w, "W", limits)
        check(f"{name}: cathode current", seen.cathode_a.expected * 1e3, _milli(limits.cathode_a), "mA", limits)
        if seen.screen_w is not None:
            check(f"{name}: screen dissipates", seen.screen_w.expected, limits.screen_w, "W", limits)
            screen = (float(rest.volts[tube.electrodes[2]][0]) if tube.electrodes[2] >= 0 else 0.0) - cathode
            check(f"{name}: screen to cathode", screen, limits.screen_v, "V", limits)
        socket = model.sections[tube.key][0]
        heater = heater_node(socket, model.chassis.sockets[socket], model.chassis.node_names)
        above_heater = cathode - float(rest.node_v(heater)[0])
        check(f"{name}: cathode above heater", above_heater, limits.heater_negative_v, "V", limits)
        check(f"{name}: cathode below heater", -above_heater, limits.heater_positive_v, "V", limits)
    return warnings


def _part_warnings(model: ChassisModel, points: Mapping[str, Band]) -> list[str]:
    warnings = []
    names = model.chassis.node_names
    by_node = {names[point]: band for point, band in points.items()}
    nothing = Band(expected=0.0, low=0.0, high=0.0, std=0.0)
    # Across a filament that is the cathode stands the hum balance: at DC its ends are one.
    filaments = {
        f"{socket}.{number}"
        for socket, tube in model.chassis.sockets.items()
        for number, pin in tube.pins.items()
        if pin.is_heater and "cathode" in pin.functions
    }
    for part in model.chassis.parts.values():
        joined = next(((a, b) for a, b in part.spans if names[a] == names[b] and not filaments >= {a, b}), None)
        if joined:
            warnings.append(
                f"{part.name}: does nothing between {joined[0]} and {joined[1]}, which joined makes one"
            )
        rated = part.facts.get("rated_volts")
        if rated is None or part.kind == "transformer":
            continue
        a, b = (by_node.get(names[point], nothing) for point in part.nodes[:2])
        across = max(abs(a.high - b.low), abs(a.low - b.high))
        if across > rated:
            warnings.append(f"{part.name}: up to {across:.0f} V across it, rated {rated:g} V")
    return warnings


def _rating_warnings(model: ChassisModel, values: Values, rest: OperatingPoint) -> list[str]:
    """Resistors and controls that get more watts, and chokes that get more current, than they are rated for."""
    table, warnings = model.table(values), []
    for part in model.chassis.parts.values():
        rated = {unit: part.facts[key] for unit, key in _RATED.items() if key in part.facts}
        sides = [branch for branch in model.circuit.branches if branch.part == part.name] if rated else []
        for unit, limit in rated.items():
            found: Array = np.zeros(1)
            for side in sides:
                ends = (rest.volts[node] if node >= 0 else np.zeros(1) for node in (side.a, side.b))
                across = np.subtract(*ends)
                flows = np.abs(across) * side.dc(table)
                found = found + (flows * np.abs(across) if unit == "W" else flows)
            usual = float(np.nanmedian(found))
            if usual > limit:
                carries = "dissipates" if unit == "W" else "carries"
                warnings.append(
                    f"{part.name}: {carries} {format_value(usual, unit)}, rated {format_value(limit, unit)}"
                )
    return warnings


def _load_warnings(model: ChassisModel) -> list[str]:
    """Output transformers without a load: a feedback resistor at the secondary lets the file pass as complete."""
    signal, names = model.chassis.signal, model.chassis.node_names
    outputs = {names[point] for point in (signal.outputs if signal else ())}
    warnings = []
    for part in model.chassis.parts.values():
        first, last = (names[point] for point in part.nodes[-2:])
        if part.kind != "transformer" or outputs.isdisjoint((first, last)):
            continue
        rated_ohm = part.facts["secondary_impedance"]
        if _between_ohm(model, first, last) >= NO_LOAD * rated_ohm:
            out = next(point for point in part.nodes[-2:] if names[point] in outputs)
            warnings.append(
                f"{part.name}: nothing loads {out}, and gains are those without a load: write it as a part, "
                f"RL: {rated_ohm:g} {' '.join(part.nodes[-2:])}"
            )
    return warnings


def _between_ohm(model: ChassisModel, first: str, last: str) -> float:
    """Ohms of resistors, coils and controls between two nodes: a load may hang behind another part."""
    circuit, table = model.circuit, model.nominal()
    matrix = 1.0 / NOTHING_OHM * np.eye(len(circuit.nodes) + 1)  # the last row is ground
    for branch in circuit.branches:
        if isinstance(branch, (Resistor, Inductor, Track)) and branch.a != branch.b:
            ends = np.ix_((branch.a, branch.b), (branch.a, branch.b))
            matrix[ends] += branch.dc(table)[0] * np.array([[1.0, -1.0], [-1.0, 1.0]])
    between = np.zeros(len(matrix))
    between[circuit.node(first)] += 1.0
    between[circuit.node(last)] -= 1.0
    return float(between @ np.linalg.solve(matrix, between))


def _stage_warnings(model: ChassisModel, stages: Mapping[str, StageExpectation]) -> list[str]:
    """Stages that hear nothing: of another channel whose input is not named, or from one channel to the other, a
    gain would be one of crosstalk."""
    warnings = []
    heard = model.channels.heard
    for stage in model.stages.values():
        source, others = model.input_of([stage.source, stage.target]), model.input_of([stage.target])
        target = model.node(stage.target)
        if heard(source, target) < CROSSTALK * heard(others, target):
            warnings.append(
                f"stage {stage.name}: {stage.source} hears {source}, and {stage.target} hears {others}: are its two"
                " points of one channel?"
            )
        elif heard(source, model.node(stage.source)) < UNHEARD:
            warnings.append(
                f"stage {stage.name}: next to nothing of {source} reaches {stage.source}; a second channel has an "
                "input and an output of its own in signal, or a control stands at its end"
            )
        elif stages[stage.name].gain.expected < NOTHING_REACHED:
            warnings.append(
                f"stage {stage.name}: next to nothing of {stage.source} reaches {stage.target}; is it another"
                " path, or does a control stand at its end?"
            )
    return warnings


def _feedback_warnings(model: ChassisModel) -> list[str]:
    """A loop that adds to the signal: its gains look like any others."""
    returned = positive_feedback(model)
    if returned < ADDS:
        return []
    wound = [part.name for part in model.chassis.parts.values() if part.kind == "transformer"]
    turned = (
        f"is a winding of {' or '.join(wound)} the wrong way round (first points are in phase)"
        if wound
        else "does it go to the right point"
    )
    ends = "and it would oscillate" if returned >= 1.0 else "and raises the gain"
    return [f"feedback as drawn adds to the signal, {returned:.2g} of it comes back in phase {ends}: {turned}?"]


def _milli(value: float | None) -> float | None:
    return None if value is None else value * 1e3
