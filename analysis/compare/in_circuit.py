"""What a replaced part measures in circuit, from the readings of one pass through the circuit model.

Each value of the part (a capacitor's capacitance, leakage and series resistance) is looked for over a wide range,
with everything else at its most probable state: see `likelihood`. No belief about the part itself enters: a value
that readings bound on one side only comes out as a bound, and one that they do not touch as not told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Pass

from ..chassis import ChassisModel
from ..chassis.predicting import SIGNALS
from ..faults import Fault
from ..inference.data import collect
from ..inference.panel import Panel
from ..work import last_values, values_found
from .answering import Answers
from .asking import Asking, answered, side_by_side
from .interval import WITHIN, deficit_of, interval_of
from .likelihood import Search
from .profile import Profile

KINDS = ("resistor", "capacitor", "inductor", "potentiometer")

MAINS_STD = 0.005
"""Of a mains voltage written down beside the readings, relative (common practice, no source)."""

ALONE, TOGETHER, COARSE = 48, 6, 12
"""Places a value is looked for at: what moves direct volts, the others beside it, and each in its profile."""

SHOWS = 0.05
"""By how much a capacitor's losses must move a reading of a signal to show, relative or in radians."""

RETURNS = 4
"""How often all is done again from a higher place that a profile met."""


BESIDE_STD = 0.3
"""How well the fault of another old part is known from the changes, relative (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InCircuit:
    """One value of a part as the readings of one pass tell it.

    Parameters
    ----------
    value : float, optional
        Most likely value; None where it is bounded on one side only, or not at all.
    low, high : float, optional
        Ends of the interval of 95 %; None where the readings set none.
    unit : str
        ``ohm F H``; a leak is a resistance.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str

    def holds(self, value: float) -> bool:
        """Whether a value lies in the interval, as far as it has ends.

        Parameters
        ----------
        value : float
            In ``unit``.
        """
        return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)

    @property
    def text(self) -> str:
        """In words."""
        low, high = (None if end is None else format_value(end, self.unit, 2) for end in (self.low, self.high))
        if low == high and self.low is not None and self.high is not None:
            low, high = (format_value(end, self.unit, 3) for end in (self.low, self.high))
        if self.value is not None:
            return f"{format_value(self.value, self.unit)} ({low} to {high})"
        if low:
            return f"more than {low}"
        return f"less than {high}" if high else "these readings cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartValue:
    """One value of a replaced part before and after.

    Parameters
    ----------
    part, what : str
        ``C4`` and ``value``, ``leak`` or ``esr``.
    before, after : InCircuit
        Of each pass.
    drawn : float, optional
        As the chassis file gives it; None for losses, which a drawing does not give.
    tester, tester_std : float, optional
        What a tester showed of the new part before it was fitted; no part of ``after``.
    """

    part: str
    what: str
    before: InCircuit
    after: InCircuit
    drawn: float | None = None
    tester: float | None = None
    tester_std: float | None = None

    @property
    def name(self) -> str:
        """What is measured, in words."""
        if self.what == "value":
            return {"F": "capacitance", "H": "inductance"}.get(self.before.unit, "resistance")
        return {"leak": "leak resistance", "esr": "series resistance"}[self.what]

    @property
    def another_fitted(self) -> bool:
        """Whether the old part measured as drawn and the new one does not."""
        if self.drawn is None or self.before.value is None:
            return False
        return self.before.holds(self.drawn) and not self.after.holds(self.drawn)


