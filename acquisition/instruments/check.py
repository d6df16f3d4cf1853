"""The self-check of a bench: who answers, error queues, one reading of each, what cannot work here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from ..clock import Clock, SystemClock
from ..errors import AcquisitionError
from ..records import UNKNOWN_RATING_V
from ..transport import parse_address
from .bench import Bench, Instrument
from .dialect import load_dialect
from .generator import open_generator
from .meter import open_meter
from .meter_role import Meter
from .scope import open_scope
from .scope_setup import restore_setup
from .session import Session
from .streamed_meter import StreamedMeter


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What the check found out about one instrument.

    Parameters
    ----------
    role, resource, dialect : str
        From the bench file.
    identity : str
        What it says it is; empty when it did not say.
    reading : str
        One reading, or why there is none.
    errors : tuple of str
        What lay in its error queue.
    round_trip_s : float or None
        Time for one question and answer, or between two frames of a streaming meter, in seconds.
    left : tuple of str
        What could not be set again as it was found.
    trouble, hint : str
        Why it cannot be used, and what to do; empty when it can.
    """

    role: str
    resource: str
    dialect: str
    identity: str = ""
    reading: str = ""
    errors: tuple[str, ...] = ()
    round_trip_s: float | None = None
    left: tuple[str, ...] = ()
    trouble: str = ""
    hint: str = ""

    @property
    def is_fine(self) -> bool:
        """True when the instrument can be used."""
        return not self.trouble


def check_instrument(bench: Bench, role: str, *, clock: Clock | None = None) -> Finding:
    """Open one instrument of a bench, ask it a few things, and close it again.

    The output of a generator is switched off by this. Scope and generator are set as they were found, also where
    the check fails; a meter stays on DC volts.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.
    role : str
        One of ``ROLES`` that the bench has.
    clock : Clock, optional
        For deadlines.

    Returns
    -------
    Finding
        Troubles are in it, and no exceptions.
    """
    entry: Instrument = getattr(bench, role)
    try:
        facts = _CHECKS[role](bench, clock or SystemClock())
    except AcquisitionError as error:
        facts = {"trouble": str(error), "hint": error.hint}
    return Finding(role=role, resource=entry.resource, dialect=entry.dialect, **facts)  # type: ignore[arg-type]


def _session_facts(session: Session, clock: Clock) -> dict[str, object]:
    found = tuple(str(entry) for entry in session.drain_errors())
    marker = session.dialect.identity
    start_s = clock.monotonic_s()
    if marker is not None:
        session.ask(marker.ask)
    return {"errors": found, "round_trip_s": clock.monotonic_s() - start_s}


def _check_meter(bench: Bench, clock: Clock) -> dict[str, object]:
    with open_meter(bench, clock=clock) as meter:
        facts: dict[str, object] = {"identity": meter.identity, **_read(meter, clock)}
        if not isinstance(meter, StreamedMeter):
            facts |= _session_facts(meter.session, clock)
        return facts


def _read(meter: Meter, clock: Clock) -> dict[str, object]:
    # One answer may get lost on any line; a meter of which every answer is odd ends the stream with the reason.
    samples = (sample for sample in meter.stream() if "gap" not in sample.flags)
    next(samples)
    start_s = clock.monotonic_s()
    sample = next(samples)
    taken_s = clock.monotonic_s() - start_s
    if sample.is_reading:
        text = (
            f"{sample.value_v:.6g} V, standard uncertainty {meter.std_v(sample):.2g} V, range {sample.range_v:g} V"
        )
    else:
        text = f"no reading: {sample.reason}"
    return {"reading": text, "round_trip_s": taken_s}


@contextmanager
def put_back(restore: Callable[[], list[str]]) -> Iterator[list[str]]:
    """Set an instrument as it was found, whatever was done with it inside a ``with`` block.

    Parameters
    ----------
    restore : callable
        Sets it, and gives what could not be set again, in words.

    Yields
    ------
    list of str
        Empty; after the block it holds what could not be set again.
    """
    left: list[str] = []
    try:
        yield left
    except AcquisitionError:
        with suppress(AcquisitionError):  # one that is gone cannot be set, and hides no other error
            restore()
        raise
    left += restore()


def _check_scope(bench: Bench, clock: Clock) -> dict[str, object]:
    with open_scope(bench, clock=clock) as scope:
        with put_back(lambda: restore_setup(scope.session, scope.found)) as left:
            shown_v = scope.read_pp(1)
            text = "no value for channel 1" if shown_v is None else f"channel 1 shows {shown_v:.3g} V peak to peak"
            reading = f"{text}; {scope.state()}"
            if not scope.tells_inverted:
                reading += "; whether a channel is inverted it does not tell: see that none is"
            facts = {"identity": scope.identity, "reading": reading, **_session_facts(scope.session, clock)}
        return {**facts, "left": tuple(left)}


def _check_generator(bench: Bench, clock: Clock) -> dict[str, object]:
    with open_generator(bench, clock=clock) as generator:
        with put_back(generator.restore) as left:
            reading = "output off, as read back"
            facts = {"identity": generator.identity, "reading": reading, **_session_facts(generator.session, clock)}
        return {**facts, "left": tuple(left)}


_CHECKS: dict[str, Callable[[Bench, Clock], dict[str, object]]] = {
    "meter": _check_meter,
    "scope": _check_scope,
    "generator": _check_generator,
}
ROLES = tuple(_CHECKS)


def list_limits(bench: Bench) -> list[str]:
    """List what cannot work with this bench on this machine, and why.

    Parameters
    ----------
    bench : Bench
        From `load_bench`.

    Returns
    -------
    list of str
        One sentence each; nothing is opened for it.
    """
    limits = []
    if bench.meter is None:
        limits.append("no survey: the bench has no meter")
    elif load_dialect(bench.meter.dialect).meter is not None:
        rules = load_dialect(bench.meter.dialect).meter
        if rules is not None and rules.mode == "stream":
            limits.append(
                "the program cannot set the range of this meter, nor prove which meter it is: it only listens"
            )
    for what, rating_v in (
        ("the meter", bench.meter.rating_v if bench.meter else UNKNOWN_RATING_V),
        ("the lead", bench.lead.rated_v),
        ("the scope input", bench.scope.rating_v if bench.scope else UNKNOWN_RATING_V),
        ("the probe", bench.probe.rated_v if bench.scope else UNKNOWN_RATING_V),
    ):
        if rating_v is None:
            limits.append(
                f"no point above {UNKNOWN_RATING_V:g} V is offered with {what}: its rating is not in the bench file"
            )
    missing = [role for role in ("scope", "generator") if getattr(bench, role) is None]
    if missing:
        limits.append(f"no stage gain, sweep or headroom: the bench has no {' and no '.join(missing)}")
    for role in ("meter", "scope", "generator"):
        entry = getattr(bench, role)
        if entry is not None:
            limits += [f"{role}: {text}" for text in _library_limits(entry.resource, bench.backend)]
    return limits


def _library_limits(resource: str, backend: str) -> list[str]:
    """Say which driver library is missing for an address."""
    if parse_address(resource).kind != "visa":
        return []
    from ..transport.visa import missing_library

    missing = missing_library(resource, backend)
    return [f"{missing[0]}: {missing[1]}"] if missing else []
