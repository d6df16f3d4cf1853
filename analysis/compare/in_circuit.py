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

from acquisition.records import JUDGED_QUALITIES, Event, Measurand, Pass

from ..chassis import ChassisModel
from ..chassis.conditions import mains_known
from ..chassis.feeding import by_tubes
from ..chassis.predicting import SIGNALS
from ..faults import Fault, class_of
from ..inference.changes import Change
from ..inference.data import collect
from ..inference.panel import Panel
from ..inference.unknowns import unknowns_of
from ..inference.widening import widened
from ..work import last_values, values_found
from .answering import Answers
from .asking import Asking, answered, side_by_side
from .interval import WITHIN, deficit_of, interval_of
from .likelihood import Search
from .part_value import InCircuit, PartValue
from .profile import Profile

KINDS = ("resistor", "capacitor", "inductor", "potentiometer")

ALONE, TOGETHER, COARSE = 48, 6, 12
"""Places a value is looked for at: what moves direct volts, the others beside it, and each in its profile."""

SHOWS = 0.05
"""By how much a capacitor's losses must move a reading of a signal to show, relative or in radians."""

RETURNS = 4
"""How often all is done again from a higher place that a profile met."""

LESS_KNOWN = 1.5
"""Times its usual spread from which on a value of a tube has all looked for again."""

TUBE_SIGMA = 1.0
"""Of the logarithm of a tube's value that a fault set: its steps as another old part beside the one looked at."""


