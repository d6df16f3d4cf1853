"""What every meter does: DC volts, always with time, range, resolution and flags."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator

from ..clock import Clock
from ..errors import MeasurementError, OverRange, ProtocolError, TransportError
from .accuracy import AccuracyTable
from .bench import MeterEntry
from .samples import Sample
from .session import Session

BAD_IN_A_ROW = 3
"""Damaged frames or failed questions in a row that make a fault."""


class Meter(ABC):
    """A meter on DC volts.

    Attributes
    ----------
    identity : str
        What it says it is; the dialect's words where it cannot be asked.
    input_ohm : float
        Its input resistance in ohms.
    rate_hz : float
        Samples a second to expect.
    session : Session
        The dialogue underneath.
    """

    identity: str
    rate_hz: float
    session: Session

    def __init__(self, entry: MeterEntry) -> None:
        self.input_ohm = entry.input_ohm
        self.accuracy: AccuracyTable = entry.accuracy

    @abstractmethod
    def configure_dc(self, *, range_v: float | None = None, nplc: float = 1.0) -> None:
        """Set the meter to DC volts.

        Parameters
        ----------
        range_v : float, optional
            Highest voltage to be read, in volts; autorange when left out.
        nplc : float
            Integration time in mains periods; whole numbers reject hum.

        Raises
        ------
        CommandRefused
            The meter cannot, or did not take it.
        """

    def stream(self) -> Iterator[Sample]:
        """Give samples for ever.

        Yields
        ------
        Sample
            In order of time. Overload, HOLD and the like come as flagged samples; so does a mended loss of the link
            (flag ``gap``).

        Raises
        ------
        InstrumentNotFound, TransportError, ProtocolError
            The link could not be mended. A new ``stream()`` tries again.
        """
        failed = 0
        while True:
            try:
                sample = self._next()
            except (TransportError, ProtocolError):
                failed += 1
                if failed >= BAD_IN_A_ROW:
                    raise
                yield gap_sample(self.session.clock)
            else:
                failed = 0
                yield sample

    @abstractmethod
    def _next(self) -> Sample:
        """Get one fresh sample."""

    @abstractmethod
    def close(self) -> None:
        """Give the link back."""

    def read(self) -> Sample:
        """Take one reading.

        Returns
        -------
        Sample
            One that is a reading.

        Raises
        ------
        OverRange
            Beyond the range: unknown and high.
        MeasurementError
            HOLD, REL, low battery, not DC volts, or no value.
        TransportError, ProtocolError, InstrumentNotFound
            As their names say.
        """
        sample = self._next()
        if sample.is_reading:
            return sample
        if "overload" in sample.flags:
            raise OverRange(
                f"the meter shows overload on its range of {sample.range_v:g} V",
                hint="unknown and high, not zero: use a higher range, and check the ratings first",
                limit_v=sample.range_v,
            )
        raise MeasurementError(
            f"not a reading: {sample.reason}", hint="look at the display and the buttons of the meter"
        )

    def std_v(self, sample: Sample) -> float:
        """Give the standard uncertainty of a sample from the printed accuracy.

        Parameters
        ----------
        sample : Sample
            One that is a reading.

        Returns
        -------
        float
            In volts, k = 1; the limit of error taken as rectangular.
        """
        accuracy = self.accuracy.for_range(sample.range_v)
        return accuracy.std_v(sample.value_v, sample.resolution_v, sample.range_v)

    def __enter__(self) -> Meter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def gap_sample(clock: Clock) -> Sample:
    """The sample that stands where the link failed and was mended; the session keeps the words.

    Parameters
    ----------
    clock : Clock
        Gives its time.
    """
    return Sample(t_s=clock.monotonic_s(), value_v=math.nan, flags=frozenset({"gap"}))
