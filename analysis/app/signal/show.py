"""Results of generator and scope as text and as plain data for ``--json``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from acquisition.errors import FitFailed
from acquisition.quantities import format_value
from analysis.balance import Balance
from analysis.gain import Gain, probe_question, wrapped_deg
from analysis.headroom import Headroom, Step, side_text
from analysis.response import Corner

from .pairs import MatchedPair
from .plan import StagePlan

CAUTIONS = (
    "High voltage kills. Clip and move probes only with the power off, the supply discharged and read; hands away "
    "while it is on.",
    "Licensed practice, local codes and the instruments' manuals come first; this program does not know what a "
    "point carries now.",
    "Scope and generator shells are at mains earth: their clips go to the chassis and nowhere else. The generator "
    "goes in through a capacitor rated for the supply.",
)

NO_PHASE = "hardly any output, so its phase means nothing"

LOAD_QUESTION = (
    "Is a load resistor, rated for the full power, connected across the output transformer's secondary? Signal "
    "without a load can destroy tubes, sockets and the transformer"
)


def inversion(gain: Gain) -> str:
    """Say whether a stage inverts.

    Parameters
    ----------
    gain : Gain
        Measured.
    """
    return {True: "inverts", False: "does not invert", None: "is neither in phase nor inverted"}[gain.inverts]


def level_and_phase(gain: Gain) -> str:
    """Decibels, phase and whether the stage inverts, in one line; of next to no output none of these is known.

    Parameters
    ----------
    gain : Gain
        Measured.
    """
    if not gain.is_heard:
        return f"{NO_PHASE} at {gain.freq_hz:.5g} Hz"
    angle = f"{gain.phase_deg:+.1f}°"
    return f"{gain.gain_db:.2f} dB, {angle} at {gain.freq_hz:.5g} Hz: the stage {inversion(gain)}"


def gain_facts(gain: Gain, plan: StagePlan) -> dict[str, Any]:
    """One gain as plain data.

    Parameters
    ----------
    gain : Gain
        Measured.
    plan : StagePlan
        With the model.
    """
    facts: dict[str, Any] = {
        "point": gain.point,
        "freq_hz": digits(gain.freq_hz, 8),
        "drive_pp_v": gain.drive_pp_v,
        "gain": digits(gain.magnitude, 6),
        "std": digits(gain.magnitude_std),
        "gain_db": digits(gain.gain_db, 6),
        "db_std": digits(gain.gain_db_std),
        "phase_deg": round(gain.phase_deg, 3),
        "phase_std_deg": digits(gain.phase_std_deg),
        "inverts": gain.inverts,
        "in_pp_v": digits(gain.in_pp_v, 5),
        "out_pp_v": digits(gain.out_pp_v, 5),
        "in_max_minus_min_v": digits(gain.in_extremes_v, 5),
        "out_max_minus_min_v": digits(gain.out_extremes_v, 5),
        "thd_out_pct": digits(100.0 * gain.thd_out),
        "method": gain.method,
        "notes": list(gain.notes),
    }
    expected = plan.expected([gain.freq_hz])
    if expected is not None:
        facts["expected"] = _polar(expected[0])
        facts["probe_question"] = probe_question(gain.gain, expected[0])
        free = plan.unprobed([gain.freq_hz], np.array([gain.gain]))
        if free is not None:
            facts["without_probes"] = _polar(free[0])
    return facts


def gain_text(gain: Gain, plan: StagePlan) -> list[str]:
    """One gain for people.

    Parameters
    ----------
    gain : Gain
        Measured.
    plan : StagePlan
        With the model.
    """
    drive = f", generator {format_value(gain.drive_pp_v, 'V')} p-p" if gain.drive_pp_v else ""
    budget, phase = gain.magnitude_budget(), gain.phase_budget()
    lines = [
        f"{plan.name}: {gain.from_point} to {gain.to_point} at {format_value(gain.freq_hz, 'Hz', 5)}{drive}",
        f"  gain     {gain.magnitude:.4g} +- {budget.expanded():.2g} (95 %)   "
        + (f"{gain.gain_db:.2f} +- {_db_off(gain)} dB" if gain.magnitude else "no output"),
        f"  phase    {gain.phase_deg:+.2f} +- {phase.expanded():.2g} deg: the stage {inversion(gain)}"
        if gain.is_heard
        else f"  phase    none: {NO_PHASE}",
        f"  signal   {format_value(gain.in_pp_v, 'V')} in, {format_value(gain.out_pp_v, 'V')} out, peak to peak "
        f"of the fitted sine",
        f"           {format_value(gain.in_extremes_v, 'V')} in, {format_value(gain.out_extremes_v, 'V')} out, "
        f"maximum minus minimum (noise adds to it): gain {_ratio(gain.out_extremes_v, gain.in_extremes_v)}",
    ]
    expected = plan.expected([gain.freq_hz])
    if expected is not None:
        size, angle = abs(expected[0]), math.degrees(np.angle(expected[0]))
        off = 100.0 * (gain.magnitude / size - 1.0) if size else math.nan
        lines.append(
            f"  model    {size:.4g}, {20 * math.log10(size):.2f} dB, {wrapped_deg(angle):+.2f} deg with these "
            f"probes; measured {off:+.1f} %"
        )
        free = plan.unprobed([gain.freq_hz], np.array([gain.gain]))
        if free is not None:
            lines.append(
                f"           without the probes the measured gain would be {abs(free[0]):.4g} at "
                f"{wrapped_deg(math.degrees(np.angle(free[0]))):+.2f} deg (corrected by the model)"
            )
        if question := probe_question(gain.gain, expected[0]):
            lines.append(f"  CHECK    {question}")
    else:
        lines.append("  model    none for these points")
    lines += [f"  note     {note}" for note in (gain.method, *gain.notes)]
    lines += ["", *(f"  {line}" for line in budget.lines()), "", *(f"  {line}" for line in phase.lines())]
    return lines


def sweep_head() -> str:
    """Heading of the lines of a sweep."""
    return (
        f"{'frequency':>12}{'gain':>10}{'dB':>9}{'+-95%':>7}{'phase':>10}{'+-95%':>7}{'model dB':>10}{'phase':>9}"
    )


def sweep_line(gain: Gain, plan: StagePlan) -> str:
    """One frequency of a sweep.

    Parameters
    ----------
    gain : Gain
        Measured.
    plan : StagePlan
        With the model.
    """
    expected = plan.expected([gain.freq_hz])
    model = ""
    if expected is not None and expected[0]:
        angle = wrapped_deg(math.degrees(np.angle(expected[0])))
        model = f"{20 * math.log10(abs(expected[0])):10.2f}{angle:9.1f}"
    phase = f"{gain.phase_deg:10.2f}{1.96 * gain.phase_std_deg:7.2f}" if gain.is_heard else f"{'none':>10}{'':7}"
    return (
        f"{format_value(gain.freq_hz, 'Hz', 4):>12}{gain.magnitude:10.4g}{gain.gain_db:9.2f}"
        f"{_db_off(gain):>7}{phase}{model}"
    )


def corner_line(side: str, corner: Corner | FitFailed | None, ends: tuple[float, float]) -> str:
    """A -3 dB corner, or where the sweep ended without one, or why it cannot be told.

    Parameters
    ----------
    side, corner
        As `Response.corner` takes and gives them.
    ends : tuple of float
        Lowest and highest frequency of the sweep.
    """
    if isinstance(corner, FitFailed):
        return f"{side} -3 dB corner: cannot tell, {corner}; {corner.hint}"
    if corner is None:
        end = ends[0] if side == "low" else ends[1]
        return f"{side} -3 dB corner: {'below' if side == 'low' else 'above'} {format_value(end, 'Hz', 4)}"
    return (
        f"{side} -3 dB corner: {format_value(corner.freq_hz, 'Hz', 4)} +- "
        f"{format_value(1.96 * corner.std_hz, 'Hz', 2)} (95 %), against the gain at "
        f"{format_value(corner.reference_hz, 'Hz', 4)}"
    )


def step_line(step: Step) -> str:
    """One drive of the headroom run.

    Parameters
    ----------
    step : Step
        Measured.
    """
    return (
        f"{format_value(step.drive_pp_v, 'V', 4):>12}{format_value(step.gain.in_pp_v, 'V', 4):>12}"
        f"{format_value(step.gain.out_pp_v, 'V', 4):>12}{step.gain.gain_db:9.2f}"
        f"{100 * max(step.thd_out, step.thd_floor):9.2f}{100 * step.thd_in:9.2f}{100 * step.thd_floor:9.2f}"
    )


def step_head() -> str:
    """Heading of the lines of a headroom run."""
    titles = ("generator", "input p-p", "output p-p", "gain dB", "THD %", "in THD %", "floor %")
    return "".join(f"{title:>{width}}" for title, width in zip(titles, (12, 12, 12, 9, 9, 9, 9), strict=True))


def headroom_facts(found: Headroom, load_ohm: float | None) -> dict[str, Any]:
    """Headroom as plain data.

    Parameters
    ----------
    found : Headroom
        Result.
    load_ohm : float, optional
        Load across the output, for the power.
    """
    return {
        "criterion": str(found.criterion),
        "reached": found.reached,
        "limited_by": found.limited_by,
        "in_pp_v": digits(found.in_pp_v, 4),
        "out_pp_v": digits(found.out_pp_v, 4),
        "out_std_v": digits(found.out_std_v),
        "side": found.side,
        "bent_when_small": found.bent_when_small is not None,
        "grid_current": found.grid_current,
        "power_w": digits(found.power_w(load_ohm), 4) if load_ohm else None,
        "power_std_w": digits(found.power_std_w(load_ohm)) if load_ohm else None,
        "steps": [
            {
                "drive_pp_v": digits(step.drive_pp_v, 5),
                "in_pp_v": digits(step.gain.in_pp_v, 5),
                "out_pp_v": digits(step.gain.out_pp_v, 5),
                "gain_db": digits(step.gain.gain_db, 5),
                "thd_pct": digits(100 * step.thd_out),
                "thd_floor_pct": digits(100 * step.thd_floor),
                "in_thd_pct": digits(100 * step.thd_in),
                "harmonics_peak_v": [digits(h, 4) for h in step.harmonics],
            }
            for step in found.steps
        ],
    }


def headroom_text(found: Headroom, load_ohm: float | None) -> list[str]:
    """Headroom for people.

    Parameters
    ----------
    found : Headroom
        Result.
    load_ohm : float, optional
        Load across the output.
    """
    size = f"{format_value(found.in_pp_v, 'V')} in, {format_value(found.out_pp_v, 'V')} +- "
    size += f"{format_value(1.96 * found.out_std_v, 'V', 2)} out, peak to peak"
    lines = [f"criterion: {found.criterion}"]
    if found.reached:
        lines.append(f"onset at {size}")
        lines.append(f"flattens first: {side_text(found.side)} of the output")
        if found.grid_current:
            lines.append("the input is bent at its positive peaks as well: grid current loads the source")
    else:
        lines.append(f"not reached up to {size}; stopped by {found.limited_by}")
    if bent := found.bent_when_small:
        size = f"{100 * bent.thd_out:.2g} % at {format_value(bent.gain.out_pp_v, 'V')} out"
        lines.append(f"distortion is {size} already, which is no clipping; consistent with a gap at the crossover")
    if load_ohm:
        power, half = found.power_w(load_ohm), 1.96 * found.power_std_w(load_ohm)
        size = f"{format_value(power, 'W')} +- {format_value(half, 'W', 2)}"
        lines.append(f"power there into {load_ohm:g} ohm, taken as exact: {size}")
        for watts in _stated_powers(found, load_ohm):
            at = found.thd_at_power(watts, load_ohm)
            if at is not None:
                size = f"{100 * at[0]:.2g} %" if at[0] > at[1] else f"below the floor of {100 * at[1]:.1g} %"
                lines.append(f"  THD at {watts:g} W: {size}")
    return lines


def balance_text(found: Balance) -> list[str]:
    """Balance of an inverter for people.

    Parameters
    ----------
    found : Balance
        Result.
    """
    return [
        f"balance: {found.second} is {found.ratio:.4f} +- {1.96 * found.ratio_std:.4f} of {found.first}, "
        f"{found.from_opposite_deg:+.2f} +- {1.96 * found.std_deg:.2f} deg from opposite: {found.verdict}"
        + ("" if found.opposite else "; the two are not in opposition"),
    ]


def pair_facts(found: MatchedPair) -> dict[str, Any]:
    """Matching of a pair as plain data.

    Parameters
    ----------
    found : MatchedPair
        Result.
    """
    return {
        "first": found.first,
        "second": found.second,
        "first_a": digits(found.first_a.value, 4),
        "second_a": digits(found.second_a.value, 4),
        "difference_pct": digits(100.0 * found.match.difference.value),
        "std_pct": digits(100.0 * found.match.difference.std),
        "verdict": found.match.verdict,
    }


def pair_text(found: MatchedPair) -> list[str]:
    """Matching of a pair for people.

    Parameters
    ----------
    found : MatchedPair
        Result.
    """
    size, std = found.match.difference.value, found.match.difference.std
    return [
        f"pair: {found.first} {format_value(found.first_a.value, 'A')}, {found.second} "
        f"{format_value(found.second_a.value, 'A')} at the cathodes, {100 * size:+.1f} +- {196 * std:.1f} %: "
        f"{found.match.verdict}"
    ]


def _stated_powers(found: Headroom, load_ohm: float) -> Sequence[float]:
    most = found.power_w(load_ohm)
    return [float(f"{most * share:.1g}") for share in (0.01, 0.1, 0.5)] if most > 0 else []


def _polar(value: complex) -> dict[str, float | None]:
    return {
        "gain": digits(abs(value), 6),
        "phase_deg": round(wrapped_deg(math.degrees(math.atan2(value.imag, value.real))), 3),
    }


def _ratio(out_v: float, in_v: float) -> str:
    return f"{out_v / in_v:.3g}" if in_v else "-"


def _db_off(gain: Gain) -> str:
    """Half width of the 95 % interval in decibels, which of next to nothing has no lower end."""
    off_db = 1.96 * gain.gain_db_std
    return f"{off_db:.2f}" if off_db < 100.0 else ">99"


def digits(value: float, count: int = 3) -> float | None:
    """Round a number; the decibels of nothing become None, as JSON has it.

    Parameters
    ----------
    value : float
        As computed.
    count : int
        Significant digits.
    """
    return float(f"{value:.{count}g}") if math.isfinite(value) else None
