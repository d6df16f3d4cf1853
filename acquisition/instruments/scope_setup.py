"""How the scope was set before a run, and setting it like that again: it is somebody's instrument."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..errors import CommandRefused, InstrumentReported, ReplyMalformed
from .dialect import ScopeRules, Setting
from .scope import Scope
from .session import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class ScopeSetup:
    """Settings of a scope as it answered.

    Parameters
    ----------
    values : tuple
        Setting, channel (0 where it has none) and the value read, in the order in which they are set again.
    """

    values: tuple[tuple[Setting, int, float | bool | str], ...]


def read_setup(scope: Scope, channels: Sequence[int]) -> ScopeSetup:
    """Ask a scope how it is set.

    Parameters
    ----------
    scope : Scope
        Open.
    channels : sequence of int
        Those that are going to be changed.

    Returns
    -------
    ScopeSetup
        What has no answer, or one that the dialect does not know, is left out.
    """
    session = scope.session
    values = []
    for setting, channel in _settings(session, channels):
        try:
            values.append((setting, channel, session.get(setting, channel)))
        except (CommandRefused, ReplyMalformed):
            continue
    return ScopeSetup(values=tuple(values))


def restore_setup(scope: Scope, setup: ScopeSetup) -> list[str]:
    """Set a scope as it was.

    Parameters
    ----------
    scope : Scope
        Open.
    setup : ScopeSetup
        From `read_setup`.

    Returns
    -------
    list of str
        What could not be set again, in words.

    Raises
    ------
    TransportError
        The link is gone.
    """
    session = scope.session
    left = []
    for setting, channel, value in setup.values:
        try:
            session.put(setting, value, channel)
        except (CommandRefused, ReplyMalformed) as error:
            left.append(str(error))
    try:
        session.check_errors("while it was set as it was before")
    except InstrumentReported as error:
        left.append(str(error))
    return left


def _settings(session: Session, channels: Sequence[int]) -> Iterator[tuple[Setting, int]]:
    rules = session.dialect.scope
    assert isinstance(rules, ScopeRules)  # noqa: S101  a scope dialect has them
    for channel in channels:
        # The probe's factor first, since scale and offset mean volts at the tip; shown last.
        each = rules.channel
        for setting in (each.probe, each.coupling, each.limit, each.scale, each.offset, each.shown):
            if setting is not None:
                yield setting, channel
    for setting in (rules.timebase.scale, rules.timebase.position, rules.timebase.points):
        yield setting, 0
    for setting in (rules.trigger.source, rules.trigger.slope, rules.trigger.level):
        yield setting, 0
