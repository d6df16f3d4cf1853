"""A meter that sends a line for each conversion, unasked.

A line tells no time, so it is stamped when it arrives. That is right within two conversions when program or line
stalls, and within a second when both do: a line that waited is dropped for a newer one, and after a pause half a
conversion is allowed for the rest of what was held up.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager

from ..errors import (
    CommandRefused,
    ReplyMalformed,
    TransportError,
    TransportTimeout,
)
from ..scpi import decode_reply, parse_number
from ..transport import Link
from .bench import MeterEntry
from .dialect import StreamingMeter
from .meter_role import BAD_IN_A_ROW, Meter
from .samples import Sample
from .session import Session

LONGEST_FRAME = 200
FITS_HINT = "does the dialect fit the meter? are baud rate, bits and parity right?"


class StreamedMeter(Meter):
    """A meter that sends a line for each conversion, unasked.

    Parameters
    ----------
    session : Session
        Open, of a dialect that streams.
    entry : MeterEntry
        From the bench file.
    """

    def __init__(self, session: Session, entry: MeterEntry) -> None:
        super().__init__(entry)
        rules = session.dialect.meter
        assert isinstance(rules, StreamingMeter)  # noqa: S101  open_meter looks at the mode
        self._rules = rules
        self.session = session
        self._frame = re.compile(rules.frame)
        self._heard_s = -math.inf
        self.rate_hz = rules.rate_hz
        self.identity = f"{session.dialect.dialect} at {entry.resource}"
        self.damaged = 0

    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        """Check that the meter is on DC volts; nothing can be set over this link.

        Parameters
        ----------
        range_v, nplc
            Only as they are.

        Raises
        ------
        CommandRefused
            A range is asked for, or the meter is on another function.
        """
        if range_v is not None:
            raise CommandRefused(
                "this meter chooses its range at its own knob", hint="set the range on the meter, or use autorange"
            )
        if "wrong_function" in self._next().flags:
            raise CommandRefused("the meter is not set to DC volts", hint="turn its knob to DC volts")

    def _link(self) -> Link:
        session = self.session
        link = session.link
        quiet_s = session.clock.monotonic_s() - self._heard_s
        if link is None:
            link = session.ready()
        elif not link.dirty and quiet_s <= max(1.0, 2.0 / self.rate_hz):
            return link
        # What lies in the buffers is old, and what comes first may be the tail of a line. A full buffer even loses
        # the newest lines, so the last of it is not good either.
        link.dirty = False
        with self._losing(link):
            link.read_newest(0.0, self._end)
            link.read_line(self._silence_s(), self._end)
        return link

    @contextmanager
    def _losing(self, link: Link) -> Iterator[None]:
        """Drop the link where no line comes, and say what can be the matter with a meter that only sends."""
        silence_s = self._silence_s()
        try:
            yield
        except TransportTimeout as error:
            self.session.drop()
            heard = error.received[:60]
            raise TransportTimeout(
                f"{link.resource}: no line of the meter within {silence_s:.3g} s, only {heard!r}"
                if heard
                else f"{link.resource}: the meter is silent for {silence_s:.3g} s",
                hint=FITS_HINT if heard else "switched off, asleep, its output not switched on, or the cable out?",
                resource=link.resource,
                timeout_s=silence_s,
                received=error.received,
            ) from error
        except TransportError:
            self.session.drop()
            raise

    @property
    def _end(self) -> bytes:
        return self.session.dialect.link.read_end

    def _silence_s(self) -> float:
        return max(1.0, 4.0 / self.rate_hz)

    def _next(self) -> Sample:
        bad: list[bytes] = []
        pending, seen = "", 0
        while True:
            link = self._link()
            with self._losing(link):
                raw = link.read_line(self._silence_s(), self._end, LONGEST_FRAME)
                t_s = self.session.clock.monotonic_s()
                paused = t_s - self._heard_s > 1.5 / self.rate_hz
                newer = link.read_newest(0.5 / self.rate_hz if paused else 0.0, self._end)
            is_twin = newer == raw  # where each line is sent twice, both come in one piece
            if newer:
                t_s = self.session.clock.monotonic_s()
                if not is_twin:
                    raw, pending, seen = newer, "", 0
            self._heard_s = t_s
            text = decode_reply(raw)
            match = self._frame.fullmatch(text)
            if match is None or not raw.endswith(self.session.dialect.link.write_end):
                self.damaged += 1
                bad.append(raw)
                pending, seen = "", 0
                if len(bad) >= BAD_IN_A_ROW:
                    link.dirty = True
                    raise ReplyMalformed(
                        f"{link.resource}: {len(bad)} lines in a row are not frames of this meter: {raw[:60]!r}",
                        hint=FITS_HINT,
                        raw=raw,
                        expected=self._rules.frame,
                    )
                continue
            if text != pending:
                if seen:
                    self.damaged += 1  # a frame whose twin did not come
                pending, seen = text, 0
            seen += 1 + is_twin
            if seen >= self._rules.repeats:
                return self._sample(t_s, match)

    def _sample(self, t_s: float, match: re.Match[str]) -> Sample:
        rules = self._rules
        shown = match["value"].replace(" ", "")
        flags = {rules.flags.get(word, "") for word in match["flags"].split()} - {""}
        unknown = [word for word in match["flags"].split() if word not in rules.flags]
        if unknown:
            raise ReplyMalformed(
                f"the meter shows {' '.join(unknown)}, which its dialect does not know",
                hint="add the flag to the dialect file",
                raw=match.string.encode("latin-1"),
                expected=" ".join(rules.flags),
            )
        unit = match["unit"].strip()
        if match["coupling"] != rules.coupling or unit not in rules.units:
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset(flags | {"wrong_function"}))
        unit_v = rules.units[unit]
        if shown.lstrip("+-") in rules.overload:
            flags |= {"overload", "negative"} if shown.startswith("-") else {"overload"}
            return Sample(t_s=t_s, value_v=math.nan, flags=frozenset(flags))
        decimals = len(shown.partition(".")[2])
        resolution_v = unit_v * 10.0**-decimals
        number = parse_number(shown)
        if abs(number) * 10.0**decimals > rules.counts * 1.001:
            # No check sum guards a frame: a digit turned over on the line shows only where no such digit can be.
            raise ReplyMalformed(
                f"the meter cannot show {shown}: it counts to {rules.counts}",
                hint="one frame was damaged on the line; if it happens again, check cable, lead and optical head",
                raw=match.string.encode("latin-1"),
                expected=f"at most {rules.counts} counts",
            )
        return Sample(
            t_s=t_s,
            value_v=round(number * unit_v, 12),
            resolution_v=resolution_v,
            range_v=round(rules.counts * resolution_v, 12),
            flags=frozenset(flags),
        )

    def close(self) -> None:
        self.session.close()
