"""What somebody may have turned at a scope by hand since it was set, so that no record passes for another."""

from __future__ import annotations

import math
from collections.abc import Mapping

from ..errors import RecordVoid
from .dialect import ScopeRules
from .dialect_parts import Setting
from .scope_settings import Channel, Timebase, Trigger
from .session import Session

_SAME = 1e-3
"""Relative difference of a number read back twice."""


def require_unturned(
    session: Session,
    scope: ScopeRules,
    channels: Mapping[int, Channel],
    trigger: Trigger | None,
    timebase: Timebase | None,
    *,
    failed: bool = False,
) -> None:
    """Refuse a record of a scope that is set otherwise than it was.

    Parameters
    ----------
    session : Session
        With the scope.
    scope : ScopeRules
        Of its dialect.
    channels : mapping of int to Channel
        As they were set.
    trigger : Trigger, optional
        As it was set.
    timebase : Timebase, optional
        As it was set.
    failed : bool
        The record did not come: all is asked on which that hangs.

    Raises
    ------
    RecordVoid
        Somebody turned a knob. The link is dropped where that says nothing of the probe, so that the next question
        sets everything again.
    """
    if turned := _rescaled(session, scope, channels):
        raise RecordVoid(
            turned, hint="somebody turned a knob: set the channel again, and look at the switch on the probe"
        )
    # Only what is held against other shots, on the sync, needs the same trigger.
    if trigger is not None and (failed or trigger.source == "external"):
        turned = _retriggered(session, scope, trigger)
    if failed and not turned and timebase is not None:
        turned = _retimed(session, scope, timebase)
    if turned:
        session.drop()
        raise RecordVoid(
            f"somebody turned a knob of the scope: {turned}",
            hint="all is set again by the next question: take the record again",
        )


def _told(session: Session, setting: Setting, given: float | bool | str, channel: int = 0) -> float | bool | str:
    """What the scope says now; what it was given where its dialect has no question for it."""
    return given if setting.ask is None else session.get(setting, channel)


def _rescaled(session: Session, scope: ScopeRules, channels: Mapping[int, Channel]) -> str:
    """Tell of another factor of a probe, another coupling or sign: what the volts of a record mean."""
    rules = scope.channel
    for number, channel in channels.items():
        is_gain = rules.probe.means == "gain"
        given = 1.0 / channel.probe_factor if is_gain else channel.probe_factor
        told = float(_told(session, rules.probe, given, number))
        factor = 1.0 / told if is_gain else told
        coupling = _told(session, rules.coupling, channel.coupling, number)
        if not math.isclose(factor, channel.probe_factor, rel_tol=_SAME) or coupling != channel.coupling:
            return (
                f"channel {number} was set to x{channel.probe_factor:g} {channel.coupling}, "
                f"but the scope says x{factor:g} {coupling}"
            )
        if rules.invert is not None and _told(session, rules.invert, False, number):
            return f"channel {number} was set upright, but the scope says that it is inverted"
    return ""


def _retriggered(session: Session, scope: ScopeRules, trigger: Trigger) -> str:
    """Tell of a trigger on something else: the phase of a record is against it."""
    source = _told(session, scope.trigger.source, trigger.source)
    slope = _told(session, scope.trigger.slope, trigger.slope)
    if (source, slope) == (trigger.source, trigger.slope):
        return ""
    return f"it triggers on {source}, {slope}, and was set to {trigger.source}, {trigger.slope}"


def _retimed(session: Session, scope: ScopeRules, timebase: Timebase) -> str:
    """Tell of another time base: the record comes much later than it is due."""
    set_s = timebase.span_s / scope.horizontal_divisions
    division_s = float(_told(session, scope.timebase.scale, set_s))
    if math.isclose(division_s, set_s, rel_tol=_SAME):
        return ""
    return f"its time base is {division_s:g} s a division, and was set to {set_s:g} s"
