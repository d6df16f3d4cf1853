"""A control that was turned between two passes: what it changes is no fault and no repair."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from acquisition.records import Measurand

from .explanation import MODEL_SHARE, WORTH_A_FAULT, misfits, moved_between

PLACES = np.linspace(-4.0, 4.0, 65)
"""Where a control is tried: logarithm of the ratio of both sides of its track, against that of the file."""

TURNS = 3
"""How often control and replaced parts are fitted in turn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A control that explains changes by having been turned.

    Parameters
    ----------
    part : str
        Which.
    was, now : float
        Place of the wiper in the first pass, taken from the chassis file, and in the second.
    shift : ndarray, shape (M,)
        What that changes of each reading, in its unit.
    """

    part: str
    was: float
    now: float
    shift: np.ndarray

    @property
    def words(self) -> str:
        """What is said of it."""
        return (
            f"{self.part} turned between the passes, to about {self.now:.2g} if it stood at {self.was:g} before, "
            "would explain what is not explained else: set it as it was and read again"
        )


def turned_between(
    model: Any,
    measurands: Sequence[Measurand],
    changes: np.ndarray,
    covariance: np.ndarray,
    account: Callable[[np.ndarray], np.ndarray],
    *,
    mains: float,
) -> list[Turned]:
    """Controls that explain some of the changes by having been turned, the best first.

    Parameters
    ----------
    model : ChassisModel
        The chassis; a control that the file has at a stop is taken to have stayed there.
    measurands : sequence of Measurand
        M measurands.
    changes, covariance : ndarray, shape (M,) and (M, M)
        What was measured.
    account : callable
        What the replaced parts make of changes, shape (M,), of the same shape; NaN where the model is silent.
    mains : float
        Mains of both passes as a multiple of nominal.

    Notes
    -----
    Control and parts are fitted in turn, each to what the other leaves.
    """
    found = []
    for part in model.chassis.parts.values():
        key = f"{part.name}.turned"
        if key not in model.parameters or model.parameters[key].sigma == 0.0:
            continue
        values = {"mains": np.full(1 + len(PLACES), mains), key: np.exp(np.append(0.0, PLACES))}
        shown = model.predict(values, measurands)
        shifts = moved_between(shown[1:] - shown[:1], measurands)
        spread = MODEL_SHARE * np.abs(shifts)
        repaired = np.zeros(len(changes))
        for _ in range(TURNS):
            fits = misfits(changes - np.nan_to_num(repaired), covariance, shifts, spread)
            place = int(np.argmin(fits))
            repaired = account(changes - shifts[place])
        if fits[place] < fits[len(PLACES) // 2] - WORTH_A_FAULT:
            odds = part.facts["at"] / (1.0 - part.facts["at"]) * np.exp(PLACES[place])
            now = float(odds / (1.0 + odds))
            turned = Turned(part=part.name, was=part.facts["at"], now=now, shift=shifts[place])
            found.append((float(fits[place]), turned))
    return [turned for _, turned in sorted(found, key=lambda one: one[0])]