def replaced_values(
    model: ChassisModel,
    before: Pass,
    after: Pass,
    *,
    work_before: Sequence[Event] = (),
    work_after: Sequence[Event] = (),
    faults: Sequence[tuple[Fault, float]] = (),
) -> tuple[PartValue, ...]:
    """What each replaced part measures in circuit before and after.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    before, after : Pass
        The passes; what was replaced stands in the events of the second.
    work_before, work_after : sequence of Event
        Done up to the end of each pass, see `analysis.work`.
    faults : sequence of (Fault, float)
        What explains the changes: beside one old part the others are taken as they were, not as drawn.

    Returns
    -------
    tuple of PartValue
        Of resistors, capacitors, inductors and potentiometers that the model has.
    """
    subjects = dict.fromkeys(e.subject for e in after.events if e.kind == "part_replaced" and e.subject)
    parts = [name for name in subjects if name in model.parameters and model.parameters[name].kind in KINDS]
    sides = [
        (taken, values_found(model.parameters, work))
        for taken, work in ((before, work_before), (after, work_after))
    ]

    def beside(part: str) -> dict[str, tuple[float, float]]:
        return {fault.key: (value, BESIDE_STD * abs(value)) for fault, value in faults if fault.part != part}

    told = _measured(
        model,
        [
            (taken, part, {**known, **beside(part)} if taken is before else known)
            for part in parts
            for taken, known in sides
        ],
    )
    testers = last_values(work_after)
    result = []
    for place, part in enumerate(parts):
        old, new = told[2 * place : 2 * place + 2]
        for what in old:
            tested = testers.get(part) if what == "value" else None
            result.append(
                PartValue(
                    part=part,
                    what=what,
                    before=old[what],
                    after=new[what],
                    drawn=model.parameters[part].nominal if what == "value" else None,
                    tester=tested.value if tested else None,
                    tester_std=tested.std if tested else None,
                )
            )
    return tuple(result)


def values_in_circuit(
    model: ChassisModel,
    taken: Pass,
    part: str,
    measured: Mapping[str, tuple[float, float]] | None = None,
) -> dict[str, InCircuit]:
    """What a part measures in circuit in one pass.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    taken : Pass
        Its readings; the mains written down is used too.
    part : str
        Name of a resistor, capacitor, inductor or potentiometer.
    measured : mapping of str to (value, std), optional
        Parameters found with power off; those of the part itself are left out, so that its value in circuit is an
        answer of its own.

    Returns
    -------
    dict of str to InCircuit
        By ``value``, ``leak``, ``esr``, as far as the part has them.
    """
    return _measured(model, [(taken, part, measured or {})])[0]


def _measured(
    model: ChassisModel, wanted: Sequence[tuple[Pass, str, Mapping[str, tuple[float, float]]]]
) -> list[dict[str, InCircuit]]:
    """What parts measure in passes, searched for side by side."""
    found: list[dict[str, InCircuit]] = []
    searches: list[tuple[dict[str, InCircuit], Search, dict[str, _Scale]]] = []
    for taken, part, measured in wanted:
        scales = _scales(model, part)
        found.append({what: InCircuit(unit=scale.unit) for what, scale in scales.items()})
        readings = [r for r in taken.readings if r.quality in JUDGED_QUALITIES]
        if "esr" in scales and not _shows_in_signals(model, part, [r.measurand for r in readings]):
            # Ripple alone cannot tell lost capacitance from series resistance: that is taken as sound.
            del scales["esr"]
        own = {scale.key: (scale.centre, scale.sigma * scale.centre) for scale in scales.values()}
        known = {key: value for key, value in measured.items() if key not in own} | own
        if taken.mains_v:
            share = taken.mains_v / model.chassis.mains_v
            known["mains"] = (share, MAINS_STD * share)
        panel = Panel(model, [r.measurand for r in readings], known, with_faults=False)
        data = collect(panel, readings)
        if data.readings:
            first = "leak" if "leak" in scales else "value"
            places = {_column(panel, scales[first]): scales[first].places(ALONE)}
            places |= {_column(panel, s): s.places(TOGETHER) for what, s in scales.items() if what != first}
            searches.append((found[-1], Search(panel, data, places), scales))
    told = answered(
        [_search(search, scales) for _, search, scales in searches], Answers(model, [s for _, s, _ in searches])
    )
    for (answers, _, _), new in zip(searches, told, strict=True):
        answers.update(new)
    return found


