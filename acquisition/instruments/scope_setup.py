"""How the scope was set before a run, and setting it like that again: it is somebody's instrument."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..errors import InstrumentReported, ProtocolError
from ..scpi import fill
from .dialect import ScopeRules
from .dialect_parts import Setting
from .session import Session

Values = tuple[tuple[Setting, int, float | bool | str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScopeSetup:
    """Settings of a scope as it answered.

    Parameters
    ----------
    values : tuple
        Setting, channel (0 where it has none) and the value read, in the order in which they are set again.
    unread : tuple of str
        What it was asked for without an answer that the dialect knows: this cannot be set again.
    is_running : bool
        It was taking records by itself.
    """

    values: Values = ()
    unread: tuple[str, ...] = ()
    is_running: bool = False


def leave_out_unknown(session: Session) -> None:
    """Take out of the dialect what not every scope of the family knows: whether a channel is inverted.

    Parameters
    ----------
    session : Session
        Just opened, its error queue empty.
    """
    rules = _rules(session)
    invert = rules.channel.invert
    if invert is None or invert.ask is None or session.knows(fill(invert.ask, {"channel": 1})):
        return
    channel = rules.channel.model_copy(update={"invert": None})
    update = {"scope": rules.model_copy(update={"channel": channel})}
    session.dialect = session.dialect.model_copy(update=update)


def read_found(session: Session) -> ScopeSetup:
    """Ask a scope for what its set-up for measuring is about to change: acquisition, trigger mode, running or not.

    Parameters
    ----------
    session : Session
        Open; nothing was sent yet.
    """
    rules = _rules(session)
    values, unread = [], []
    for setting in rules.kept:
        try:
            text = session.ask(setting.ask or "").strip('"').upper()
        except ProtocolError as error:
            unread.append(str(error))
            continue
        words = [ours for ours, theirs in setting.words.items() if text in {each.upper() for each in theirs}]
        if words:
            values.append((setting, 0, words[0]))
        else:
            unread.append(f"{setting.ask} gave {text!r}")
    state = rules.run.words.get(session.ask(rules.run.ask).strip('"').upper(), "stopped")
    return ScopeSetup(values=tuple(values), unread=tuple(unread), is_running=state != "stopped")


def read_setup(session: Session, channels: Sequence[int], found: ScopeSetup | None = None) -> ScopeSetup:
    """Ask a scope how it is set.

    Parameters
    ----------
    session : Session
        Open.
    channels : sequence of int
        Those that are going to be changed.
    found : ScopeSetup, optional
        From `read_found`, before it was set up.
    """
    values, unread = [], []
    for setting, channel in _settings(session, channels):
        try:
            values.append((setting, channel, session.get(setting, channel)))
        except ProtocolError as error:  # it may also have no such setting, in the mode it was left in
            unread.append(str(error))
    before = found or ScopeSetup()
    # What the scope is to do by itself comes last, when everything else stands.
    return ScopeSetup(
        values=(*values, *before.values), unread=(*unread, *before.unread), is_running=before.is_running
    )


def restore_setup(session: Session, setup: ScopeSetup) -> list[str]:
    """Set a scope as it was.

    Parameters
    ----------
    session : Session
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
    left = list(setup.unread)
    for setting, channel, value in setup.values:
        try:
            session.put(setting, value, channel)
        except ProtocolError as error:
            left.append(str(error))
    run = _rules(session).run.run
    if setup.is_running and run is not None:
        session.send(run)
    try:
        session.check_errors("while it was set as it was before")
    except InstrumentReported as error:
        left.append(str(error))
    return left


def _rules(session: Session) -> ScopeRules:
    rules = session.dialect.scope
    assert isinstance(rules, ScopeRules)  # noqa: S101  a scope dialect has them
    return rules


def _settings(session: Session, channels: Sequence[int]) -> Iterator[tuple[Setting, int]]:
    rules = _rules(session)
    for channel in channels:
        # The probe's factor first, since scale and offset mean volts at the tip; shown last.
        each = rules.channel
        for setting in (each.probe, each.coupling, each.invert, each.limit, each.scale, each.offset, each.shown):
            if setting is not None:
                yield setting, channel
    for setting in (rules.timebase.scale, rules.timebase.position, rules.timebase.points):
        yield setting, 0
    for setting in (rules.trigger.source, rules.trigger.slope, rules.trigger.level):
        yield setting, 0
