"""A control that was turned between two passes: what it changes is no fault and no repair."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.elements import wiper_place

from ..faults import Fault
from ..inference.panel import BATCH
from .explanation import DRAWS, WORTH_A_FAULT, Explanation, finer, misfits, model_shares, to_state

PLACES = np.concatenate([[-12.0], np.linspace(-4.0, 4.0, 65), [12.0]])
"""Where a control is tried: logarithm of the ratio of both sides of its track, against that of the file; the ends
are its stops."""

TURNS = 3
"""How often control and replaced parts are fitted in turn."""

BEFORE = np.linspace(-2.0, 2.0, 9)
"""Where it is tried to have stood in the first pass, in standard deviations of how well the file knows that."""

NAMED = 4
"""How many parts that would explain the same are named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A control that explains changes by having been turned.

    Parameters
    ----------
    part : str
        Which.
    was, now : float
        Place of the wiper in the first pass, near that of the chassis file, and in the second.
    shift, shift_std : ndarray, shape (M,)
        What that changes of each reading, in its unit, and its standard uncertainty.
    others : tuple of str
        Controls and parts whose change would fit as well, the best first.
    """

    part: str
    was: float
    now: float
    shift: np.ndarray
    shift_std: np.ndarray
    others: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What is said of it."""
        was, now = round(self.was, 2), round(self.now, 2)
        said = (
            f"{self.part} turned between the passes, to about {now:g} if it stood at {was:g} before, would explain "
            "what is not explained else: set it as it was and read again"
        )
        if not self.others:
            return said
        more = len(self.others) - NAMED
        some = [*self.others[:NAMED], *([f"{more} more"] if more > 0 else [])]
        names = some[0] if len(some) == 1 else f"{', '.join(some[:-1])} or {some[-1]}"
        return f"{said}. From these readings a change of {names} would do so as well"


def turned_between(
    model: Any,
    faults: Sequence[Fault],
    replaced: Sequence[str],
    measurands: Sequence[Measurand],
    after: np.ndarray,
    changes: np.ndarray,
    covariance: np.ndarray,
    account: Callable[[np.ndarray], Explanation | None],
    is_explained: Callable[[np.ndarray, np.ndarray], bool],
    *,
    mains: float,
) -> Turned | None:
    """The control that, turned, explains what the replaced parts do not; None where there is none.

    Parameters
    ----------
    model : ChassisModel
        The chassis; a control that the file has at a stop is taken to have stayed there.
    faults : sequence of Fault
        Of the whole chassis.
    replaced : sequence of str
        Parts, sockets or sections replaced between the passes.
    measurands : sequence of Measurand
        M measurands.
    after, changes, covariance : ndarray, shape (M,), (M,) and (M, M)
        What was measured.
    account : callable
        What the replaced parts make of changes, shape (M,); None without replaced parts.
    is_explained : callable
        Whether nothing is left unexplained beside a shift and its standard uncertainty, shape (M,) each.
    mains : float
        Mains of both passes as a multiple of nominal.

    Notes
    -----
    Control and parts are fitted in turn, each to what the other leaves. A part that was not replaced and fits
    better by as much as a fault is worth is the likelier cause, and then no control is named.
    """
    found: list[tuple[float, Turned, np.ndarray, np.ndarray]] = []
    share = model_shares(model, measurands)
    for part in model.chassis.parts.values():
        key = f"{part.name}.turned"
        if key not in model.parameters or model.parameters[key].sigma == 0.0:
            continue
        before = BEFORE * model.parameters[key].sigma
        values = np.exp(np.concatenate([before, PLACES]))
        shown = model.predict({"mains": np.full(len(values), mains), key: values}, measurands)
        first, second = (index.ravel() for index in np.indices((len(before), len(PLACES))))
        shifts = np.array(
            [
                -to_state(after, shown[len(before) + j], shown[i], measurands)
                for i, j in zip(first, second, strict=True)
            ]
        )
        unlike = BEFORE[first] ** 2
        # The first look goes by what most readings say: a repair beside it moves some of them far.
        square = (changes - shifts) ** 2 / (np.diag(covariance) + (share * shifts) ** 2)
        fits = np.minimum(square, WORTH_A_FAULT).sum(axis=1) + unlike
        left, open_to = changes, covariance
        for _ in range(TURNS):
            repaired = account(changes - shifts[int(np.argmin(fits))])
            if repaired is not None:
                left = changes - np.nan_to_num(repaired.predicted)
                open_to = covariance + np.diag(np.nan_to_num(repaired.predicted_std) ** 2)
            fits = _fits(left, open_to, shifts, share) + unlike
        best = int(np.argmin(fits))
        if fits[best] < _fits(left, open_to, np.zeros((1, len(left))), share)[0] - WORTH_A_FAULT:
            was, now = before[first[best]], PLACES[second[best]]
            turned = Turned(
                part=part.name, was=float(wiper_place(part.facts["at"], np.exp(was))),
                now=float(wiper_place(part.facts["at"], np.exp(now))),
                shift=shifts[best], shift_std=_spread(model, key, was, now, measurands, after, mains),
            )  # fmt: skip
            found.append((float(fits[best]), turned, left, open_to))
    found.sort(key=lambda one: one[0])
    enough = next((one for one in found if is_explained(one[1].shift, one[1].shift_std)), None)
    if enough is None:
        return None
    fit, turned, left, open_to = enough
    near = {one.part: own for own, one, *_ in found}
    for part, own in _faults_instead(model, faults, replaced, measurands, after, left, open_to, mains).items():
        near[part] = min(own, near.get(part, np.inf))
    del near[turned.part]
    others = sorted((own, part) for part, own in near.items() if own < fit + WORTH_A_FAULT)
    if others and others[0][0] < fit - WORTH_A_FAULT:
        return None
    return replace(turned, others=tuple(part for _, part in others))