def replaced_values(
    model: ChassisModel,
    before: Pass,
    after: Pass,
    *,
    work_before: Sequence[Event] = (),
    work_after: Sequence[Event] = (),
    faults: Sequence[tuple[Fault, float | None]] = (),
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
    faults : sequence of (Fault, float or None)
        What fits the changes best, see `Comparison.faults`.

    Returns
    -------
    tuple of PartValue
        Of resistors, capacitors, inductors and potentiometers that the model has.

    Notes
    -----
    Of several old parts each may have been anything: beside the one that is looked at no belief about the others
    enters. ``faults`` are only one of the places where the search begins. New parts are as drawn or as measured.
    """
    subjects = dict.fromkeys(e.subject for e in after.events if e.kind == "part_replaced" and e.subject)
    parts = [name for name in subjects if name in model.parameters and model.parameters[name].kind in KINDS]
    known = [values_found(model.parameters, work) for work in (work_before, work_after)]
    sized = tuple((fault, value) for fault, value in faults if value is not None)
    told = _measured(
        model,
        [
            wanted
            for part in parts
            for wanted in (
                _Wanted(before, part, known[0], tuple(p for p in parts if p != part), sized),
                _Wanted(after, part, known[1]),
            )
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
    return _measured(model, [_Wanted(taken, part, measured or {})])[0]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A part in a pass, what is known by other means, and which others may be anything: parts, and faults of tubes
    among those that fit the changes best."""

    taken: Pass
    part: str
    measured: Mapping[str, tuple[float, float]]
    others: tuple[str, ...] = ()
    faults: tuple[tuple[Fault, float], ...] = ()

    def beside(self, model: ChassisModel) -> list[_Scale]:
        """Values of the others."""
        scales = [scale for name in self.others for scale in _scales(model, name).values()]
        known = {scale.key for scale in scales}
        return scales + [
            _Scale(key=f.key, unit="", centre=value, sigma=TUBE_SIGMA, low=value / 10.0, high=value * 10.0)
            for f, value in self.faults
            if f.part != self.part and f.key not in known
        ]


def _measured(model: ChassisModel, wanted: Sequence[_Wanted]) -> list[dict[str, InCircuit]]:
    """What parts measure in passes, searched for side by side."""
    tasks = [_Task(model, one) for one in wanted]
    going = [(task, task.search) for task in tasks if task.search is not None]
    while going:
        asking = [_search(search, task.scales) for task, search in going]
        told = answered(asking, Answers(model, [search for _, search in going]))
        going = [
            (task, again)
            for (task, search), (found, states) in zip(going, told, strict=True)
            if (again := task.told_by(search, found, states)) is not None
        ]
    return [task.told() for task in tasks]


class _Task:
    """A part in a pass, looked for; anew with tubes less known where the readings say that they are cut off."""

    def __init__(self, model: ChassisModel, one: _Wanted) -> None:
        self._model, self._one = model, one
        self._wider: dict[str, float] = {}
        self._free: frozenset[str] = frozenset()
        self.search = self._prepare()

    def _prepare(self) -> Search | None:
        """Ready to look, with tubes as well known as they are; None without readings."""
        model, one = self._model, self._one
        scales, beside = _scales(model, one.part), one.beside(model)
        if "esr" in scales and class_of(model.parameters[one.part], model.chassis) == "film":
            # Film has none that a stage would notice, and none is told. It is left free all the same: a leak that
            # drives the next grid into current loads the signal by a law that no model tells well, and what that
            # does had been laid to the leak, or told as hundreds of ohms.
            beside.append(scales.pop("esr"))
        self._found = {what: InCircuit(unit=scale.unit) for what, scale in scales.items()}
        # Ripple that comes through tubes nearly cancels by chance, and made 25 uF of a bypass that was open.
        judged = [r for r in one.taken.readings if r.quality in JUDGED_QUALITIES]
        hum = by_tubes(model.chassis, [r.measurand for r in judged])
        readings = [r for r, through in zip(judged, hum, strict=True) if not through]
        if "esr" in scales and not _shows_in_signals(model, one.part, [r.measurand for r in readings]):
            # Ripple alone cannot tell lost capacitance from series resistance: that is taken as sound.
            del scales["esr"]
        free = {s.key: (s.centre, s.sigma * s.centre) for s in (*scales.values(), *beside)}
        self._free = frozenset(free)
        known = {key: value for key, value in one.measured.items() if key not in free} | free
        if mains := mains_known(model.chassis, readings, one.taken.mains_v):
            known["mains"] = mains
        panel = Panel(model, [r.measurand for r in readings], known, with_faults=False, wider=self._wider)
        data = collect(panel, readings)
        self.scales = scales
        if not data.readings:
            return None
        first = "leak" if "leak" in scales else "value"
        places = {_column(panel, scales[first]): scales[first].places(ALONE)}
        places |= {_column(panel, s): s.places(TOGETHER) for what, s in scales.items() if what != first}
        at = {fault.key: value for fault, value in one.faults if fault.key in free}
        start = {panel.unknown_at[key]: panel.unknowns[panel.unknown_at[key]].z_of(at[key]) for key in at}
        others = {_column(panel, s): s.places(COARSE) for s in beside}
        return Search(panel, data, places, others, [start] if start else [])

    def told_by(self, search: Search, told: dict[str, InCircuit], states: np.ndarray) -> Search | None:
        """Keep what a search told; another search, where tubes are less known in its states than it believed.

        Parameters
        ----------
        search : Search
            Of this part.
        told : dict of str to InCircuit
            By value of the part.
        states : ndarray, shape (G, P)
            Within the intervals.
        """
        self._found.update(told)
        if self._wider or not len(states):
            return None
        values = search.panel.values([Change()] * len(states), states)
        nominal = self._model.nominal()
        # The nominal chassis comes first: what a tube has lost is told against that.
        values = {key: np.concatenate([nominal[key], value]) for key, value in values.items()}
        rests_v = self._model.supplied(values).start().volts
        unknowns = unknowns_of(self._model, {})
        wide = widened(self._model, unknowns, values, rests_v).max(axis=0)
        self._wider = {
            unknown.key: float(times)
            for unknown, times in zip(unknowns, wide, strict=True)
            if times > 1.0 and unknown.key not in self._free
        }
        return self._prepare() if max(self._wider.values(), default=1.0) > LESS_KNOWN else None

    def told(self) -> dict[str, InCircuit]:
        """Each value of the part."""
        found = self._found
        if "esr" in found and "esr" not in self.scales and not found["value"].holds_all:
            found["esr"] = InCircuit(unit="ohm", assumed=True)
        return found


def _column(panel: Panel, scale: _Scale) -> int:
    return panel.unknown_at[scale.key]


def _search(search: Search, scales: Mapping[str, _Scale]) -> Asking[tuple[dict[str, InCircuit], np.ndarray]]:
    """Each value of a part in one pass, and the states within its intervals, shape (G, P)."""
    yield from search.find()
    if not math.isfinite(search.peak.value):
        return {}, search.peak.at[:0, None]
    places = {_column(search.panel, scale): scale.places(COARSE) for scale in scales.values()}
    yield from search.look_beside(places)
    for _ in range(RETURNS):
        found = yield from side_by_side([search.profile(column, at) for column, at in places.items()])
        # A likelihood that bends has side valleys: where a profile comes out higher, all is done again from there.
        if not (yield from search.climb()):
            break
    within = search.within
    told = {
        what: InCircuit(unit=scale.unit, unfit=True) if math.isinf(within) else _told(profile, scale, what, within)
        for (what, scale), profile in zip(scales.items(), found, strict=True)
    }
    held = [one.reached[deficit_of(one.value, -np.inf) <= min(within, 2.0 * WITHIN)] for one in found]
    return told, np.concatenate([search.peak.at[None], *held])


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


def _told(profile: Profile, scale: _Scale, what: str, within: float) -> InCircuit:
    """Interval of one value from its profile."""
    if deficit_of(profile.value, -np.inf).max() < 0.5 * within:
        return InCircuit(unit=scale.unit)
    ends = interval_of(profile.places, profile.value, within)
    value, low, high = (None if z is None else scale.centre * math.exp(scale.sigma * z) for z in ends)
    # Nothing is claimed beyond where it was looked for.
    low, high = (None if end is None else min(max(end, scale.low), scale.high) for end in (low, high))
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
        found["leak"] = _Scale(
            key=leak, unit="ohm", centre=model.parameters[leak].nominal, sigma=4.0, low=1e-13, high=0.1
        )
        # Series resistance shows where it is comparable with the reactance somewhere between 20 Hz and 20 kHz.
        found["esr"] = _Scale(
            key=esr, unit="ohm", centre=model.parameters[esr].nominal or 0.01 * reactance, sigma=3.0,
            low=1e-3 * reactance, high=1e3 * reactance,
        )  # fmt: skip
    return found
