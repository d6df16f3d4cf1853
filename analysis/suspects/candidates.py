"""Readings that could be taken next: where a probe may go, and what it costs to put it there."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from acquisition.records import Measurand, Reading, usable_v

from ..chassis import ChassisModel, WorstCase
from ..chassis.cold import chart_points
from ..inference.data import Data
from ..inference.panel import Panel
from ..inference.standings import told_apart
from ..inference.variables import canonical

EFFORT = {
    "dc_v": 1.0,
    "ripple_pp_v": 1.5,
    "pp_v": 2.5,
    "gain": 3.0,
    "phase_deg": 3.5,
    "thd_pct": 4.0,
    "cold_ohm": 1.0,
    "rms_v": 2.5,
}
"""Relative effort: DC needs a probe, ripple the scope, gain the generator and a load too. Common practice, no
source."""

GRID_EFFORT, HIGH_VOLTS_EFFORT = 1.5, 1.3
HIGH_VOLTS = 300.0
"""Above this the reading is a clip-on sequence with power off and on (rule S2)."""


def is_cold(measurands: Iterable[Measurand | Reading]) -> bool:
    """Whether only ohms with the power off were read: until the power goes on nothing else is proposed.

    Parameters
    ----------
    measurands : iterable of Measurand or Reading
        What was read.
    """
    return {one.quantity for one in measurands} == {"cold_ohm"}


def cold_candidates(model: ChassisModel) -> list[Measurand]:
    """Ohms that could be read with the power off: of each node to the chassis, and to the rail that feeds it.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    """
    return [
        Measurand(point=point, quantity="cold_ohm") for node in chart_points(model, once=True) for point in node
    ]


def candidates(model: ChassisModel, dc_only: bool = False) -> list[Measurand]:
    """Readings that could be proposed: DC wherever a meter may go, ripple at rails and output, gain of every stage.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    dc_only : bool
        Leave out what needs scope and generator.
    """
    result: list[Measurand] = []
    seen: set[str] = set()
    points = model.points.values()
    for point in points:
        if point.node and point.node not in seen and not point.heater and not point.delicate:
            if any(p.delicate for p in points if p.node == point.node):
                continue  # the same node by another name is as delicate
            seen.add(point.node)
            result.append(Measurand(point=point.name, quantity="dc_v"))
    if dc_only:
        return result
    if model.chassis.signal:
        stages = {f"{s.source}>{s.target}": (s.source, s.target) for s in model.stages.values()}
        apart = model.apart(stages) if model.chassis.pulled else ()
        for stage, ends in stages.items():
            if stage not in apart and not any(model.points[p].delicate for p in ends if p in model.points):
                result.append(Measurand(point=stage, quantity="gain", freq_hz=1000.0))
    rails = {name for name in (*model.chassis.rails, *model.chassis.printed) if name in model.points}
    outputs = set(model.chassis.signal.outputs) if model.chassis.signal else set()
    result += [Measurand(point=name, quantity="ripple_pp_v") for name in sorted(rails | outputs)]
    return result


def is_allowed(
    worst: WorstCase, measurand: Measurand, limit_v: float | None, probe_limit_v: float | None = None
) -> bool:
    """Whether lead and meter, or probe and scope, are rated for every point of a reading.

    Parameters
    ----------
    worst : WorstCase
        Of the chassis.
    measurand : Measurand
        The reading.
    limit_v, probe_limit_v : float, optional
        Lowest rating of meter and lead (DC), of scope and probe (all else); None where no instrument is known here,
        and then the survey checks it.
    """
    if measurand.quantity == "cold_ohm":  # the power is off
        return True
    limit_v = limit_v if measurand.quantity == "dc_v" else probe_limit_v
    if limit_v is None:
        return True
    points = [worst.points[p] for p in measurand.points if p in worst.points]
    return all(worst.at(point) <= usable_v(limit_v) for point in points)


def beyond_ratings(
    model: ChassisModel, limit_v: float | None, probe_limit_v: float | None, dc_only: bool
) -> list[str]:
    """What is never proposed because of a rating, in words for a note; empty where everything may be read.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    limit_v, probe_limit_v : float, optional
        See `is_allowed`.
    dc_only : bool
        As `candidates`.
    """
    worst = WorstCase(model.chassis, model)
    shut = [m for m in candidates(model, dc_only) if not is_allowed(worst, m, limit_v, probe_limit_v)]
    told = []
    for limit, name, direct in ((limit_v, "meter and lead", True), (probe_limit_v, "scope and probe", False)):
        of_kind = dict.fromkeys(p for m in shut if (m.quantity == "dc_v") == direct for p in m.points)
        points = [p for p in of_kind if p in worst.points and worst.at(worst.points[p]) > usable_v(limit or 0.0)]
        if points:
            some = ", ".join(points[:6]) + (f" and {len(points) - 6} more" if len(points) > 6 else "")
            told.append(f"not proposed, may exceed what {name} are rated for ({limit:g} V): {some}")
    return told


def effort(model: ChassisModel, measurand: Measurand, volts: float) -> float:
    """Relative effort and danger of a reading.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurand : Measurand
        The reading.
    volts : float
        Expected DC there.
    """
    cost = EFFORT[measurand.quantity]
    if any(model.points[p].function == "grid" for p in measurand.points if p in model.points):
        cost *= GRID_EFFORT
    return cost * (HIGH_VOLTS_EFFORT if abs(volts) > HIGH_VOLTS else 1.0)


def open_columns(
    panel: Panel,
    data: Data,
    limit_v: float | None = None,
    probe_limit_v: float | None = None,
    dc_only: bool = False,
    now: ChassisModel | None = None,
) -> np.ndarray:
    """Columns of the panel that may be read as the chassis stands, and were not yet.

    Parameters
    ----------
    panel : Panel
        The model; candidates without a column are left out.
    data : Data
        Readings already taken.
    limit_v, probe_limit_v : float, optional
        See `is_allowed`.
    dc_only : bool
        Only DC readings.
    now : ChassisModel, optional
        The chassis as it stands; that of the panel when left out.
    """
    now = now or panel.model
    standing = next(one for one in panel.standings if one.model is now)
    read, points = set(data.columns.tolist()), now.points
    taken = [m for column, m in standing.plain.items() if column in read]
    seen_v = max((abs(r.value) for r in data.readings if r.quantity == "dc_v"), default=0.0)
    worst = WorstCase(now.chassis, now, seen_v=seen_v)
    nodes_read = {points[m.point].node for m in taken if m.quantity == "dc_v" and m.point in points}
    return np.array(
        [
            column
            for m in (cold_candidates(now) if is_cold(data.readings) else candidates(now, dc_only))
            if (column := panel.columns.get(told_apart(canonical(m), standing.tail), -1)) >= 0
            and column not in read
            and not (m.quantity == "dc_v" and points[m.point].node in nodes_read)  # the same node by another name
            and panel.usable[column]
            and is_allowed(worst, m, limit_v, probe_limit_v)
        ],
        dtype=int,
    )
