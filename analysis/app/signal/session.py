"""A run of generator and scope on one stage: opened, measured, every record and reading kept in the job."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from functools import partial
from types import TracebackType

from acquisition.capture import StageCapture, Tap
from acquisition.clock import Clock, SystemClock
from acquisition.errors import (
    AcquisitionError,
    ConfigError,
    InstrumentNotFound,
    Problem,
    RecordVoid,
    ReplyMalformed,
    TransportError,
)
from acquisition.instruments import Generator, open_generator, open_scope
from acquisition.instruments.scope_setup import read_setup, restore_setup
from acquisition.records import Capture, Event, Reading
from acquisition.store import Job
from analysis.app.jobs import begin_pass
from analysis.gain import (
    EXCHANGED,
    OUTPUT,
    PAIR,
    SOURCE,
    STRAIGHT,
    Gain,
    averaged,
    gain_of,
    note_of,
    swapped,
)
from analysis.headroom import KEPT_AS, Criterion, Step, raise_drive, step_of
from analysis.response import repeats_wanted
from analysis.spectrum import Hum, hum_of

from .plan import StagePlan
from .watch import Watch

GENERATOR_ON, GENERATOR_OFF = "generator output on", "generator output off"
"""Events around every time the output is on: a job whose last one is the first was left by a crash or a kill."""

REPEATS_ALONE = 8
"""Records a point where one channel is used at a time: its trigger scatter is averaged (instrument practice)."""

RETRY_S = 0.5
MOST_VOID = 3
"""Void records one after the other that make a fault."""

Shoot = Callable[[], tuple[Capture, ...]]
Say = Callable[[str], None]
Ask = Callable[[str], None]


class SignalRun:
    """Generator and scope on one stage, readings going into one pass of a job.

    Parameters
    ----------
    plan : StagePlan
        What is measured.
    job : Job
        Open for writing.
    pass_name : str
        Begun where it is not there, once both answer: an empty pass would stand in the report.
    drive_pp_v : float
        Generator amplitude into an open circuit, volts peak to peak.
    ask : callable
        Shows a request about leads and probes to the person, and returns when it is done.
    say : callable
        Shows a line to the person.
    wanted_db : float
        Random part of the uncertainty to average down to, standard deviation in dB.
    most : int
        Most records a point.
    patience_s : float
        How long an instrument that was lost is looked for before the run ends, in seconds.
    lost : callable
        Called with True before each try to find it, and may raise then to end the run; with False once it answers.
    look : callable
        Called before each shot of the scope and in every longer wait; may raise to end the run.
    clock : Clock, optional
        For waits and times.
    """

    def __init__(
        self,
        plan: StagePlan,
        job: Job,
        pass_name: str,
        *,
        drive_pp_v: float,
        ask: Ask,
        say: Say = print,
        wanted_db: float = 0.02,
        most: int = 16,
        patience_s: float = 0.0,
        lost: Callable[[bool], None] = lambda _: None,
        look: Callable[[], None] = lambda: None,
        clock: Clock | None = None,
    ) -> None:
        if plan.bench.scope is None or plan.bench.generator is None:
            missing = "scope" if plan.bench.scope is None else "generator"
            raise ConfigError.from_problems(
                [Problem(plan.bench.bench, 0, missing, f"the bench has no {missing}")],
                hint="add it to the bench file, or name another with --bench",
            )
        self.plan = plan
        self.job = job
        self.pass_name = pass_name
        self.drive_pp_v = drive_pp_v
        self.wanted_db = wanted_db
        self.most = most
        self.patience_s = patience_s
        self._ask, self._say, self._lost, self._look = ask, say, lost, look
        self._clock: Clock = clock or SystemClock()
        self._run = self._clock.utc()
        self._is_lost = False
        self._stack = ExitStack()
        self._opened: Generator | None = None

    def __enter__(self) -> SignalRun:
        # The generator first: opening it switches its output off, whatever state it was left in.
        self._opened = self.generator = self._stack.enter_context(open_generator(self.plan.bench))
        self._stack.callback(self._put_back, "generator", self.generator.restore)
        try:
            self.scope = self._stack.enter_context(open_scope(self.plan.bench))
            setup = read_setup(self.scope.session, (1, 2), self.scope.found)
            self._stack.callback(self._put_back, "scope", partial(restore_setup, self.scope.session, setup))
            sessions = {"generator": self.generator.session, "scope": self.scope.session}
            self._stack.enter_context(Watch(sessions, self._say, lambda: self._is_lost))
            broken_off = left_on(self.job)
            begin_pass(self.job, self.pass_name, None, self.plan.chassis.pulled if self.plan.chassis else ())
            self._tell_how_found(broken_off)
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    @property
    def is_off(self) -> bool:
        """The generator was reached, and what it said last is that its output is off."""
        return self._opened is not None and not self._opened.is_on

    # Ways to measure.

    def two_channels(self, frequencies_hz: Sequence[float]) -> Iterator[Gain]:
        """Gain at each frequency from input and output on two channels, kept as readings.

        Parameters
        ----------
        frequencies_hz : sequence of float
            In hertz.
        """
        self._ask(f"probe of channel 1 on {self.plan.source}, probe of channel 2 on {self.plan.output}")
        for gain in self._straight(frequencies_hz, PAIR, exchanged=False):
            self._keep(gain)
            yield gain

    def exchanged_probes(self, frequencies_hz: Sequence[float]) -> Iterator[Gain]:
        """The same twice, the probes exchanged in between: channels and probes drop out.

        Parameters
        ----------
        frequencies_hz
            As `two_channels`.
        """
        self._ask(f"probe of channel 1 on {self.plan.source}, probe of channel 2 on {self.plan.output}")
        first = list(self._straight(frequencies_hz, STRAIGHT, exchanged=False))
        self._ask(f"probes exchanged: channel 2 on {self.plan.source}, channel 1 on {self.plan.output}")
        for straight, other in zip(first, self._straight(frequencies_hz, EXCHANGED, exchanged=True), strict=True):
            gain = swapped(straight, other)
            self._keep(gain)
            yield gain

    def one_channel(self, frequencies_hz: Sequence[float]) -> Iterator[Gain]:
        """Input and output one after the other on channel 1, the generator's sync as trigger.

        Parameters
        ----------
        frequencies_hz : sequence of float
            In hertz.
        """
        self._ask("the generator's sync output on the scope's external trigger input")
        kept: dict[str, list[list[Capture]]] = {}
        points = (self.plan.source, self.plan.output)
        taps = [self.plan.tap(point, 1, self.drive_pp_v, frequencies_hz[0]) for point in points]
        for way, tap in zip((SOURCE, OUTPUT), taps, strict=True):
            self._ask(f"probe of channel 1 on {tap.point}")
            capture = self._capture([tap], way, trigger="external", beside=taps)
            kept[way] = [self._alone(capture, freq_hz) for freq_hz in frequencies_hz]
        for sources, outputs in zip(kept[SOURCE], kept[OUTPUT], strict=True):
            gain = averaged([gain_of(a, b, self.plan.accuracy) for a, b in zip(sources, outputs, strict=True)])
            self._keep(gain)
            yield gain

    def headroom(self, most_pp_v: float, criterion: Criterion | None = None) -> Iterator[Step]:
        """Raise the drive until the stage clips.

        Parameters
        ----------
        most_pp_v : float
            Limit of the drive.
        criterion : Criterion, optional
            When it counts as clipping.
        """
        self._ask(f"probe of channel 1 on {self.plan.source}, probe of channel 2 on {self.plan.output}")
        rules = self.plan.rules()
        taps = self.plan.taps(self.drive_pp_v)
        # The rating holds for direct voltage plus peak: what is left is for the signal.
        most_out_pp_v = min(2.0 * (rules.limit_v - abs(tap.dc_v)) for tap in taps)
        capture = self._capture(taps, KEPT_AS)

        def take(drive_pp_v: float) -> Step:
            steps: list[Step] = []

            def measure(shoot: Shoot) -> None:
                if not steps:  # all that failed was the switching off
                    source, output = shoot()
                    steps.append(step_of(source, output, drive_pp_v, self.plan.accuracy))

            self._driven(capture, 1000.0, drive_pp_v, measure)
            return steps[0]

        for step in raise_drive(
            take,
            start_pp_v=self.drive_pp_v,
            most_pp_v=min(most_pp_v, self.generator.most_pp_v),
            most_out_pp_v=most_out_pp_v,
            criterion=criterion,
        ):
            self._keep(step.gain, thd=(step.thd_out, step.thd_std))
            yield step

    def hum(self, span_s: float = 0.5) -> Hum:
        """Lines of hum at the output point, the generator off.

        Parameters
        ----------
        span_s : float
            Length of the record.
        """
        point = self.plan.output
        self._ask(f"probe of channel 1 on {point}; the generator stays off")
        capture = self._capture([self.plan.tap(point, 1)], "hum")
        (record,) = capture.still(span_s)
        nominal_hz = float(self.plan.bench.mains_hz)
        found = hum_of(record, nominal_hz, self.plan.accuracy)
        reading = found.reading(
            taken_utc=record.taken_utc, instrument=record.instrument, range_v=record.full_scale_v
        )
        self.job.add_reading(self.pass_name, reading)
        return found

    # Pieces.

    def _tell_how_found(self, broken_off: bool) -> None:
        """Say that the generator was found on, which only the instrument itself knows, or a run broken off."""
        if not (self.generator.was_on or broken_off):
            return
        whose = "the last run on this job was broken off" if broken_off else "no run on this job left it so"
        state = "was ON and was switched off just now" if self.generator.was_on else "was found off"
        if not self.generator.was_on:
            whose += ", or had no room left to write that it had switched it off"
        self._say(f"the generator's output {state}; {whose}")
        self._event(GENERATOR_OFF)

    def _put_back(self, role: str, restore: Callable[[], list[str]]) -> None:
        # On the way out of whatever happened: an instrument that is gone cannot be set, and hides no other error.
        with suppress(AcquisitionError):
            for problem in restore():
                self._say(f"the {role} could not be set as it was before: {problem}")

    def _straight(self, frequencies_hz: Sequence[float], way: str, *, exchanged: bool) -> Iterator[Gain]:
        taps = self.plan.taps(self.drive_pp_v, frequencies_hz[0], exchanged=exchanged)
        capture = self._capture(taps, way)
        for freq_hz in frequencies_hz:
            yield averaged(self._pairs(capture, freq_hz))

    def _pairs(self, capture: StageCapture, freq_hz: float) -> list[Gain]:
        results: list[Gain] = []

        def measure(shoot: Shoot) -> None:
            while repeats_wanted(results, self.wanted_db, self.most):
                source, output = shoot()
                results.append(gain_of(source, output, self.plan.accuracy))

        self._driven(capture, freq_hz, self.drive_pp_v, measure)
        return results

    def _alone(self, capture: StageCapture, freq_hz: float) -> list[Capture]:
        records: list[Capture] = []

        def measure(shoot: Shoot) -> None:
            while len(records) < REPEATS_ALONE:
                records.extend(shoot())

        self._driven(capture, freq_hz, self.drive_pp_v, measure)
        return records

    def _capture(
        self, taps: Sequence[Tap], way: str, trigger: str = "signal", beside: Sequence[Tap] = ()
    ) -> StageCapture:
        return StageCapture(
            self.generator,
            self.scope,
            taps,
            self.plan.rules(),
            lambda record: self.job.add_capture(self.pass_name, record),
            trigger=trigger,
            note=note_of(way, self._run),
            beside=beside,
            look=self._look,
            clock=self._clock,
        )

    def _driven(
        self, capture: StageCapture, freq_hz: float, drive_pp_v: float, measure: Callable[[Shoot], None]
    ) -> None:
        """Measure with the generator on; a cable pulled out meanwhile is waited for with the generator off.

        ``measure`` is called again then, and goes on with what it has.
        """
        void = 0
        self._is_lost = False
        lost_s = math.inf  # the first loss at this frequency: a link that comes and goes ends the run too
        while True:
            try:
                if self._is_lost:
                    self.generator.output(False)
                    self.scope.state()
                    self._is_lost = False
                    self._say("It answers again; the run goes on.")
                    self._lost(False)
                self._drive(capture, freq_hz, drive_pp_v, measure)
                return
            except (RecordVoid, ReplyMalformed):
                void += 1
                if void == MOST_VOID or not self.patience_s:
                    raise
            except (TransportError, InstrumentNotFound) as error:
                lost_s = min(lost_s, self._clock.monotonic_s())
                if not self.patience_s or self._clock.monotonic_s() - lost_s > self.patience_s:
                    raise
                if not self._is_lost:
                    self._say(f"! {error} ({error.hint}). It is looked for; the run goes on by itself.")
                self._is_lost = True
                self._lost(True)
                self._clock.sleep_s(RETRY_S)

    def _drive(
        self, capture: StageCapture, freq_hz: float, drive_pp_v: float, measure: Callable[[Shoot], None]
    ) -> None:
        self._event(f"{GENERATOR_ON}: {freq_hz:g} Hz, {drive_pp_v:g} V peak to peak")
        try:
            with capture.driven(freq_hz, drive_pp_v, self.plan.settle_s(freq_hz)) as shoot:
                measure(shoot)
        finally:
            if not self.generator.is_on:
                # It is off, whether there is room to write that or not: what went wrong before is what is told.
                self._event(GENERATOR_OFF, can_wait=True)

    def _event(self, text: str, *, can_wait: bool = False) -> None:
        event = Event(kind="state", subject="generator", text=text, taken_utc=self._clock.utc())
        self.job.add_event(self.pass_name, event, can_wait=can_wait)

    def _keep(self, gain: Gain, thd: tuple[float, float] | None = None) -> None:
        readings = list(
            gain.readings(
                taken_utc=self._clock.utc(), instrument=self.scope.identity, range_v=gain.out_range[1] or None
            )
        )
        if thd is not None:
            readings.append(
                Reading(
                    point=gain.to_point,
                    quantity="thd_pct",
                    value=100.0 * thd[0],
                    std=100.0 * thd[1],
                    freq_hz=gain.freq_hz,
                    drive_pp_v=gain.drive_pp_v,
                    taken_utc=self._clock.utc(),
                    instrument=self.scope.identity,
                )
            )
        self.job.add_readings(self.pass_name, readings)


def left_on(job: Job) -> bool:
    """Whether the last run on this job ended without switching the generator off.

    Parameters
    ----------
    job : Job
        Open.
    """
    job.keep_waiting()
    for name in reversed(job.passes()):
        texts = [e.text for e in job.read_pass(name).events if e.kind == "state" and e.subject == "generator"]
        if texts:
            return texts[-1].startswith(GENERATOR_ON)
    return False
