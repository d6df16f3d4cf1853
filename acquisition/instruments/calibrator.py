"""The square wave of the scope's own calibrator, as each probe shows it."""

from __future__ import annotations

from collections.abc import Sequence

from ..errors import CommandRefused, InstrumentReported, MeasurementError
from ..records import Capture
from .scope import Scope
from .scope_settings import Channel, Timebase, Trigger

POINT = "calibrator"
SPAN_S = 4e-3
"""Four periods of the usual 1 kHz, and enough of one from 300 Hz on."""
POINTS = 4000
FIRST_V, WANTED_FILL, SMALLEST_FILL = 8.0, 0.7, 0.4
MOST_TRIES = 6
PATIENCE_S = 1.0


def record_calibrator(scope: Scope, channels: Sequence[int], probe_factor: float) -> tuple[Capture, ...]:
    """Take one record a channel, each on a range that the wave fills.

    Parameters
    ----------
    scope : Scope
        Open.
    channels : sequence of int
        Counted from 1, the probe of each on the calibrator's terminal.
    probe_factor : float
        What the probes are said to divide by.

    Returns
    -------
    tuple of Capture
        One a channel, coupled directly and with the full bandwidth; of a probe that is not there it holds noise.

    Raises
    ------
    MeasurementError
        The scope gives no record.
    """
    scope.set_timebase(Timebase(span_s=SPAN_S, points=POINTS))
    return tuple(_record(scope, channel, probe_factor) for channel in channels)


def _record(scope: Scope, channel: int, probe_factor: float) -> Capture:
    full_scale_v, centre_v = FIRST_V, 0.0
    found: Capture | None = None
    for _ in range(MOST_TRIES):
        try:
            actual = scope.set_channel(
                Channel(channel=channel, full_scale_v=full_scale_v, centre_v=centre_v, probe_factor=probe_factor)
            )
        except (InstrumentReported, CommandRefused):
            if found is not None:  # it has no finer range: the last record stands
                return found
            raise
        scope.set_trigger(Trigger(source=f"ch{channel}", level_v=centre_v))
        scope.single(SPAN_S + PATIENCE_S, expected_s=SPAN_S, may_force=True)
        found = scope.fetch(channel, POINT)
        low_v, high_v = float(found.volts.min()), float(found.volts.max())
        size_v = high_v - low_v
        if found.clipped:
            full_scale_v = 2.5 * actual.full_scale_v
        elif size_v < SMALLEST_FILL * actual.full_scale_v:
            # A few steps of the converter say little of the size, so the range falls by no more than ten at once.
            full_scale_v, centre_v = max(size_v / WANTED_FILL, 0.1 * actual.full_scale_v), 0.5 * (low_v + high_v)
        else:
            return found
    if found is None:
        raise MeasurementError(f"channel {channel} gives no record", hint="look at the scope's screen")
    return found
