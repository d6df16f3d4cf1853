"""Two passes of one chassis that stand differently: what taking something out of circuit, or another load, changed.

What was measured is held against what the model says the same does to healthy chassis. Both passes are of one
specimen, so most of what its tolerances do drops out: the change of a gain is known within a decibel where the gain
itself is not within ten.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquisition.records import Event, Pass

from ..chassis import ChassisModel
from .pairing import Pair, differences, pair, shortest
from .specimens import Specimens
from .standing_result import AS_RATIO, DECIBEL, Moved, Standings


def compare_standings(
    before: Pass,
    after: Pass,
    models: tuple[ChassisModel, ChassisModel] | None = None,
    work: Sequence[Event] = (),
) -> Standings:
    """Compare two passes of one chassis that stand differently, with no part changed between them.

    Parameters
    ----------
    before, after : Pass
        The passes; with models, only readings that both of these know.
    models : (ChassisModel, ChassisModel), optional
        Of the chassis as it stood in each.
    work : sequence of Event
        Done up to the later pass, see `analysis.work`.
    """
    pairs, only_before, only_after = pair(before, after)
    changes = [_change(one) for one in pairs]
    moved = [
        Moved(
            measurand=one.measurand,
            before=one.before.value,
            after=one.after.value,
            before_std=one.before.std,
            after_std=one.after.std,
            change=change,
            std=std,
        )
        for one, change, std in zip(pairs, changes, _stds(pairs), strict=True)
    ]
    result = Standings(
        before=before.name,
        after=after.name,
        stood_before=before.pulled,
        stood_after=after.pulled,
        moved=tuple(moved),
        only_before=tuple(only_before),
        only_after=tuple(only_after),
    )
    if models is None or not pairs:
        return result
    both = Specimens(before, after, models, [one.measurand for one in pairs], work)
    moved = [both.judged(index, one) for index, one in enumerate(moved)]
    return replace(
        result,
        moved=tuple(moved),
        feedback=tuple(found for one in moved if (found := both.feedback(one)) is not None),
        impedance=tuple(found for i, one in enumerate(moved) if (found := both.impedance(i, one)) is not None),
    )


def _change(one: Pair) -> float:
    before, after = one.before.value, one.after.value
    if one.measurand.quantity in AS_RATIO:
        return DECIBEL * math.log(after / before) if before > 0.0 and after > 0.0 else math.nan
    return shortest(after - before) if one.measurand.quantity == "phase_deg" else after - before


def _stds(pairs: Sequence[Pair]) -> np.ndarray:
    """Standard uncertainties of the changes.

    That of a ratio is that of the difference once the first reading is scaled to the second: what both share drops
    out of it whole.
    """
    scaled, factors = [], []
    for one in pairs:
        ratio = one.after.value / one.before.value if one.before.value else math.nan
        is_ratio = one.measurand.quantity in AS_RATIO and ratio > 0.0
        if is_ratio:
            side = one.before
            side = replace(
                side,
                value=side.value * ratio,
                std=side.std * ratio,
                scatter_variance=side.scatter_variance * ratio**2,
            )
            one = replace(one, before=side)
        scaled.append(one)
        factors.append(DECIBEL / abs(one.after.value) if is_ratio else 1.0)
    _, covariance = differences(scaled, np.array([one.after.value for one in scaled]), mains_known=True)
    return np.asarray(np.sqrt(np.diag(covariance)) * np.array(factors))
