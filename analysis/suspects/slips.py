"""Readings as they stand against the same readings with a slip put right: which way are they meant?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ..inference.data import Data, Weighed
from .artefacts import Artefact
from .weighing import mixed

SLIP = "artefact: "
"""How a fault begins that is none of the chassis."""

SIGN = "sign"
"""The slip of a forgotten minus and of exchanged leads."""

LISTED = 0.002
"""Probability from which a suspect is listed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Understood:
    """Readings as they are most likely meant, and what they say.

    Parameters
    ----------
    data : Data
        As they stand, or with the likeliest slip put right.
    weighed : Weighed
        Posterior of all hypotheses, over both ways to understand the readings.
    notes : tuple of str
        What to tell of it.
    listed : tuple of (Artefact, float)
        Slips worth listing, with their probability.
    """

    data: Data
    weighed: Weighed
    notes: tuple[str, ...]
    listed: tuple[tuple[Artefact, float], ...]


def weigh_slips(
    data: Data,
    weighed: Weighed,
    doubt: str,
    slips: Sequence[Artefact],
    again: Callable[[Data], tuple[Weighed, str]],
) -> Understood:
    """Weigh the readings as they stand against the same with the most promising slip put right, or a sign.

    Parameters
    ----------
    data, weighed, doubt : Data, Weighed, str
        The readings as they stand, their posterior, and what is to be said where no single fault explains them.
    slips : sequence of Artefact
        From `artefacts`.
    again : callable
        Posterior of other readings, and what is to be said of them.

    Notes
    -----
    Each way is worth the evidence of all hypotheses together, so that a slip beside a fault shows as both. Other
    slips at the same points share its chance by what they gain a chassis with nothing wrong.
    """
    plain = Understood(data=data, weighed=weighed, notes=(doubt,) if doubt else (), listed=())
    if not slips or slips[0].log_gain <= 0.0:
        return plain
    # Of the wrong side of the chassis no part may be guilty: what the leading fault gains elsewhere hides no sign.
    turned = [slip for slip in slips if slip.name == SIGN and slip.log_gain > 0.0]
    ways = [(slip, *again(slip.right)) for slip in dict.fromkeys((slips[0], *turned[:1]))]
    first, other, doubt_then = max(ways, key=lambda way: way[0].log_chance + way[1].log_total)
    chance = 1.0 / (1.0 + math.exp(min(weighed.log_total - first.log_chance - other.log_total, 700.0)))
    if chance <= LISTED:
        return plain
    rivals = [slip for slip in slips if slip.point == first.point]
    shares = [math.exp(slip.log_gain - first.log_gain) for slip in rivals]
    each = [(slip, chance * share / sum(shares)) for slip, share in zip(rivals, shares, strict=True)]
    listed = tuple((slip, own) for slip, own in each if own > LISTED)
    if chance < 0.5:
        return replace(plain, weighed=mixed(weighed, other, 1.0 - chance), listed=listed)
    meant = "put right" if len(first.right.readings) == len(data.readings) else "left out"
    notes = (f"{meant} in what follows: {first.point}", *((doubt_then,) if doubt_then else ()))
    return Understood(data=first.right, weighed=mixed(other, weighed, chance), notes=notes, listed=listed)
