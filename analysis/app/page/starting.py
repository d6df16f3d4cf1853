"""What somebody chose before the first point: the start form of the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from analysis.app.jobs import mains_from, pass_so_far, pulled_in
from analysis.app.replaced import out_by_name

from .noting import changed_before

if TYPE_CHECKING:
    from acquisition.records import Event, Pass

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
        The pass in hand, which is gone on with where no other is named.
    body : mapping
        From the page.

    Raises
    ------
    UsageError
        Something in it is not there, or does not belong to that pass.
    """
    chassis, name = hand.chassis, str(body.get("pass") or "").strip() or hand.name
    changed = changed_before(chassis, body.get("changed"))
    out = pulled_in(hand.job, name, out_by_name(chassis, str(body.get("pulled") or "")))
    _require_unread(pass_so_far(hand.job, name), changed)
    return Choice(
        name=name,
        mains_v=mains_from(str(body.get("mains_v") or ""), chassis.mains_v),
        changed=changed,
        out=out,
        glow=bool(body.get("glow")),
        anew=bool(body.get("anew")),
        follow=bool(body.get("follow")),
    )


def _require_unread(one: Pass, changed: Sequence[Event]) -> None:
    """Refuse a change before readings that were taken already: it was made after them."""
    noted = {(event.kind, event.subject) for event in one.events}
    if one.readings and (names := [e.subject for e in changed if (e.kind, e.subject) not in noted]):
        raise click.UsageError(
            f"{one.name} was read before {' and '.join(names)} went in: begin a pass of its own, such as "
            f"after-{names[0]}. What was forgotten is put right under Notes"
        )
