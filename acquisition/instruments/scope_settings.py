"""What a scope can be set to, and what it says that it is set to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .dialect import ScopeRules
from .session import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A channel as the scope says it is set.

    Parameters
    ----------
    channel : int
        Counted from 1.
    full_scale_v, centre_v : float
        Height of the screen and the voltage in its middle, in volts at the tip.
    coupling : str
        ``dc`` or ``ac``.
    probe_factor : float
        10 for x10.
    is_limited : bool
        Bandwidth limit on.
    """

    channel: int
    full_scale_v: float
    centre_v: float = 0.0
    coupling: Literal["dc", "ac"] = "dc"
    probe_factor: float = 10.0
    is_limited: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Timebase:
    """The time axis as the scope says it is set.

    Parameters
    ----------
    span_s : float
        Width of the screen in seconds.
    centre_s : float
        Time of its middle against the trigger, in seconds.
    points : int
        Samples of a record, as far as the scope says.
    """

    span_s: float
    centre_s: float = 0.0
    points: int = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """An edge trigger.

    Parameters
    ----------
    source : str
        ``ch1`` and so on, or ``external``.
    level_v : float
        In volts at the tip.
    slope : str
        ``rising`` or ``falling``.
    """

    source: str
    level_v: float = 0.0
    slope: Literal["rising", "falling"] = "rising"


def put_channel(session: Session, scope: ScopeRules, wanted: Channel) -> Channel:
    """Show a channel, set it, and read back what the scope made of it.

    Parameters
    ----------
    session : Session
        With the scope.
    scope : ScopeRules
        Of its dialect.
    wanted : Channel
        What is wanted.

    Raises
    ------
    CommandRefused
        The scope made something else of it.
    """
    rules, number = scope.channel, wanted.channel
    session.put(rules.shown, True, number)
    # The factor first: scale and offset mean volts at the tip.
    factor = wanted.probe_factor
    told = float(session.put(rules.probe, 1.0 / factor if rules.probe.means == "gain" else factor, number))
    session.put(rules.coupling, wanted.coupling, number)
    if rules.invert is not None:
        session.put(rules.invert, False, number)
    if rules.limit is not None:
        is_word = rules.limit.form == "word"
        session.put(rules.limit, ("on" if wanted.is_limited else "off") if is_word else wanted.is_limited, number)
    division_v = float(session.put(rules.scale, wanted.full_scale_v / scope.vertical_divisions, number))
    sign = -1.0 if rules.offset.means == "shift" else 1.0
    centre_v = sign * float(session.put(rules.offset, sign * wanted.centre_v, number))
    return Channel(
        channel=number,
        full_scale_v=division_v * scope.vertical_divisions,
        centre_v=centre_v,
        coupling=wanted.coupling,
        probe_factor=1.0 / told if rules.probe.means == "gain" else told,
        is_limited=wanted.is_limited and rules.limit is not None,
    )


def put_timebase(session: Session, scope: ScopeRules, wanted: Timebase) -> Timebase:
    """Set the time axis and read it back; see `put_channel`.

    Parameters
    ----------
    session : Session
        With the scope.
    scope : ScopeRules
        Of its dialect.
    wanted : Timebase
        What is wanted.
    """
    rules = scope.timebase
    division_s = float(session.put(rules.scale, wanted.span_s / scope.horizontal_divisions))
    centre_s = float(session.put(rules.position, wanted.centre_s))
    points = int(float(session.put(rules.points, float(wanted.points))))
    return Timebase(span_s=division_s * scope.horizontal_divisions, centre_s=centre_s, points=points)


def put_trigger(session: Session, scope: ScopeRules, wanted: Trigger) -> Trigger:
    """Set the trigger and read it back; see `put_channel`.

    Parameters
    ----------
    session : Session
        With the scope.
    scope : ScopeRules
        Of its dialect.
    wanted : Trigger
        What is wanted.
    """
    rules = scope.trigger
    session.put(rules.source, wanted.source)
    session.put(rules.slope, wanted.slope)
    level_v = float(session.put(rules.level, wanted.level_v))
    return Trigger(source=wanted.source, level_v=level_v, slope=wanted.slope)
