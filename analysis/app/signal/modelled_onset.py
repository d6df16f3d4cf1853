"""Onset of clipping as the model has it, to stand beside the measured one."""

from __future__ import annotations

from typing import Any

from acquisition.errors import AnalysisError
from acquisition.quantities import format_value
from analysis.chassis.driving import onset
from analysis.headroom import Criterion, dwell_of, side_of, side_text

from .plan import StagePlan


def model_onset(plan: StagePlan, criterion: Criterion, most_pp_v: float) -> dict[str, Any] | None:
    """Onset of clipping as the model of a healthy chassis has it, by the criterion of the measurement.

    Parameters
    ----------
    plan : StagePlan
        With the model.
    criterion : Criterion
        When it counts as clipping.
    most_pp_v : float
        Largest drive.

    Returns
    -------
    dict or None
        None without a model of these points. ``reached`` is False where the model did not clip up to the figures
        given; ``unsolved`` names the tube that stood in the way of more, if one did.
    """
    if plan.expected([1000.0]) is None or plan.model is None:
        return None
    try:
        found = onset(
            plan.model,
            plan.source,
            plan.output,
            thd_ratio=criterion.thd_ratio,
            fall_db=criterion.fall_db,
            most_pp_v=most_pp_v,
        )
    except AnalysisError:
        return None
    side = side_of(dwell_of(found.bent) - dwell_of(found.gentle)) if found.reached else "unclear"
    return {
        "reached": found.reached,
        "unsolved": found.unsolved,
        "drive_pp_v": float(f"{found.drive_pp_v:.4g}"),
        "in_pp_v": float(f"{found.in_pp_v:.4g}"),
        "out_pp_v": float(f"{found.out_pp_v:.4g}"),
        "side": side,
    }


def model_onset_text(model: dict[str, Any] | None) -> str:
    """The model's onset for people.

    Parameters
    ----------
    model : dict or None
        From `model_onset`.
    """
    if model is None:
        return "model: none for these points"
    size = f"{format_value(model['in_pp_v'], 'V')} in, {format_value(model['out_pp_v'], 'V')} out, peak to peak"
    if model["reached"]:
        return f"model of the healthy chassis: onset at {size}; flattens first: {side_text(model['side'])}"
    end = f"beyond, no state of {model['unsolved']} was found" if model["unsolved"] else "as far as it was driven"
    return f"model of the healthy chassis: no clipping up to {size}, {end}"
