"""What stands beside the ranking: readings left out, what DC cannot show, and that no one fault explains them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import Reading

from ..chassis import ChassisModel
from ..inference.data import Data, Weighed
from ..inference.panel import Panel
from ..inference.variables import LAST, canonical, from_variable
from ..judge import without_drive
from .pairs import best_single, furthest_off
from .words import place_of, show

UNSEEN = 0.003
"""Share of a DC reading below which a fault does not show in it, whatever its severity: a usual meter's error."""


def out_of_tolerance(model: ChassisModel, measured: Mapping[str, tuple[float, float]]) -> list[str]:
    """A note for each part that was measured with power off and is not what the drawing has.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measured : mapping of str to (value, std)
        From `analysis.work.values_found`.
    """
    notes = []
    for key, (value, _) in measured.items():
        parameter = model.parameters[key]
        if parameter.kind == "mains":
            continue  # of mains far from the drawing's is asked before anything else
        if parameter.sigma and abs(math.log(value / parameter.nominal) - parameter.shift) > 4 * parameter.sigma:
            unit = {"ohm": "ohm", "F": "F", "H": "H"}.get(parameter.unit, "")
            notes.append(
                f"{key} was measured as {format_value(value, unit)}, "
                f"drawn as {format_value(parameter.nominal, unit)}: out of tolerance, and taken into account"
            )
    return notes


def left_out(readings: Sequence[Reading], data: Data) -> list[str]:
    """Notes of readings that do not count, and why.

    Parameters
    ----------
    readings : sequence of Reading
        All.
    data : Data
        Those that count.
    """
    asked = {canonical(r.measurand) for r in readings if r.quantity not in LAST and not r.measurand.lacks_drive}
    unknown = {place_of(m) for m in asked - {canonical(r.measurand) for r in data.readings}}
    return [*without_drive(readings), *([f"not used: {', '.join(sorted(unknown))}"] if unknown else [])]


def unseen_by_dc(panel: Panel) -> list[str]:
    """What no DC reading of a chassis shows, however bad it is; the parts with the same faults together.

    Parameters
    ----------
    panel : Panel
        The model.
    """
    dc = panel.usable & (panel.quantities == "dc_v")
    moved = np.abs(panel.shifted[:, dc] - panel.centre[dc]).max(axis=1, initial=0.0)
    hidden: dict[tuple[str, str], bool] = {}
    for change, shift in zip(panel.changes[1:], moved[1:], strict=True):
        fault = panel.faults[change.faults[0]]
        key = (fault.part, fault.fault)
        hidden[key] = hidden.get(key, True) and bool(shift < UNSEEN)
    words: dict[str, list[str]] = {}
    for part, word in (key for key, never in hidden.items() if never):
        words.setdefault(part, []).append(word)
    parts: dict[str, list[str]] = {}
    for part, faults in words.items():
        parts.setdefault(" or ".join(faults), []).append(part)
    told = "; ".join(f"{', '.join(names)} {faults}" for faults, names in parts.items())
    return [f"only DC was read, which cannot show: {told}. Gains and ripple can"] if told else []


def doubt(panel: Panel, weighed: Weighed, data: Data) -> str:
    """What to say when no single fault explains the readings.

    Parameters
    ----------
    panel : Panel
        The model.
    weighed : Weighed
        The answer.
    data : Data
        The readings.
    """
    pairs = [i for i in np.argsort(-weighed.log_weight) if len(weighed.changes[i].faults) == 2]
    both = float(weighed.probability[pairs].sum()) if pairs else 0.0
    text = "one fault alone does not explain these readings well"
    if pairs and both > 0.5:
        names = " with ".join(panel.faults[f].label for f in weighed.changes[pairs[0]].faults)
        return f"{text}; two together do better: {names} (two faults: {both:.0%})"
    text = f"{text}, and no pair tried does better: look for a wrong reading or part, or a drawing that differs"
    best = best_single(weighed)
    row = furthest_off(best, data) if best is not None else None
    if best is None or row is None:
        return text
    reading = data.readings[row]
    rest = float(from_variable(reading.quantity, best.expected[row]))
    at = f"{reading.point}, {show(reading, reading.value)} where the others ask for {show(reading, rest)}"
    return f"{text}; furthest off is {at}"
