"""One changed reading as a row of text, for the report and the page."""

from __future__ import annotations

from ..compare import AGREES, NOT_EXPLAINED, UNCHANGED, UNTRIED, Change
from .words import to_its_uncertainty, with_uncertainty

SHORT = {AGREES: ("✓", "agrees"), NOT_EXPLAINED: ("!", "not explained"), UNTRIED: ("•", "changed"),
          UNCHANGED: ("=", "no change")}  # fmt: skip
"""Sign and short words of each verdict."""


def change_row(name: str, change: Change) -> dict[str, str]:
    """What one reading was, is, and what becomes of the difference, each to the digit that its uncertainty allows.

    Parameters
    ----------
    name : str
        What was read, as it is called there.
    change : Change
        Of a comparison.

    Returns
    -------
    dict of str to str
        ``what``, ``before``, ``after``, ``change``, ``predicted``, ``sign``, ``verdict`` and ``direction``.
    """
    quantity = change.measurand.quantity
    sign, verdict = SHORT[change.verdict]
    predicted = (
        "" if change.predicted is None else to_its_uncertainty(change.predicted, change.change_std, quantity)
    )
    return {
        "what": name,
        "before": to_its_uncertainty(change.before, change.before_std, quantity),
        "after": to_its_uncertainty(change.after, change.after_std, quantity),
        "change": with_uncertainty(change.change, change.change_std, quantity).removeprefix("×"),
        "predicted": predicted.removeprefix("×"),
        "sign": "≈" if change.trend else sign,
        "verdict": "a trend only" if change.trend else verdict,
        "direction": change.moved,
    }
