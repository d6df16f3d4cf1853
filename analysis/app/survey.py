"""Drive a survey: samples and keys into the state machine, actions out to whoever shows them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acquisition.instruments import Bench, Meter, Sample
    from acquisition.probing import Action, Key, Probing, ProbingLimits
    from acquisition.steady import SteadyDetector


def run_survey(
    machine: Probing,
    samples: Iterable[Sample],
    keys: Callable[[], Key | None],
    show: Callable[[Action], None],
    live: Callable[[Sample], None] | None = None,
) -> None:
    """Run a survey until it is done.

    Every reading is given to the machine's ``commit`` before the action that announces it is shown, so leaving at
    any moment, also by an exception of the meter or a keyboard interrupt, loses nothing that was shown.

    Parameters
    ----------
    machine : Probing
        Not yet started.
    samples : iterable of Sample
        From ``Meter.stream``.
    keys : callable
        Gives the next key, or None; asked once a sample.
    show : callable
        Takes each action.
    live : callable, optional
        Takes each sample, for the live value.
    """
    from acquisition.probing import Phase

    for action in machine.start():
        show(action)
    for sample in samples:
        if live is not None:
            live(sample)
        for action in machine.sample(sample):
            show(action)
        key = keys()
        if key is not None:
            for action in machine.key(key):
                show(action)
        if machine.phase is Phase.DONE:
            return


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
