"""What taking something out of circuit, or another load, changed: rows and sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from acquisition.quantities import format_value

from ..chassis.predicting import DEFAULT_FREQ_HZ
from ..compare import Found, Moved, Standings, nearest_to_midband
from .words import (
    QUANTITY_WORDS,
    TO_ASCII,
    band_text,
    frequency_text,
    measurand_text,
    standing_text,
    to_its_uncertainty,
    with_uncertainty,
)

HEADS = ("what", "before", "after", "change", "healthy", "verdict")
"""Columns of `moved_row` in order."""

SIGNS = {"agrees": "✓", "low": "!", "high": "!", "unclear": "?", "": ""}

SWEEP = 4
"""So many frequencies of one gain are a sweep."""

TELLS_DB = 0.1
"""Least load of a loop that is worth telling."""


def moved_row(one: Moved, *, ascii_only: bool = False) -> dict[str, str]:
    """One reading in both passes as text.

    Parameters
    ----------
    one : Moved
        Of a comparison.
    ascii_only : bool
        For a terminal: all but the sign.

    Returns
    -------
    dict of str to str
        By ``HEADS``, and ``sign``.
    """
    quantity = one.measurand.quantity
    unit, times = "dB" if one.in_db else quantity, "x" if ascii_only else "×"
    change = ""
    if math.isfinite(one.change):
        change = with_uncertainty(one.change, one.std, unit, ascii_only=ascii_only).removeprefix(times)
    healthy = "" if math.isnan(one.low) else band_text(one.low, one.high, one.std, unit, ascii_only=ascii_only)
    return {
        "what": measurand_text(one.measurand, ascii_only=ascii_only),
        "before": to_its_uncertainty(one.before, one.before_std, quantity, ascii_only=ascii_only),
        "after": to_its_uncertainty(one.after, one.after_std, quantity, ascii_only=ascii_only),
        "change": change,
        "healthy": healthy,
        "sign": SIGNS[one.verdict],
        "verdict": _moved_words(one),
    }


def _moved_words(one: Moved) -> str:
    """The verdict on a change: what is low of a change downwards is more of it."""
    if one.verdict not in ("low", "high"):
        return "cannot tell" if one.verdict == "unclear" else one.verdict
    way = math.copysign(1.0, one.expected)
    if one.change * way < -2.0 * one.std:
        return "the other way"
    return "more than it should" if (one.verdict == "high") == (way > 0.0) else "less than it should"


def parted(moved: Sequence[Moved]) -> tuple[list[Moved], list[Moved], list[str]]:
    """What moved or should have, what did neither, and the rest of each sweep in words.

    Parameters
    ----------
    moved : sequence of Moved
        Of a comparison.

    Returns
    -------
    loud, quiet : list of Moved
        Of a sweep that agrees throughout only the frequency nearest to 1 kHz, and those that do not agree.
    more : list of str
        What is left out of ``loud``.
    """
    loud = [one for one in moved if not one.is_quiet]
    quiet = [one for one in moved if one.is_quiet]
    sweeps: dict[tuple[str, str], list[Moved]] = {}
    for one in loud:
        sweeps.setdefault((one.measurand.point, one.measurand.quantity), []).append(one)
    told, more = [], []
    for (point, quantity), found in sweeps.items():
        middle = nearest_to_midband(found)
        kept = found if len(found) < SWEEP else [one for one in found if one is middle or one.verdict != "agrees"]
        told += kept
        if left := len(found) - len(kept):
            frequencies = "frequency" if left == 1 else "frequencies"
            more.append(f"{point} {QUANTITY_WORDS[quantity]} at {left} more {frequencies}: agrees")
    return told, quiet, more


def quiet_text(quiet: Sequence[Moved], *, ascii_only: bool = False) -> str:
    """Readings that did not move, in one line.

    Parameters
    ----------
    quiet : sequence of Moved
        From `parted`.
    ascii_only : bool
        For a terminal.
    """
    names = dict.fromkeys(
        one.measurand.point
        if one.measurand.quantity == "dc_v"
        else measurand_text(one.measurand, ascii_only=ascii_only)
        for one in quiet
    )
    due = ", and not due to" if all(one.verdict for one in quiet) else ""
    return f"not moved{due}: {', '.join(names)}"


def remarks(found: Standings) -> tuple[list[Moved], list[str]]:
    """What moved, and what is said beside it where there is room for sentences: report and page.

    Parameters
    ----------
    found : Standings
        From `analysis.compare.compare_standings`.
    """
    loud, quiet, more = parted(found.moved)
    nothing = [] if found.moved else ["nothing was read in both passes"]
    return loud, [*more, *([quiet_text(quiet)] if quiet else []), *found.notes, *nothing]


def as_sentence(text: str) -> str:
    """With a capital and a full stop.

    Parameters
    ----------
    text : str
        As a terminal shows it.
    """
    return f"{text[0].upper()}{text[1:]}."


def standing_sentences(found: Standings, *, ascii_only: bool = False) -> list[str]:
    """How both passes stood, and what that tells: feedback and output impedance, each nearest to 1 kHz.

    Parameters
    ----------
    found : Standings
        From `analysis.compare.compare_standings`.
    ascii_only : bool
        For a terminal.
    """
    told = [
        f"{found.before} with {standing_text(found.stood_before)}, {found.after} with "
        f"{standing_text(found.stood_after)}"
    ]
    for point in dict.fromkeys(one.measurand.point for one in found.feedback):
        one = nearest_to_midband([each for each in found.feedback if each.measurand.point == point])
        told += [_feedback_text(one)] if one else []
    for parts in dict.fromkeys(one.parts for one in found.impedance):
        one = nearest_to_midband([each for each in found.impedance if each.parts == parts])
        told += [_impedance_text(one)] if one else []
    return [text.translate(TO_ASCII) for text in told] if ascii_only else told


def _feedback_text(one: Found) -> str:
    value = with_uncertainty(one.value, (one.most - one.least) / 4.0, "dB")
    text = f"feedback through {' and '.join(one.parts)}: {value} at {_frequency(one)}, {_healthy(one)}"
    if abs(one.load_db) < TELLS_DB:
        return text
    them, their = ("it", "its") if len(one.parts) == 1 else ("them", "their")
    load_db = with_uncertainty(one.load_db, 0.05, "dB").partition(" ")[0]
    return f"{text}; lifting {them} took {their} load along too, by the model {load_db} dB, which is left out here"


def _impedance_text(one: Found) -> str:
    point = one.measurand.points[-1]
    least, most = (format_value(ohm, "ohm", 2) for ohm in (one.least, one.most))
    rated = format_value(one.rated_ohm, "ohm")
    if math.isfinite(one.most) and one.least > 0.0:
        told = f"{format_value(one.value, 'ohm', 2)} ({least} to {most}, 95 %)"
        damping = f"damping factor {one.rated_ohm / one.value:.2g} at {rated}"
    elif math.isfinite(one.most):
        told, damping = f"below {most}", f"damping factor above {one.rated_ohm / one.most:.2g} at {rated}"
    elif one.least > 0.0:
        told, damping = f"above {least}", f"damping factor below {one.rated_ohm / one.least:.2g} at {rated}"
    else:
        return f"output impedance at {point}: the readings cannot tell it; loads further apart tell more"
    return f"output impedance at {point}: {told} at {_frequency(one)}, {_healthy(one)}; {damping}"


def _healthy(one: Found) -> str:
    verdict = {"low": "less than healthy", "high": "more than healthy", "unclear": "cannot tell"}
    if math.isnan(one.rated_ohm):  # feedback
        band = band_text(one.low, one.high, (one.most - one.least) / 4.0, "dB")
    else:
        band = " to ".join(format_value(ohm, "ohm", 2) for ohm in (one.low, one.high))
    return f"healthy {band}: {verdict.get(one.verdict, one.verdict)}"


def _frequency(one: Found) -> str:
    return frequency_text(one.measurand.freq_hz or DEFAULT_FREQ_HZ)
