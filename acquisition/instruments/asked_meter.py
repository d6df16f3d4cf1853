"""A meter that measures when asked."""

from __future__ import annotations

import math

from ..errors import (
    OverRange,
    ReplyMalformed,
)
from ..scpi import parse_number
from .bench import MeterEntry
from .dialect import AskingMeter
from .dialect_parts import Setting
from .meter_role import Meter
from .samples import Sample
from .session import Session

KEPT_S = 1.0
"""Settings that hands seldom change are looked at as often as this, in seconds: each question takes its time."""


class AskedMeter(Meter):
    """A meter that measures when asked.

    Parameters
    ----------
    session : Session
        Open.
    entry : MeterEntry
        From the bench file.
    mains_hz : float
        For the length of a conversion.
    """

    def __init__(self, session: Session, entry: MeterEntry, mains_hz: float) -> None:
        super().__init__(entry)
        rules = session.dialect.meter
        assert isinstance(rules, AskingMeter)  # noqa: S101  open_meter looks at the mode
        self._rules = rules
        self.session = session
        self._mains_hz = mains_hz
        self._wanted: tuple[float | None, float] | None = None
        self._kept: list[tuple[Setting, float | bool | str]] = []  # with what it said when they were set
        self._looked_s = 0.0
        self._resolutions: dict[float, float] = {}
        self._relative: list[Setting] | None = None  # which of the dialect's questions it knows, once tried
        self.identity = str(session.identity)
        self.rate_hz = mains_hz / (2.0 * entry.nplc)
        session.apply_wanted = self._apply

    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        self.session.ready()  # so that a mended link does not apply the new settings twice
        self._wanted = (range_v, nplc)
        self._apply()
        if self._relative is None:
            known = [query for query in self._rules.relative if self.session.knows(query)]
            self._relative = [Setting(ask=query, form="switch") for query in known]
        self._looked_s = self.session.clock.monotonic_s()

    def _apply(self) -> None:
        if self._wanted is None:
            return
        range_v, nplc = self._wanted
        session, settings = self.session, self._rules.settings
        for command in self._rules.setup:
            session.send(command)
        session.put(self._rules.function)
        self._kept = [
            (setting, session.put(setting, value))
            for setting, value in ((settings.input, False), (settings.nplc, nplc))
            if setting is not None
        ]
        if range_v is None:
            session.put(settings.autorange, True)
        else:
            session.put(settings.range, range_v)
        session.check_errors("while it was set to DC volts")
        self._resolutions.clear()
        self.rate_hz = self._mains_hz / (2.0 * nplc)

    def deadline_s(self) -> float:
        """Longest time a reading can take with the settings in force, in seconds.

        Integration over ``nplc`` mains periods, twice for the automatic zero, two conversions more for autorange,
        and the margin of the dialect, half a second.
        """
        range_v, nplc = self._wanted or (None, 1.0)
        conversion_s = 2.0 * nplc / self._mains_hz
        return conversion_s * (3.0 if range_v is None else 1.0) + self.session.dialect.link.margin_s

    def _next(self) -> Sample:
        session, rules = self.session, self._rules
        session.ready()
        mended = len(session.gaps)
        text = session.ask(rules.read, self.deadline_s())
        t_s = session.clock.monotonic_s()
        if not self._is_volts():
            # Another function, or answers one step late, which look the same for ever: get in step before the next.
            if session.link is not None:
                session.link.dirty = True
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset({"wrong_function"}))
        if self._was_turned(t_s):
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset({"turned"}))
        value_v, flags = self._value(text)
        # Null may be pressed at any time: the number is then what was there less what was there before.
        if any([session.get(setting) for setting in self._relative or ()]):
            flags.add("relative")
        if self._chooses_range("overload" in flags):
            flags.add("auto")
        # Off and on since the last question, and on another function or input resistance until it is set again.
        session.require_settings()
        # Range and resolution after all that is answered by 0: sent again before both questions for the reading, it
        # would be 0 V.
        range_v = self._confirmed(rules.range_ask)
        if not 0 < range_v < 1e5:
            raise session.malformed(f"{range_v:g}", "a range in volts")
        resolution_v = self._resolution_v(range_v)
        if rules.again is not None and (again := session.ask(rules.again)) != text:
            # Asked last: function and range between the two belong to this reading, or all is void.
            raise session.malformed(again, f"the same reading again, {text}")
        if len(session.gaps) != mended:
            raise session.malformed(text, "a reading with nothing left over: it may be the one before, sent twice")
        if abs(value_v) > 1.3 * range_v and "relative" not in flags:
            raise session.malformed(text, f"a reading within the range of {range_v:g} V")
        return Sample(t_s=t_s, value_v=value_v, resolution_v=resolution_v, range_v=range_v, flags=frozenset(flags))

    def _value(self, text: str) -> tuple[float, set[str]]:
        """Take a reading as it came: its volts, or why it has none."""
        try:
            value_v = parse_number(text)
        except OverRange:
            return math.nan, {"overload", "negative"} if text.startswith("-") else {"overload"}
        except ReplyMalformed:
            raise self.session.malformed(text, "a reading") from None
        return value_v, {"no_value"} if math.isnan(value_v) else set()

    def _chooses_range(self, overloaded: bool) -> bool:
        """Whether it is on autorange; in overload it is asked, for a range key pressed by hand ends that."""
        autorange = self._rules.settings.autorange
        if self._wanted is not None and self._wanted[0] is not None:
            return False
        return not overloaded or autorange.ask is None or bool(self.session.get(autorange))

    def _is_volts(self) -> bool:
        """Read the function back: somebody may have turned the knob."""
        return str(self.session.get(self._rules.function)) in {name.upper() for name in self._rules.function.accept}

    def _was_turned(self, now_s: float) -> bool:
        """Look now and then at what hands seldom change, and set it again."""
        if now_s - self._looked_s < KEPT_S:
            return False
        self._looked_s = now_s
        turned = [
            (setting, given)
            for setting, given in self._kept
            if setting.ask is not None and self.session.get(setting) != given
        ]
        if turned:
            self.session.require_settings()  # off and on, no hand turned them, and more than these is lost
        for setting, given in turned:
            self.session.put(setting, given)
            self._resolutions.clear()
        return bool(turned)

    def _confirmed(self, query: str) -> float:
        """Ask for a number twice, because an answer can be damaged or belong to an earlier question."""
        number = self.session.ask_number(query)
        if (again := self.session.ask_number(query)) != number:
            raise self.session.malformed(f"{again:g}", f"the same answer to {query} again, {number:g}")
        return number

    def _resolution_v(self, range_v: float) -> float:
        if self._rules.counts is not None:
            return range_v / self._rules.counts
        assert self._rules.resolution_ask is not None  # noqa: S101  the dialect model wants one of the two
        if range_v not in self._resolutions:
            resolution_v = self._confirmed(self._rules.resolution_ask)
            if not 0 < resolution_v <= range_v:
                raise self.session.malformed(f"{resolution_v:g}", f"a resolution within {range_v:g} V")
            self._resolutions[range_v] = resolution_v
        return self._resolutions[range_v]

    def close(self) -> None:
        self.session.close()
