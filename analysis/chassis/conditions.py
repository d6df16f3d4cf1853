"""Did the chassis stand as its file has it while it was read: at its mains, its tubes in their sockets and warm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Measurand, Reading, judged_dc

from .description import Chassis
from .feeding import below_what_they_feed
from .model import ChassisModel

FAR_FROM_DRAWN = 1.25
"""Mains beyond this ratio to what a chassis is made for are asked after: 23 is soon typed for 231. Half of it may
be meant, at a variable transformer (common practice, no source)."""

MAINS_STD = 0.02
"""Relative standard uncertainty of mains that were written down, for all that is asked of a pass: they were read
once, within 1 % by a usual meter, and move by another one or two while the pass is taken (common practice, no
source)."""

RAILS_APART, NO_RAIL, LIVE_V = 1.3, 0.1, 10.0
"""Rails that are off by the same ratio, within the first, were moved by one cause; one below the second of its
volts is missing, and those of less than the last do not count (common practice, no source)."""

NEARLY_NONE, TOO_LITTLE, TOLD_V = 0.05, 0.75, 0.1
"""Cathode volts over what a healthy one has: below the first no current flows; below the second, at every tube,
more than one tube is behind it. Cathodes of less than so many volts do not tell (common practice, no source)."""

CONDUCTS_V = 0.3
"""Cathode volts beyond those without a tube that only its current puts there (common practice, no source)."""

SMOOTHED = 0.2
"""Share of the drawn ripple below which a rail at its volts has parts that the drawing lacks (common practice, no
source)."""


def mains_asked(chassis: Chassis, readings: Sequence[Reading], mains_v: float | None) -> list[str]:
    """Ask about mains far from those of the drawing, and about rails that no such mains would give.

    Parameters
    ----------
    chassis : Chassis
        The file.
    readings : sequence of Reading
        Of one pass; none where there is only the mains to ask about.
    mains_v : float, optional
        Mains during the pass.
    """
    asked = []
    share = 1.0 if mains_v is None else mains_v / chassis.mains_v
    if not 1.0 / FAR_FROM_DRAWN <= share <= FAR_FROM_DRAWN:
        heaters = "colder than the model has them" if share < 1.0 else "hotter than the model has them"
        asked.append(
            f"mains {mains_v:g} V where the drawing has {chassis.mains_v:g} V: heaters are {heaters}, so nothing "
            "told of tubes and of what hangs on them counts until the mains are as drawn"
        )
    ratios = _rail_ratios(chassis, readings, share)
    if not ratios:
        return asked
    least, most = min(ratios.values()), max(ratios.values())
    if least < NO_RAIL or most > RAILS_APART * least:
        return asked  # one of them is missing, or each has its own cause
    alone = len(ratios) == 1 and mains_v is not None
    reads = "reads" if len(ratios) == 1 else "read"
    told = f"{' and '.join(ratios)} {reads} {100.0 * (least * most) ** 0.5:.0f} % of what"
    given = "is drawn" if mains_v is None else f"{mains_v:g} V mains give"
    if most < 1.0 / FAR_FROM_DRAWN and not alone:  # alone, at mains that are known, it has a fault of its own
        asked.append(
            f"{told} {given}: was a variable transformer or a series lamp in the mains? Then heaters are cold as "
            "well; read heater volts (AC), and the mains at the chassis"
        )
    elif mains_v is not None and mains_contradicted(chassis, readings, mains_v):
        asked.append(f"{told} {given}: are the mains of the pass right?")
    return asked


def mains_contradicted(chassis: Chassis, readings: Sequence[Reading], mains_v: float) -> bool:
    """Whether every rail reads far more than such mains give, which no fault does: they are mistyped.

    Parameters
    ----------
    chassis : Chassis
        The file.
    readings : sequence of Reading
        Of one pass.
    mains_v : float
        As written down.
    """
    ratios = _rail_ratios(chassis, readings, mains_v / chassis.mains_v)
    return bool(ratios) and min(ratios.values()) > FAR_FROM_DRAWN


def mains_known(chassis: Chassis, readings: Sequence[Reading], mains_v: float | None) -> tuple[float, float] | None:
    """Mains of a pass over those of the drawing, and the standard uncertainty: None where nothing is known of them.

    Parameters
    ----------
    chassis : Chassis
        The file.
    readings : sequence of Reading
        Of the pass; mains that its rails contradict are not known.
    mains_v : float, optional
        As written down.
    """
    if mains_v is None or mains_contradicted(chassis, readings, mains_v):
        return None
    share = mains_v / chassis.mains_v
    return share, MAINS_STD * share


def _rail_ratios(chassis: Chassis, readings: Sequence[Reading], share: float) -> dict[str, float]:
    """Volts of rails over what they have at this share of the mains; none where what they feed contradicts them."""
    if below_what_they_feed(chassis, readings):
        return {}
    return {
        r.point: r.value / (chassis.rails[r.point].volts * share)
        for r in judged_dc(readings)
        if r.point in chassis.rails and abs(chassis.rails[r.point].volts) > LIVE_V
    }


def printed_asked(model: ChassisModel, readings: Sequence[Reading]) -> list[str]:
    """Ask about points that were read and whose printed volts are not those of the parts in the file.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    """
    printed = model.chassis.printed
    read = {r.point: r.value for r in judged_dc(readings)}
    volts = {point: value for point, value in read.items() if point in printed and point in model.points}
    shown = model.predict({}, [Measurand(point=point, quantity="dc_v") for point in volts]).ravel() if volts else ()
    differ = []
    for (point, value), modelled in zip(volts.items(), shown, strict=True):
        low, high = printed[point].limits_v
        if not low <= modelled <= high:
            reads = ", and reads as printed" if low <= value <= high else ""
            differ.append(f"{point} ({printed[point].volts:g} V printed, {modelled:.3g} V modelled{reads})")
    if not differ:
        return []
    return [
        f"the volts printed on the drawing are not those of the parts in the file: {', '.join(differ)}; see which "
        "is right before a part is blamed, since every verdict stands on the file"
    ]


def ripple_asked(model: ChassisModel, readings: Sequence[Reading]) -> list[str]:
    """Ask about rails that have their volts and far less ripple than any part of the file leaves them.

    Not about rectified ones, whose ripple goes with their load: a fault may take that away.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    """
    rails = model.chassis.rails
    read = {(r.point, r.quantity): r.value for r in readings if r.point in rails and r.quality in JUDGED_QUALITIES}
    quiet = []
    for (point, quantity), value in read.items():
        volts = read.get((point, "dc_v"), 0.0) / (rails[point].volts or 1.0)
        if (
            quantity != "ripple_pp_v"
            or rails[point].rectified
            or not 1.0 / FAR_FROM_DRAWN <= volts <= FAR_FROM_DRAWN
        ):
            continue
        drawn = float(model.predict({}, [Measurand(point=point, quantity=quantity)])[0, 0])
        if value < SMOOTHED * drawn:
            quiet.append(
                f"ripple at {point} is {format_value(value, 'V')} where the file has {format_value(drawn, 'V')}, "
                "at the volts drawn: has the supply a choke or a capacitor that is not in the file?"
            )
    return quiet


def tubes_asked(model: ChassisModel, readings: Sequence[Reading], mains_v: float | None) -> list[str]:
    """Ask about several tubes that pass no current, or all of them too little, under plates that have their volts.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    readings : sequence of Reading
        Of one pass.
    mains_v : float, optional
        Mains during the pass.
    """
    names = model.chassis.node_names
    volts = {names[r.point]: r.value for r in judged_dc(readings) if r.point in names}
    if there := _there_after_all(model, volts):
        return there
    nodes = model.circuit.nodes
    ends = {
        tube.key: (nodes[tube.cathode], nodes[tube.plate])
        for tube in model.circuit.tubes
        if tube.cathode >= 0
        and tube.plate >= 0
        and {nodes[tube.cathode], nodes[tube.plate]} <= set(volts)
        and all(volts.get(nodes[screen], LIVE_V) >= LIVE_V for screen in tube.electrodes[2:] if screen >= 0)
    }
    points = list(dict.fromkeys(node for pair in ends.values() for node in pair))
    if len(ends) < 2:
        return []
    values = {} if mains_v is None else {"mains": mains_v / model.chassis.mains_v}
    healthy = dict(
        zip(points, model.predict(values, [Measurand(point=p, quantity="dc_v") for p in points])[0], strict=True)
    )
    shares = {
        key: volts[cathode] / healthy[cathode]
        for key, (cathode, plate) in ends.items()
        if healthy[cathode] > TOLD_V and volts[plate] > healthy[plate]
    }
    telling = [key for key, (cathode, _) in ends.items() if healthy[cathode] > TOLD_V]
    idle = [key for key, share in shares.items() if share < NEARLY_NONE]
    if len(idle) > 1:
        who = "no tube" if len(idle) == len(model.circuit.tubes) else f"none of {', '.join(idle)}"
        return [
            f"{who} passes current, cathodes at 0 V and plates up: tube out of its socket (stagewalk note --pulled "
            "or Notes of the page says so), not warm, heaters without supply, or held off by its grid? Parts "
            "around it are blamed for it otherwise"
        ]
    weak = [key for key, share in shares.items() if share < TOO_LITTLE]
    if len({ends[key][0] for key in weak}) > 1 and len(weak) == len(telling):
        return [
            f"every tube passes too little ({', '.join(weak)}): not warm yet, or heater volts low? Read heater "
            "volts (AC), wait, and read again before a tube or part is blamed"
        ]
    return []


def _there_after_all(model: ChassisModel, volts: Mapping[str, float]) -> list[str]:
    """Ask about tubes that are noted as out of their sockets, and whose cathodes say that they conduct.

    A cathode that has volts without its tube, from one beside it or from a divider, does not tell.
    """
    cathodes = [
        point
        for point in model.points.values()
        if point.socket in model.chassis.pulled and "cathode" in point.function and point.node in volts
    ]
    shown = model.predict({}, [Measurand(point=point.name, quantity="dc_v") for point in cathodes])[0]
    there = {
        point.socket: point
        for point, without in zip(cathodes, shown, strict=True)
        if abs(without) < CONDUCTS_V and volts[point.node] > without + CONDUCTS_V
    }
    return [
        f"{socket} is noted as out of its socket, and its cathode {point.name} stands at "
        f"{format_value(volts[point.node], 'V')}: is it in? stagewalk note --pulled or Notes of the "
        "page puts it right"
        for socket, point in there.items()
    ]
