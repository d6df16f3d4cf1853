"""Where the readings have a control stand, if that is not where the chassis file has it."""

from __future__ import annotations

from analysis.circuit.elements import wiper_place

from ..inference.data import Weighed
from ..inference.panel import Panel

ELSEWHERE = 1.2
"""From so many standard deviations a control is said to stand elsewhere than in the file."""


def elsewhere(panel: Panel, weighed: Weighed) -> list[str]:
    """A note for each control that the leading hypothesis has elsewhere.

    Parameters
    ----------
    panel : Panel
        The model.
    weighed : Weighed
        The answer.
    """
    lead = weighed.refined.get(weighed.changes[int(weighed.log_weight.argmax())])
    notes = []
    for part in panel.model.chassis.parts.values():
        place = panel.unknown_at.get(f"{part.name}.turned")
        if lead is None or place is None or abs(lead.unknowns[place]) < ELSEWHERE:
            continue
        at = part.facts["at"]
        stands = wiper_place(at, panel.unknowns[place].value(lead.unknowns[place]))
        notes.append(
            f"{part.name}: these readings have it stand at about {stands:.2g}, the chassis file at {at:g}: "
            "taken into account; at a stop a control is exact"
        )
    return notes
