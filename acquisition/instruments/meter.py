"""Opens the meter of a bench, whichever kind it is."""

from __future__ import annotations

from ..clock import Clock
from ..errors import (
    AcquisitionError,
    InstrumentNotFound,
)
from .asked_meter import AskedMeter
from .bench import Bench
from .dialect import StreamingMeter
from .meter_role import Meter
from .session import open_session
from .streamed_meter import StreamedMeter


def open_meter(bench: Bench, *, clock: Clock | None = None) -> Meter:
    """Open the meter of a bench and make sure that it is one.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        No meter in the bench file, nothing at its address, or another instrument.
    """
    entry = bench.meter
    if entry is None:
        raise InstrumentNotFound("the bench file has no meter", hint="add a meter to the bench file", tried={})
    session = open_session(bench, entry, clock)
    if isinstance(session.dialect.meter, StreamingMeter):
        streamed = StreamedMeter(session, entry)
        try:
            streamed._next()
        except AcquisitionError as error:
            session.close()
            reason = str(error).removeprefix(f"{entry.resource}: ")
            raise InstrumentNotFound(
                f"{entry.resource}: no meter of this kind: {reason}",
                hint=error.hint,
                tried={entry.resource: reason},
            ) from error
        return streamed
    meter = AskedMeter(session, entry, float(bench.mains_hz))
    try:
        meter.configure_dc(nplc=entry.nplc)
    except BaseException:
        session.close()
        raise
    return meter
