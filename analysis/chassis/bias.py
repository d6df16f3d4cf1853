"""Bias at the grids of power tubes that are out of their sockets: read before they go in.

A power tube whose bias comes from a supply of its own is destroyed where that is missing, so that the bias of each
socket is read with its tube out (rule P7 of common bench practice).
"""

from __future__ import annotations

from collections.abc import Sequence

from acquisition.quantities import format_value
from acquisition.records import Measurand, Reading, judged_dc

from .model import ChassisModel
from .parameters import POWER_FROM_W

FROM_V = 3.0
"""A grid so far below the chassis with its tube out has a bias from a supply (common practice, no source)."""

TOO_LITTLE = 0.7
"""Share of the bias below which a tube runs away, whatever an adjuster is set to (common practice, no source)."""


def bias_asked(model: ChassisModel, readings: Sequence[Reading], mains_v: float | None) -> list[str]:
    """Say which socket must stay empty, or has not been read, of the power tubes that are out.

    Parameters
    ----------
    model : ChassisModel
        With the tubes out.
    readings : sequence of Reading
        Of one pass.
    mains_v : float, optional
        Mains during the pass.

    Returns
    -------
    list of str
        A sentence each; none where no power tube with a bias supply is out, or each of their grids has its bias.
    """
    chassis = model.chassis
    powerful = {
        f"{socket}{section.name}"
        for socket in chassis.pulled
        if socket in chassis.sockets
        for section in chassis.sockets[socket].sections
        if (section.limits.plate_w or 0.0) >= POWER_FROM_W
    }
    grids = {
        p.section: p for p in model.points.values() if p.section in powerful and p.function == "grid" and p.node
    }
    if not grids:
        return []
    values = {} if mains_v is None else {"mains": mains_v / chassis.mains_v}
    bias_v = model.predict(values, [Measurand(point=point.name, quantity="dc_v") for point in grids.values()])[0]
    names = chassis.node_names
    volts = {names.get(r.point, r.point): r.value for r in judged_dc(readings)}
    asked, unread = [], []
    for point, due_v in zip(grids.values(), bias_v, strict=True):
        due = f"about {format_value(float(due_v), 'V', 2)} belong there"
        if due_v > -FROM_V:
            continue
        if point.node not in volts:
            unread.append((point, due))
        elif volts[point.node] > TOO_LITTLE * due_v:
            read = format_value(volts[point.node], "V")
            asked.append(
                f"{point.socket} must stay out: its grid {point.name} reads {read}, and {due}; without its bias a "
                "power tube is destroyed. Find that first"
            )
    if unread and volts:
        where = ", ".join(f"{point.name} ({due})" for point, due in unread)
        who = ", ".join(p.socket for p, _ in unread)
        asked.append(f"before {who} {'goes' if len(unread) == 1 else 'go'} in, read the bias at {where}")
    return asked
