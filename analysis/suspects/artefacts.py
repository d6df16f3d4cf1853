"""What a person or an instrument does to readings, in competition with the faults: wrong probe factor, wrong pin.

Each is tried on the chassis with nothing wrong and on the one with the leading fault: the readings in question are
put right, or left out where what was really read is not known, and the evidence is taken again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..inference.changes import Change
from ..inference.data import Data, Weighed
from ..inference.panel import Panel
from ..inference.refining import refine
from ..inference.variables import difference, reading_noise, to_variable
from .because import Healthy
from .mishap import SUSPICIOUS, Mishap
from .mishaps import mishaps, misread

FAR = 1.0
"""A reading that the leading fault moves by more (logarithm) is not questioned: at the foot and at the knee of the
curves the model does not know it well enough."""

NAMED = 3
"""So many points are named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """A reading that may not mean what it says.

    Parameters
    ----------
    point : str
        Where it was taken; several are joined by commas.
    name : str
        Of its entry in ``configs/faults.yaml``.
    because : str
        Why.
    separates : str
        What settles it.
    right : Data
        The readings put right, or without those of which nobody knows what was read.
    log_chance : float
        Logarithm of the chance of such a slip, and of what was read where that is left out.
    log_gain : float
        What it gains the chassis with nothing wrong, or with the leading fault (logarithm), its chance included.
    """

    point: str
    name: str
    because: str
    separates: str
    right: Data
    log_chance: float
    log_gain: float


def artefacts(panel: Panel, data: Data, weighed: Weighed, healthy: Healthy) -> list[Artefact]:
    """Artefacts that bring suspicious readings near what is expected, the most promising first.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings.
    weighed : Weighed
        Posterior.
    healthy : Healthy
        What a healthy chassis would show.

    Notes
    -----
    What is expected is asked of the healthy chassis and of the leading fault, which may move that reading too.
    """
    found: dict[tuple[str, tuple[int, ...]], Artefact] = {}
    views = _views(data, weighed, healthy)
    unexplained = _unexplained(data, weighed, views)
    for change, expected in views.items():
        before = weighed.refined[change]
        if not unexplained and not (np.abs(expected.z) > SUSPICIOUS).any():
            continue
        starts = {change: before.unknowns} if change.faults else None
        beside = f" with {' and '.join(panel.faults[f].label for f in change.faults)}" if change.faults else ""
        for trial in (*mishaps(panel, data, expected), *misread(data, before.expected, unexplained)):
            log_chance = math.log(trial.entry.chance * trial.share)
            right = put_right(panel, data, trial)
            if not trial.readings:
                log_chance += trial.worth(data, before)
            again = refine(panel, right, [change], starts=starts).get(change)
            if again is None:
                continue
            point = named([data.readings[row].point for row in trial.rows])
            one = Artefact(
                point=point,
                name=trial.entry.name,
                because=f"{trial.entry.words}: {trial.because}{beside}",
                separates=trial.entry.separate.format(points=point),
                right=right,
                log_chance=log_chance,
                log_gain=log_chance + again.evidence - before.evidence,
            )
            key = (one.name, trial.rows)
            if key not in found or one.log_gain > found[key].log_gain:
                found[key] = one
    return sorted(found.values(), key=lambda artefact: -artefact.log_gain)


def _views(data: Data, weighed: Weighed, healthy: Healthy) -> dict[Change, Healthy]:
    """What the healthy chassis and the leading fault expect."""
    views = {Change(): healthy}
    standing = {
        c: w for c, w in zip(weighed.changes, weighed.log_weight.tolist(), strict=True) if c in weighed.refined
    }
    lead = max(standing, key=lambda change: standing[change], default=Change())
    if lead.faults:
        there = weighed.refined[lead]
        left = there.left(data)
        left[np.abs(difference(data.quantities, there.expected, healthy.expected)) > FAR] = 0.0
        views[lead] = Healthy(expected=there.expected, spread=there.scale, z=left)
    return {c: view for c, view in views.items() if c in weighed.refined}


def _unexplained(data: Data, weighed: Weighed, views: Mapping[Change, Healthy]) -> list[int]:
    """Readings that nothing that leads explains, the worst first: a healthy chassis not at its best either."""
    left = []
    for change, view in views.items():
        left.append(np.abs(view.z if change.faults else weighed.refined[change].left(data)))
    if not left:
        return []
    least = np.min(left, axis=0)
    return [int(row) for row in np.argsort(-least) if least[row] > SUSPICIOUS]


def named(points: Sequence[str]) -> str:
    """The first few of some points, and how many more: ``V1.1, V1.3, V1.6 and 2 more``.

    Parameters
    ----------
    points : sequence of str
        At least one.
    """
    more = f" and {len(points) - NAMED} more" if len(points) > NAMED else ""
    return ", ".join(points[:NAMED]) + more


def put_right(panel: Panel, data: Data, trial: Mishap) -> Data:
    """The readings as they should be; those of which nobody knows what was read are left out.

    Parameters
    ----------
    panel : Panel
        The model.
    data : Data
        Readings as they stand.
    trial : Mishap
        What may have gone wrong with them.
    """
    if not trial.readings:
        return _without(data, list(trial.rows))
    readings, measured = list(data.readings), data.measured.copy()
    for row, reading in zip(trial.rows, trial.readings, strict=True):
        readings[row] = reading
        measured[row] = float(to_variable(reading.quantity, np.array(reading.value)))
    # Of all: how well a phase is known goes by the gain beside it, whichever of the two was put right.
    noise = reading_noise(readings, panel.usual_gains)
    return replace(data, readings=tuple(readings), measured=measured, noise=noise)


def _without(data: Data, rows: list[int]) -> Data:
    keep = np.setdiff1d(np.arange(len(data.readings)), rows)
    return Data(
        readings=tuple(data.readings[i] for i in keep),
        columns=data.columns[keep],
        quantities=data.quantities[keep],
        measured=data.measured[keep],
        noise=data.noise[keep],
    )
