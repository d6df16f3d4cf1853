"""Why a part is suspected, in a technician's words: what moved, which way, what did not, and current balance.

Every sentence carries the numbers it rests on. Nothing is called certain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.quantities import format_value

from ..chassis import Chassis, ChassisModel
from ..chassis.description import GROUND
from ..faults import Fault
from ..inference.data import Data, Refined
from ..inference.error_scales import own_scale
from ..inference.evidence import fit, freedom_of
from ..inference.panel import Panel
from ..inference.variables import difference, from_variable
from .words import place_of, show

MOVED = 2.5
"""Standard deviations of healthy scatter from which a reading counts as moved. Common practice, no source."""

BROUGHT_BACK = 0.5
"""Share of a reading's way from healthy that a hypothesis has to explain to be named for it. Common practice, no
source."""

TOGETHER = 2.3
"""Logarithm of the evidence against the healthy chassis from which readings say something together: ten to one."""

UNEXPLAINED, MOST_ODD = 4.0, 3
"""Standard deviations from a hypothesis from which a reading is named as not explained, and how many are, the
furthest off first. Common practice, no source."""

FEW_POINTS = 3
"""Of more points read than these, one that alone speaks for a part is worth a second touch."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Healthy:
    """What a healthy chassis with these rails would show.

    Parameters
    ----------
    expected : ndarray, shape (M,)
        Compared variables, conditioned on the rails read.
    spread : ndarray, shape (M,)
        Standard deviations, meter included.
    z : ndarray, shape (M,)
        Readings in standard deviations from expected.
    """

    expected: np.ndarray
    spread: np.ndarray
    z: np.ndarray


def rail_nodes(chassis: Chassis) -> set[str]:
    """Names of points on a rail of the file.

    Parameters
    ----------
    chassis : Chassis
        The file.
    """
    nodes = {chassis.node_names.get(name, name) for name in chassis.rails}
    return {name for name, node in chassis.node_names.items() if node in nodes} | set(chassis.rails)


def healthy_view(panel: Panel, data: Data) -> Healthy:
    """What a healthy chassis would show, given the rails that were read.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    """
    slopes = panel.healthy_slopes[data.columns]
    centre = panel.centre[data.columns]
    scale = own_scale(panel, data.columns, data.noise, centre[None])[0]
    rails = rail_nodes(panel.model.chassis)
    read = [panel.plain[column] for column in data.columns]
    supply = np.array([one.quantity == "dc_v" and one.point in rails for one in read], dtype=bool)
    residual = difference(data.quantities, data.measured, centre)
    covariance = np.eye(slopes.shape[1])
    shift = np.zeros(slopes.shape[1])
    if supply.any():
        known = fit(
            residual[None, supply], slopes[None, supply], scale[None, supply], freedom_of(data.quantities[supply])
        )
        shift = known.unknowns[0]
        # The smaller of two equal systems: a chassis has few rails.
        few = slopes[supply]
        gram = few @ few.T + np.diag(1.0 / known.weights[0])
        covariance -= few.T @ np.linalg.solve(gram, few)
    variance = np.einsum("mq,qr,mr->m", slopes, covariance, slopes)
    expected = centre + slopes @ shift
    spread = np.sqrt(variance + scale**2)
    return Healthy(
        expected=expected, spread=spread, z=difference(data.quantities, data.measured, expected) / spread
    )


def moved_readings(data: Data, healthy: Healthy, refined: Refined, most: int = 3) -> list[int]:
    """Readings that left the healthy interval and that this hypothesis brings back, most telling first.

    Parameters
    ----------
    data : Data
        Readings.
    healthy : Healthy
        Healthy view.
    refined : Refined
        The hypothesis at its best.
    most : int
        How many.
    """
    left = difference(data.quantities, data.measured, refined.expected) / healthy.spread
    gain = np.abs(healthy.z) - np.abs(left)
    # Of a reading that stays far off either way, a little nearer is no explanation.
    enough = np.maximum(0.5, BROUGHT_BACK * np.abs(healthy.z))
    order = [int(i) for i in np.argsort(-gain) if abs(healthy.z[i]) > MOVED and gain[i] > enough[i]]
    chosen: list[int] = []
    places: set[tuple[str, str]] = set()
    for i in order:  # one frequency of a response is enough, and DC first where it says as much
        key = (data.readings[i].point, data.readings[i].quantity)
        if key not in places:
            places.add(key)
            chosen.append(i)
    chosen.sort(key=lambda i: (data.readings[i].quantity != "dc_v") * 3.0 - min(gain[i], 30.0) / 10.0)
    return chosen[:most]


