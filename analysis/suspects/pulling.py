"""What a reading with a suspected tube out of its socket would tell: gas goes with the tube, a leak stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquisition.errors import NoOperatingPoint, OutsideModel
from acquisition.records import Measurand

from ..chassis import ChassisModel, WorstCase
from ..inference.data import Data, Weighed, collect
from ..inference.panel import Panel
from ..inference.standings import tail_of, told_apart
from .candidates import candidates, effort, is_allowed
from .next_reading import Proposal, look_ahead, propose

PULLING_EFFORT = 4.0
"""Power off, capacitors discharged and verified, a tube pulled, warm again: against one reading. Common practice,
no source."""

OPEN = (0.05, 0.95)
"""A tube whose faults are less or more likely together is not pulled to learn about it."""

WORTH_PULLING = 0.3
"""Fewer bits than this are not worth it. Common practice, no source."""

MOST = 2
"""So many tubes are tried."""


def with_tube_out(
    panel: Panel,
    data: Data,
    weighed: Weighed,
    live: Sequence[Proposal],
    limit_v: float | None = None,
    now: ChassisModel | None = None,
) -> list[Proposal]:
    """The DC reading with a suspected tube out that tells most, where it tells more for its effort than a live one.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings already taken.
    weighed : Weighed
        Their posterior.
    live : sequence of Proposal
        What may be read as the chassis stands.
    limit_v : float, optional
        As `candidates.is_allowed`.
    now : ChassisModel, optional
        The chassis as it stands; that of the panel when left out.

    Returns
    -------
    list of Proposal
        None or one.
    """
    model, now, best = panel.model, now or panel.model, None
    read = {panel.measurands[column] for column in data.columns.tolist()}
    least = max((one.bits / effort(model, _read(one), 0.0) for one in live), default=0.0) * PULLING_EFFORT
    for socket in _in_doubt(panel, weighed, now):
        pulled = (*now.chassis.pulled, socket)
        try:
            stood = ChassisModel(now.chassis.without(pulled), model.meter, model.probe, beside=model)
        except (NoOperatingPoint, OutsideModel):  # it stands on this tube
            continue
        worst, tail = WorstCase(stood.chassis, stood), tail_of(model.chassis, stood.chassis.pulled)
        able = [m for m in candidates(stood, dc_only=True) if is_allowed(worst, m, limit_v)]
        wanted = [told for m in able if (told := told_apart(m, tail)) not in read]
        there = panel.seen_with(stood, wanted)
        columns = np.flatnonzero(there.usable)
        outlook = look_ahead(there, collect(there, ()), weighed, columns)
        for found in propose(there, outlook, count=1):
            if found.bits > max(least, WORTH_PULLING, best.bits if best else 0.0):
                best = replace(found, pulled=(socket,))
    return [best] if best else []


def _read(one: Proposal) -> Measurand:
    return Measurand(point=one.point, quantity=one.quantity, freq_hz=one.freq_hz)


def _in_doubt(panel: Panel, weighed: Weighed, now: ChassisModel) -> list[str]:
    """Sockets of tubes that are in, and may be at fault or not, most in doubt first."""
    chance: dict[str, float] = {}
    there = now.chassis.sockets.keys() - set(now.chassis.pulled)
    for change, probability in zip(weighed.changes, weighed.probability.tolist(), strict=True):
        for socket in {panel.faults[f].part for f in change.faults} & there:
            chance[socket] = chance.get(socket, 0.0) + probability
    doubtful = [socket for socket, p in chance.items() if OPEN[0] < p < OPEN[1]]
    return sorted(doubtful, key=lambda socket: abs(chance[socket] - 0.5))[:MOST]
