"""Drive a survey: samples and keys into the state machine, actions out to whoever shows them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acquisition.instruments import Bench, Meter, Sample
    from acquisition.probing import Action, Guided, Key, Options, Probing, ProbingLimits
    from acquisition.records import Event, Reading
    from acquisition.steady import SteadyDetector
    from analysis.chassis import Chassis, ChassisModel

RETRY_S = 0.5
PATIENCE_S = 600.0
"""How long a lost meter is waited for; then the survey ends, and the same command goes on where it was."""


def survey_of(
    chassis: Chassis,
    model: ChassisModel | None,
    bench: Bench,
    meter: Meter,
    commit: Callable[[Reading], None],
    options: Options,
    *,
    supply_v: float | None = None,
    advise: Callable[[], str | None] | None = None,
) -> Probing:
    """Make the survey of a chassis ready on an open meter.

    Parameters
    ----------
    chassis : Chassis
        Its points.
    model : ChassisModel or None
        For what is expected; None where the file has no parts.
    bench : Bench
        Ratings.
    meter : Meter
        Open; its identity goes into every reading.
    commit : callable
        Takes each reading; returns when it is on disk.
    options : Options
        What the person chose; ``mains_v`` scales what is expected.
    supply_v : float, optional
        Unloaded high tension, where no rails tell.
    advise : callable, optional
        Gives the point that would tell most.
    """
    from acquisition.clock import SystemClock
    from acquisition.probing import Probing
    from analysis.chassis.plan import survey_plan

    return Probing(
        survey_plan(chassis, model, mains_v=options.mains_v, supply_v=supply_v),
        limits_of(bench, mains_known=options.mains_v is not None),
        detector_for(meter),
        commit,
        SystemClock().utc,
        replace(options, instrument=meter.identity),
        advise,
    )


def run_survey(
    machine: Guided,
    samples: Iterable[Sample],
    keys: Callable[[], Key | None],
    show: Callable[[Action], None],
    live: Callable[[Sample], None] | None = None,
    after_reading: Callable[[], str] | None = None,
) -> None:
    """Run a survey or a watch until it is done.

    Every reading is given to the machine's ``commit`` before the action that announces it is shown, so leaving at
    any moment, also by an exception of the meter or a keyboard interrupt, loses nothing that was shown.

    Parameters
    ----------
    machine : Guided
        Not yet started.
    samples : iterable of Sample
        From ``Meter.stream``.
    keys : callable
        Gives the next key, or None; asked once a sample.
    show : callable
        Takes each action.
    live : callable, optional
        Takes each sample, for the live value.
    after_reading : callable, optional
        Gives the caution that what was read so far calls for, or nothing; asked after each reading.
    """
    from acquisition.probing import Action, ActionKind, Phase

    def shown(actions: Iterable[Action]) -> None:
        taken = False
        for action in actions:
            taken |= action.kind is ActionKind.TAKEN
            show(action)
        if taken and after_reading is not None and (words := after_reading()):
            show(Action(kind=ActionKind.CAUTION, text=words))

    shown(machine.start())
    for sample in samples:
        if live is not None:
            live(sample)
        shown(machine.sample(sample))
        key = keys()
        if key is not None:
            shown(machine.key(key))
        if machine.phase is Phase.DONE:
            return


class OverRatings:
    """Plates beyond their rating by what was read so far: told when it shows, and once, not after the round."""

    def __init__(self) -> None:
        self._names: frozenset[str] = frozenset()

    def news(self, chassis: Chassis, readings: Sequence[Reading], work: Sequence[Event]) -> str | None:
        """What is over its rating now.

        Parameters
        ----------
        chassis, readings, work
            As `analysis.idle.idle_of`.

        Returns
        -------
        str or None
            Sentences, empty where nothing is over it any more; None where it is the same tubes as at the last look.
        """
        from analysis.idle import idle_of, over_ratings

        over = over_ratings(idle_of(chassis, readings, work))
        if over.keys() == self._names:
            return None
        self._names = frozenset(over)
        return " ".join(f"{text[:1].upper()}{text[1:]}." for text in over.values())


def patient_samples(meter: Meter, tell: Callable[[str], None]) -> Iterator[Sample]:
    """Give the samples of a meter also across a cable that was pulled out and plugged in again.

    Parameters
    ----------
    meter : Meter
        Open.
    tell : callable
        Takes what the person must know: that it is lost and why, and that it answers again.

    Yields
    ------
    Sample
        While the meter is lost one of the flag ``gap`` for each try, so that keys are heard all the time.

    Raises
    ------
    InstrumentNotFound, TransportError, ProtocolError
        It stayed away too long.
    """
    from acquisition.errors import InstrumentNotFound, ProtocolError, TransportError
    from acquisition.instruments.meter_role import gap_sample

    clock = meter.session.clock
    lost_s: float | None = None
    while True:
        try:
            for sample in meter.stream():
                if lost_s is not None and "gap" not in sample.flags:
                    tell("The meter answers again.")
                    lost_s = None
                yield sample
        except (InstrumentNotFound, TransportError, ProtocolError) as error:
            if lost_s is None:
                lost_s = clock.monotonic_s()
                tell(f"The meter is lost: {error} ({error.hint}). It is looked for; all goes on by itself.")
            elif clock.monotonic_s() - lost_s > PATIENCE_S:
                raise
            yield gap_sample(clock)
            clock.sleep_s(RETRY_S)


def limits_of(bench: Bench, *, mains_known: bool) -> ProbingLimits:
    """Ratings of the bench's meter and lead.

    Parameters
    ----------
    bench : Bench
        The bench file.
    mains_known : bool
        The mains voltage was measured or confirmed.
    """
    from acquisition.probing import ProbingLimits

    return ProbingLimits(
        meter_rated_v=bench.meter.rating_v if bench.meter is not None else None,
        lead_rated_v=bench.lead.rated_v,
        clip_on_above_v=bench.clip_on_above_v,
        mains_known=mains_known,
    )


def detector_for(meter: Meter) -> SteadyDetector:
    """Steady detector with the specification of a meter.

    Parameters
    ----------
    meter : Meter
        Open.
    """
    from acquisition.steady import MeterFacts, SteadyDetector

    return SteadyDetector(MeterFacts(accuracy=meter.accuracy))