def _faults_instead(
    model: Any,
    faults: Sequence[Fault],
    replaced: Sequence[str],
    measurands: Sequence[Measurand],
    after: np.ndarray,
    left: np.ndarray,
    covariance: np.ndarray,
    mains: float,
) -> dict[str, float]:
    """Misfit of each part that was not replaced, by the fault of it that came or went and fits best."""
    own = [fault for fault in faults if not {fault.part, fault.section} & set(replaced)]
    tried = [(fault, value) for fault in own for value in fault.values]
    nominal = model.predict({"mains": np.full(1, mains)}, measurands)[0]
    shown = []
    for start in range(0, len(tried), BATCH):
        some = tried[start : start + BATCH]
        values = {"mains": np.full(len(some), mains)}
        for row, (fault, value) in enumerate(some):
            values.setdefault(fault.key, np.full(len(some), model.parameters[fault.key].nominal))[row] = value
        shown.append(model.predict(values, measurands))
    cells = np.split(np.concatenate(shown), np.cumsum([len(fault.values) for fault in own])[:-1])
    found: dict[str, float] = {}
    share = model_shares(model, measurands)
    for fault, rows in zip(own, cells, strict=True):
        came = np.array([-to_state(after, one, nominal, measurands) for one in finer(rows)])
        went = np.array([-to_state(after, nominal, one, measurands) for one in finer(rows)])
        fit = float(min(_fits(left, covariance, moved, share).min() for moved in (came, went)))
        found[fault.part] = min(found.get(fault.part, np.inf), fit)
    return found


def _spread(
    model: Any, key: str, was: float, now: float, measurands: Sequence[Measurand], after: np.ndarray, mains: float
) -> np.ndarray:
    """Standard uncertainty of what a turn changes: the model's own, and what tolerances leave open, shape (M,)."""
    drawn = {**model.draw(DRAWS, np.random.default_rng(1)), "mains": np.full(DRAWS, mains)}
    first, last = (model.predict({**drawn, key: np.full(DRAWS, np.exp(at))}, measurands) for at in (was, now))
    shifts = np.array([-to_state(after, new, old, measurands) for old, new in zip(first, last, strict=True)])
    return np.asarray(np.hypot(model_shares(model, measurands) * shifts.mean(axis=0), shifts.std(axis=0)))


def _fits(left: np.ndarray, covariance: np.ndarray, shifts: np.ndarray, share: np.ndarray) -> np.ndarray:
    return misfits(left, covariance, shifts, share * np.abs(shifts))