def moves(data: Data, healthy: Healthy, chosen: Sequence[int]) -> str:
    """Say which readings moved, from what to what.

    Parameters
    ----------
    data : Data
        Readings.
    healthy : Healthy
        Healthy view.
    chosen : sequence of int
        Which readings.
    """
    parts = []
    for i in chosen:
        reading = data.readings[i]
        expected = float(from_variable(reading.quantity, healthy.expected[i]))
        change = ""
        if reading.quantity != "phase_deg" and abs(expected) > 0.3 * abs(reading.value) > 0:
            change = f" ({(reading.value / expected - 1) * 100:+.0f} %)"
        read, due = show(reading, reading.value), show(reading, expected)
        parts.append(f"{place_of(reading.measurand)} reads {read} for {due}{change}")
    return "; ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Two estimates of one current (F21).

    Parameters
    ----------
    section : str
        Section key.
    plate_a, cathode_a : float
        Sum of plate (and screen) current by drop over resistor; cathode current by volts over resistor, in ampere.
    plate_part, cathode_part : str
        The resistors used.
    """

    section: str
    plate_a: float
    cathode_a: float
    plate_part: str
    cathode_part: str

    @property
    def rho(self) -> float:
        """Plate current over cathode current; 1 when nothing is wrong with the resistors."""
        return self.plate_a / self.cathode_a


def balances(panel: Panel, data: Data) -> list[Balance]:
    """Current balance of every section whose plate and cathode resistors are read on both sides.

    Parameters
    ----------
    panel : Panel
        The model; resistors that were measured with power off count as measured.
    data : Data
        Readings.
    """
    model, chassis = panel.model, panel.model.chassis
    volts = {chassis.node_names.get(r.point, r.point): r.value for r in data.readings if r.quantity == "dc_v"} | {
        GROUND: 0.0
    }
    resistors = [
        (part, [chassis.node_names[point] for point in part.nodes])
        for part in chassis.parts.values()
        if part.kind == "resistor"
    ]

    def currents(node: str, wanted: set[str]) -> list[tuple[float, str]]:
        found = []
        for part, ends in resistors:
            if node in ends:
                other = ends[1] if ends[0] == node else ends[0]
                if other in volts and other in wanted:
                    known = panel.unknown_at.get(part.name)
                    ohm = part.value if known is None else panel.unknowns[known].centre
                    found.append((abs(volts[other] - volts[node]) / ohm, part.name))
        return found

    supply = {node for node, value in volts.items() if abs(value) > 20.0}
    by_node: dict[str, dict[str, str]] = {}
    for point in model.points.values():
        if point.section and point.node:
            by_node.setdefault(point.section, {})[point.function] = point.node
    shared = [pins.get("cathode", "") for pins in by_node.values()]
    result = []
    for section, pins in by_node.items():
        plate, cathode = pins.get("plate", ""), pins.get("cathode", "")
        if plate not in volts or cathode not in volts or shared.count(cathode) > 1:
            continue
        up, down = currents(plate, supply), currents(cathode, {GROUND})
        screen = currents(pins["screen"], supply) if pins.get("screen", "") in volts else []
        if len(up) == 1 and len(down) == 1 and ("screen" not in pins or len(screen) == 1):
            total = up[0][0] + sum(s[0] for s in screen)
            if down[0][0] > 1e-6 and total > 1e-6:
                names = "+".join([up[0][1], *(s[1] for s in screen)])
                result.append(
                    Balance(
                        section=section,
                        plate_a=total,
                        cathode_a=down[0][0],
                        plate_part=names,
                        cathode_part=down[0][1],
                    )
                )
    return result


def balance_words(balance: Balance) -> str:
    """Say what a current balance means (bench practice section 0, finding 2).

    Parameters
    ----------
    balance : Balance
        Of one section.
    """
    numbers = (
        f"{balance.section}: {format_value(balance.plate_a, 'A')} by {balance.plate_part}, "
        f"{format_value(balance.cathode_a, 'A')} by {balance.cathode_part}, ratio {balance.rho:.2f}"
    )
    if 0.84 < balance.rho < 1.19:  # two standard deviations at 10 % resistors: E12 gives 8 %
        return f"{numbers}: the currents balance, so tube, grid or supply rather than these resistors"
    if balance.rho > 1:
        return f"{numbers}: out of balance, as by a high {balance.plate_part} or a path past {balance.cathode_part}"
    return f"{numbers}: out of balance, as by a high {balance.cathode_part} or a low {balance.plate_part}"


def section_of(model: ChassisModel, fault: Fault) -> str:
    """Section key nearest to a part: its own, or the one whose pins it touches; empty when none.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    fault : Fault
        The suspect.
    """
    if fault.section:
        return fault.section
    part, names = model.chassis.parts.get(fault.part), model.chassis.node_names
    ends = {names[point] for point in part.nodes} if part else set()
    for point in model.points.values():
        if point.section and point.node in ends and point.function in ("plate", "cathode", "screen"):
            return point.section
    return ""


def joint_readings(data: Data, healthy: Healthy, refined: Refined, plain: Refined, most: int = 3) -> list[int]:
    """Readings that a healthy chassis can only meet under strain, and that this hypothesis meets easily.

    Parameters
    ----------
    data : Data
        Readings.
    healthy : Healthy
        Healthy view.
    refined, plain : Refined
        The hypothesis, and the healthy chassis, each at its best.
    most : int
        How many.
    """
    without, with_it = np.abs(plain.left(data)), np.abs(refined.left(data))
    order = np.argsort(-(without - with_it) - 0.3 * np.abs(healthy.z))
    places: dict[tuple[str, str], int] = {}
    for i in order:
        places.setdefault((data.readings[i].point, data.readings[i].quantity), int(i))
    return list(places.values())[:most]


def explain(
    panel: Panel, data: Data, healthy: Healthy, fault: Fault, refined: Refined | None, plain: Refined | None = None
) -> str:
    """Why this fault: moved readings, what stayed, current balance.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    healthy : Healthy
        Healthy view.
    fault : Fault
        The suspect.
    refined : Refined or None
        Its most probable cell, if it was followed.
    plain : Refined, optional
        The healthy chassis at its best.
    """
    if refined is None:
        return f"{fault.part} {fault.words}: not ruled out by these readings"
    chosen = moved_readings(data, healthy, refined)
    left = refined.left(data)
    odd = [int(i) for i in np.argsort(-np.abs(left)) if abs(left[i]) > UNEXPLAINED][:MOST_ODD]
    sentences = [f"consistent with {fault.part} that {fault.words}"]
    together: list[int] = []
    if plain is not None and refined.evidence > plain.evidence + TOGETHER:
        together = [i for i in joint_readings(data, healthy, refined, plain) if i not in odd]
    if chosen:
        sentences.append(moves(data, healthy, chosen))
    elif together:
        sentences.append(
            f"each alone is within healthy scatter, together they are not: {moves(data, healthy, together)}"
        )
    elif odd:
        sentences.append("no reading that is off speaks for it; a small fault could hide in the others")
    else:
        sentences.append("no reading is outside healthy scatter; a small fault could hide in it")
    section = section_of(panel.model, fault)
    sentences += [balance_words(b) for b in balances(panel, data) if b.section == section]
    still = [
        data.readings[i].point
        for i in np.argsort(np.abs(healthy.z))
        if data.readings[i].quantity == "dc_v" and abs(healthy.z[i]) < 1.5 and abs(data.readings[i].value) > 0.5
    ]
    if chosen and still:
        sentences.append(f"as expected: {', '.join(still[:3])}")
    if len(chosen) == 1 and len({reading.point for reading in data.readings}) > FEW_POINTS:
        sentences.append(f"stands on {data.readings[chosen[0]].point} alone: read it again first")
    for words, rows in (
        ("does not explain", [i for i in odd if i not in chosen]),
        ("explains only part of", [i for i in odd if i in chosen]),
    ):
        if rows:
            those = [data.readings[i] for i in rows]
            told = ", ".join(f"{place_of(reading.measurand)} {show(reading, reading.value)}" for reading in those)
            sentences.append(f"{words} {told}")
    return "; ".join(sentences)
