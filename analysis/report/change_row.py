"""One changed reading as a row of text, for the report and the page."""

from __future__ import annotations

from collections.abc import Sequence

from ..compare import AGREES, NOT_EXPLAINED, UNCHANGED, UNTRIED, Change
from .words import measurand_text, to_its_uncertainty, with_uncertainty

SHORT = {AGREES: ("✓", "agrees"), NOT_EXPLAINED: ("!", "not explained"), UNTRIED: ("•", "changed"),
          UNCHANGED: ("=", "no change")}  # fmt: skip
"""Sign and short words of each verdict."""


def change_row(name: str, change: Change, *, ascii_only: bool = False) -> dict[str, str]:
    """What one reading was, is, and what becomes of the difference, each to the digit that its uncertainty allows.

    Parameters
    ----------
    name : str
        What was read, as it is called there.
    change : Change
        Of a comparison.
    ascii_only : bool
        For a terminal: all but the sign.

    Returns
    -------
    dict of str to str
        By the names ``what``, ``before``, ``after``, ``change``, ``predicted``, ``healthy``, ``sign``, ``verdict``
        and ``direction``.
    """
    quantity, times = change.measurand.quantity, "x" if ascii_only else "×"
    sign, verdict = SHORT[change.verdict]

    def rounded(value: float | None, std: float) -> str:
        return "" if value is None else to_its_uncertainty(value, std, quantity, ascii_only=ascii_only)

    difference = with_uncertainty(change.change, change.change_std, quantity, ascii_only=ascii_only)
    return {
        "what": name,
        "before": rounded(change.before, change.before_std),
        "after": rounded(change.after, change.after_std),
        "change": difference.removeprefix(times),
        "predicted": rounded(change.predicted, change.change_std).removeprefix(times),
        "healthy": rounded(change.healthy, change.change_std),
        "sign": "≈" if change.trend else sign,
        "verdict": "a trend only" if change.trend else verdict,
        "direction": change.moved,
    }


def still_out_text(changes: Sequence[Change], *, ascii_only: bool = False) -> str:
    """Readings that did not change and should have: what each is, and on which side of its band.

    Parameters
    ----------
    changes : sequence of Change
        From `Comparison.still_out`.
    ascii_only : bool
        For a terminal.
    """
    return ", ".join(
        f"{measurand_text(c.measurand, later=c.later, ascii_only=ascii_only)} {c.said or c.now}" for c in changes
    )
