"""What somebody chose before the first point: the start form of the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from analysis.app.jobs import mains_from, pass_so_far, pulled_in
from analysis.app.replaced import require_unread
from analysis.app.standing import stands_by_name

from .noting import changed_before

if TYPE_CHECKING:
    from acquisition.records import Event

    from .in_hand import PassInHand


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What the survey is to begin with.

    Parameters
    ----------
    name : str
        The pass: one that was begun, or a new one.
    mains_v : float or None
        Mains now; None where they are not known.
    changed : tuple of Event
        Parts and tubes changed before it.
    out : tuple of str
        What is out of circuit.
    glow, anew, follow : bool
        Every tube glows; read again what was read; go by the advice.
    """

    name: str
    mains_v: float | None
    changed: tuple[Event, ...]
    out: tuple[str, ...]
    glow: bool
    anew: bool
    follow: bool


def chosen(hand: PassInHand, body: Mapping[str, Any]) -> Choice:
    """Read the form.

    Parameters
    ----------
    hand : PassInHand
        The pass in hand.
    body : mapping
        From the page; without ``pass`` the one in hand is gone on with.

    Raises
    ------
    UsageError
        Something in it is not there, or does not belong to that pass.
    """
    chassis, name = hand.chassis, str(body.get("pass", hand.name)).strip()
    if not name:
        raise click.UsageError(f"Name the pass: a new name begins another, {hand.name} goes on with that.")
    changed = changed_before(chassis, body.get("changed"))
    out = pulled_in(hand.job, name, stands_by_name(chassis, str(body.get("pulled") or "")))
    require_unread(pass_so_far(hand.job, name), changed)
    return Choice(
        name=name,
        mains_v=mains_from(str(body.get("mains_v") or ""), chassis.mains_v),
        changed=changed,
        out=out,
        glow=bool(body.get("glow")),
        anew=bool(body.get("anew")),
        follow=bool(body.get("follow")),
    )