def _column(panel: Panel, scale: _Scale) -> int:
    return [unknown.key for unknown in panel.unknowns].index(scale.key)


def _search(search: Search, scales: Mapping[str, _Scale]) -> Asking[dict[str, InCircuit]]:
    """Each value of a part in one pass."""
    yield from search.find()
    if not math.isfinite(search.peak.value):
        return {}
    places = {_column(search.panel, scale): scale.places(COARSE) for scale in scales.values()}
    yield from search.look_beside(places)
    for _ in range(RETURNS):
        found = yield from side_by_side([search.profile(column, at) for column, at in places.items()])
        # A likelihood that bends has side valleys: where a profile comes out higher, all is done again from there.
        if not (yield from search.climb()):
            break
    return {what: _told(profile, scale, what) for (what, scale), profile in zip(scales.items(), found, strict=True)}


def _shows_in_signals(model: ChassisModel, part: str, measurands: Sequence[Measurand]) -> bool:
    """Whether a tenth of a capacitor would show in any signal that was read, ripple aside."""
    seen = [m for m in measurands if m.quantity in SIGNALS]
    if not seen:
        return False
    size = model.parameters[part].nominal
    whole, tenth = model.predict({part: np.array([size, 0.1 * size])}, seen)
    phases = np.array([m.quantity == "phase_deg" for m in seen])
    moved = np.where(phases, np.radians(np.abs(tenth - whole)), np.abs(tenth / np.where(whole, whole, 1.0) - 1.0))
    return bool(np.nanmax(moved, initial=0.0) > SHOWS)


def _told(profile: Profile, scale: _Scale, what: str) -> InCircuit:
    """Interval of one value from its profile."""
    if deficit_of(profile.value, -np.inf).max() < 0.5 * WITHIN:
        return InCircuit(unit=scale.unit)
    ends = interval_of(profile.places, profile.value)
    value, low, high = (None if z is None else scale.centre * math.exp(scale.sigma * z) for z in ends)
    if what == "leak":  # a conductance, told as a resistance
        value, low, high = (None if end is None else 1.0 / end for end in (value, high, low))
    return InCircuit(value=value if low and high else None, low=low, high=high, unit=scale.unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """One value of the part as an unknown: ``centre exp(sigma z)``, looked for from ``low`` to ``high``."""

    key: str
    unit: str
    centre: float
    sigma: float
    low: float
    high: float

    def places(self, count: int) -> np.ndarray:
        """Values of z over the whole range."""
        low, high = (math.log(end / self.centre) / self.sigma for end in (self.low, self.high))
        return np.linspace(low, high, count)


def _scales(model: ChassisModel, part: str) -> dict[str, _Scale]:
    """Values of a part; while one of them is looked at, the others may take any place a fault brings them to."""
    parameter = model.parameters[part]
    size = parameter.nominal
    unit = parameter.unit if parameter.unit in {"F", "H"} else "ohm"
    found = {"value": _Scale(key=part, unit=unit, centre=size, sigma=1.6, low=1e-3 * size, high=1e2 * size)}
    if parameter.kind == "capacitor":
        leak, esr = (f"{part}.{ending}" for ending in ("leak", "esr"))
        reactance = 1.0 / (2.0 * math.pi * 1000.0 * size)
        # Series resistance shows where it is comparable with the reactance somewhere between 20 Hz and 20 kHz.
        found["leak"] = _Scale(
            key=leak, unit="ohm", centre=model.parameters[leak].nominal, sigma=4.0, low=1e-13, high=0.1
        )
        found["esr"] = _Scale(
            key=esr, unit="ohm", centre=model.parameters[esr].nominal or 0.01 * reactance, sigma=3.0,
            low=1e-3 * reactance, high=1e3 * reactance,
        )  # fmt: skip
    return found
