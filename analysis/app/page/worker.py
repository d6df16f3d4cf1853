"""The one thread that owns the instruments of the page: meter and survey, or generator and scope, never both."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import click

from acquisition.clock import Clock, SystemClock
from acquisition.errors import AcquisitionError, BenchError
from acquisition.instruments import open_meter
from acquisition.instruments.meter_role import gap_sample
from acquisition.probing import Action, ActionKind, Key, Options, Phase, Probing
from acquisition.steady import SteadyDetector
from acquisition.store import Job, open_job
from acquisition.watching import Watching
from analysis.app.jobs import begin_pass, beside, told_of_mains
from analysis.app.replaced import keep_replaced
from analysis.app.survey import OverRatings, detector_for, survey_of
from analysis.app.watching import step_to_watch, watch_of
from analysis.chassis.plan import survey_plan

from . import showing
from .gaining import UNKNOWN, GainPanel, Stopped, measure
from .hub import Hub
from .in_hand import PassInHand
from .noting import NOTES, Noting
from .starting import chosen
from .surveying import SurveyPanel
from .watching import CoursePanel, to_watch
from .weighing import Weighing

if TYPE_CHECKING:
    from acquisition.instruments import Bench, Meter, Sample
    from acquisition.records import SurveyStep
    from analysis.app.watching import WatchChoice

PANEL_EVERY_S = 0.04
"""Digits change at most this often: faster than the eye, slower than a screen."""
RETRY_S = 1.0


class Operator(Protocol):
    """Simulated hands at a simulated bench; a real bench has none, and a person presses the keys."""

    def react(self, action: Action) -> None:
        """Do what an action of the survey asks for."""
        ...

    def key(self) -> Key | None:
        """The key pressed by now, once."""
        ...

    def place(self, source: str, target: str) -> None:
        """Put the scope's probes on two points."""
        ...


KEYS = {"confirm": Key.SPACE, "back": Key.BACK, "skip": Key.SKIP, "repeat": Key.REPEAT}
Request = tuple[str, Mapping[str, Any]]


class BenchWorker:
    """Runs the bench for the page.

    Parameters
    ----------
    path : str or Path
        The job file or the URL of its database; this thread is its only writer.
    bench : Bench
        Instruments and ratings.
    hub : Hub
        Where everything is shown.
    pass_name : str
        The first pass in hand, begun when it is not there.
    delicate : bool
        Offer grids that a meter upsets too.
    operator : Operator, optional
        Simulated hands.
    clock : Clock, optional
        For waits.
    """

    names = frozenset({*KEYS, *NOTES, "start", "gain", "placed", "stop", "end"})

    def __init__(
        self,
        path: str | Path,
        bench: Bench,
        hub: Hub,
        pass_name: str,
        *,
        delicate: bool = False,
        operator: Operator | None = None,
        clock: Clock | None = None,
    ) -> None:
        self.path, self.bench, self.hub, self._pass_name = path, bench, hub, pass_name
        self._delicate, self._operator = delicate, operator
        self._clock: Clock = clock or SystemClock()
        self._requests: queue.SimpleQueue[Request] = queue.SimpleQueue()
        self._ending = threading.Event()
        self._machine: Probing | Watching | None = None
        self._detector: SteadyDetector | None = None
        self._weighing = Weighing(hub, bench)
        self._survey, self._course, self._over = SurveyPanel(hub), CoursePanel(hub), OverRatings()
        self._shown_s, self._state = -1.0, "open"
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)

    # -- from other threads ----------------------------------------------------------------------------------

    def post(self, action: str, body: Mapping[str, Any]) -> None:
        """Queue a request of the page; see `Actions`."""
        self._requests.put((action, dict(body)))

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def end(self) -> None:
        """Stop: the generator is off and the job closed when this returns, unless a record takes very long.

        Then the generator is switched off when the process ends, on another link.
        """
        self._ending.set()
        self._requests.put(("stop", {}))
        self._thread.join(timeout=10.0)

    # -- the thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._ending.is_set():
                with self._telling(), open_job(self.path) as job:
                    self._serve(job)
                    return
                for _ in self._requested():
                    pass  # asked of a job that was not open: the words say so, and nobody expects it later
                self._ending.wait(RETRY_S)
        except BaseException as error:  # the last line of the thread: tell the tabs, then the terminal
            self.failure = error
            self._alarm(f"The bench thread failed: {type(error).__name__}. Look at the terminal.")
            raise
        finally:
            self._weighing.end()

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """What the job or a file does not allow is one line in the tabs, and ends what was asked for, no thread.

        An instrument that fails goes on to where it is looked for.
        """
        try:
            yield
        except AcquisitionError:
            raise
        except BenchError as error:
            self._alarm(showing.error_words(error))

    def _serve(self, job: Job) -> None:
        hand, reason = PassInHand.of(job, self._pass_name)
        if hand is None:
            self._alarm(f"No points to walk: {reason}")
            return
        self._hand, self._job = hand, job
        self._publish_job()
        # A tab that stayed open still shows what the server before this one said.
        GainPanel(self.hub).show({})
        self._weighing.show_nothing(None)
        self._noting = Noting(job, hand.chassis, hand.name, self.hub)
        self._survey.publish()
        words = "not opened yet" if self.bench.generator is not None else "none on this bench"
        GainPanel(self.hub).lamp(False, words, known=False)
        self._survey.keep(hand.readings)
        self._alarm("")
        if self.bench.meter is not None:
            self._meter_lost(f"looking for it at {self.bench.meter.resource}")
        while not self._ending.is_set():
            try:
                with open_meter(self.bench) as meter:
                    meter.configure_dc(nplc=self.bench.meter.nplc if self.bench.meter is not None else 1.0)
                    self._alarm("")
                    self._listen(meter)
            except BenchError as error:  # of the meter, or of a file that says how to talk to it
                self._meter_lost(showing.error_words(error))
                self._wait_for_meter()
        self._weighing.keep(job, hand.name)

    def _listen(self, meter: Meter) -> None:
        """Samples and requests, until the page ends or the meter is lost."""
        self._meter = meter
        samples = meter.stream()
        while not self._ending.is_set():
            sample = next(samples)
            machine, detector = self._machine, self._detector
            if machine is not None:
                self._show_all(machine.sample(sample))
                key = self._operator.key() if self._operator is not None else None
                if key is not None:
                    self._show_all(machine.key(key))
            elif detector is None:
                self._detector = detector = detector_for(meter)
            self._show_sample(sample)
            for action, body in self._requested():
                self._request(action, body)

    def _requested(self) -> Iterator[Request]:
        while True:
            try:
                yield self._requests.get_nowait()
            except queue.Empty:
                return

    def _wait_for_meter(self) -> None:
        """Between two tries: what needs no meter is done, the rest is not, and is told so."""
        needs_none = {"gain", *NOTES}
        if isinstance(self._machine, Watching):
            self._show_all(self._machine.sample(gap_sample(self._clock)))  # silence is told, and is no value
            needs_none |= {"end", *(["confirm"] if self._machine.phase is Phase.WATCHING else [])}
        with suppress(queue.Empty):
            action, body = self._requests.get(timeout=RETRY_S)
            if action in needs_none:
                self._request(action, body)
            elif action not in ("placed", "stop"):  # of a measurement that is over already
                self._alarm("Not done: the meter does not answer. Try again when it does.")

    # -- requests --------------------------------------------------------------------------------------------

    def _request(self, action: str, body: Mapping[str, Any]) -> None:
        with self._telling():
            if action == "start":
                self._start_survey(body)
            elif action in NOTES:
                self._note(action, body)
            elif action == "gain":
                self._gain(body)
            elif action in KEYS and self._machine is not None:
                self._show_all(self._machine.key(KEYS[action]))
            elif action == "end" and isinstance(self._machine, Watching):
                self._show_all(self._machine.key(Key.QUIT))

    def _note(self, action: str, body: Mapping[str, Any]) -> None:
        """Write something down, and go by it at once: in the list of suspects, in bands and verdicts."""
        machine, hand = self._machine, self._hand
        step = machine.step if machine is not None else None
        self._noting.take(action, body, step.point if step else "")
        if action == "changed":
            self._weighing.ask(self._hand)
        elif action == "pulled" and hand.stand(hand.so_far.pulled):
            self._publish_job()
            self.hub.cue("records")
            if isinstance(machine, Probing):
                actions = machine.expect(survey_plan(hand.chassis, hand.model, mains_v=machine.options.mains_v))
                self._survey.rejudge(hand.readings, machine, hand.chassis)
                self._show_all(actions)
                self._survey.publish()
            self._weighing.ask(self._hand)

    def _start_survey(self, body: Mapping[str, Any]) -> None:
        hand, running = self._hand, self._machine
        # A watch tries again by itself; of a survey, a reading that was left or is over is not kept by waiting.
        waits = isinstance(running, Watching) or (running is not None and running.phase is Phase.NOT_KEPT)
        if running is not None and running.not_kept is not None and waits:
            self._alarm("The last reading is not on disk yet: nothing is begun before it is.")
            return
        try:
            choice = chosen(hand, body)
            watch = to_watch(body, choice.mains_v)
            is_running = running is not None and running.phase is not Phase.DONE
            if is_running and isinstance(running, Watching):
                raise click.UsageError("A point is being watched: end that first.")
            if is_running and watch is None and choice.name == hand.name:
                raise click.UsageError(f"{hand.name} is being surveyed: go on with it, or name another pass")
            step = self._step_to_watch(watch, choice.out) if watch is not None else None
        except click.UsageError as error:
            self._alarm(error.message)
            return
        kept_v = begin_pass(self._job, choice.name, choice.mains_v, choice.out)
        if running is not None and is_running and watch is not None:
            self._show_all(running.key(Key.QUIT))  # what was read is kept, and a survey goes on from there
        if choice.name != hand.name:
            self._take_up(choice.name)
        hand.stand(choice.out)
        self._alarm(told_of_mains(choice.name, kept_v, choice.mains_v, hand.chassis.mains_v))
        self._publish_job()
        keep_replaced(self._job, choice.name, choice.changed)
        self._noting.show()
        if watch is not None and step is not None:
            self._watch(step, watch)
            return
        options = Options(
            tubes_glow=choice.glow,
            delicate=self._delicate,
            done=frozenset(() if choice.anew else (reading.point for reading in hand.readings)),
            mains_v=choice.mains_v,
        )
        machine = survey_of(
            hand.chassis,
            hand.model,
            self.bench,
            self._meter,
            lambda reading: self._job.add_reading(choice.name, reading),
            options,
            advise=(lambda: self._weighing.advised) if choice.follow else None,
        )
        self._weighing.begin(hand, machine.steps)
        self._survey.keep(hand.readings, machine.steps)
        # From here on nothing is asked of the job: a survey that cannot begin leaves none half begun.
        self._machine, self._detector, self._over = machine, machine.detector, OverRatings()
        self._survey.begin()
        self._show_all(machine.start())

    def _step_to_watch(self, choice: WatchChoice, out: Sequence[str]) -> SurveyStep:
        """The point of a watch, as the chassis is to stand in it; it stands so only once the pass has begun."""
        hand = self._hand
        before = hand.chassis.pulled
        hand.stand(out)
        try:
            return step_to_watch(hand.chassis, hand.model, self.bench, choice)
        finally:
            hand.stand(before)

    def _watch(self, step: SurveyStep, choice: WatchChoice) -> None:
        hand = self._hand
        self._machine = machine = watch_of(
            step, hand.chassis, self.bench, self._meter, self._job, hand.name, choice, self._course.stretch
        )
        self._detector = detector_for(self._meter)
        self._course.begin(machine, hand.chassis)
        self._show_all(machine.start())

    def _take_up(self, name: str) -> None:
        """Go on with another pass: all that the tabs show is of it from now on."""
        hand = self._hand
        self._weighing.keep(self._job, hand.name)
        hand.name = self._pass_name = name
        self._machine = None
        self._weighing.show_nothing(0)
        self._survey.clear()
        self._noting = Noting(self._job, hand.chassis, name, self.hub)
        self.hub.cue("records")

    def _gain(self, body: Mapping[str, Any]) -> None:
        """Measure with generator and scope; the meter waits."""
        panel = GainPanel(self.hub)
        if isinstance(self._machine, Watching) and self._machine.phase is Phase.WATCHING:
            self._alarm("Not done: a point is being watched, and the meter would wait. End that first.")
            return
        try:
            hand = self._hand
            measure(self._job, hand.name, hand.chassis, self.bench, body, panel, self._await_placed)
        except Stopped:
            panel.show({"running": False, "progress": "Stopped; what was taken is kept."})
        except BenchError as error:
            if self.hub.state()["generator"]["on"]:
                panel.lamp(False, UNKNOWN, known=False)
            panel.show({"running": False, "progress": showing.error_words(error)})
            self.hub.cue("alarm")
        self._publish_job()
        self.hub.cue("records")
        self._weighing.ask(self._hand)

    def _await_placed(self, points: tuple[str, str] | None) -> None:
        """Wait until the probes are on two points, or, without any, only look whether to stop."""
        block = points is not None
        if points is not None and self._operator is not None:
            self._operator.place(*points)
            return
        while True:
            try:
                action, body = self._requests.get(timeout=0.2) if block else self._requests.get_nowait()
            except queue.Empty:
                if not block:
                    return
                continue
            if action == "stop" or self._ending.is_set():
                raise Stopped
            if action == "placed" and block:
                return
            if action in NOTES:
                with self._telling():
                    self._note(action, body)
            elif action in ("start", "end", *KEYS):
                # Of another tab: a key for the probe must not switch the generator on.
                self._alarm("Not done: a gain is being measured. It ends by itself, or by Stop under Gain.")

    # -- showing ---------------------------------------------------------------------------------------------

    def _show_sample(self, sample: Sample) -> None:
        if self._detector is None:
            return
        state = showing.probe_state(self._machine, self._detector.state)
        if state == "touched" and self._state == "open":
            self.hub.cue("touched")  # it may last for one sample, and none is too quick to be heard
        self._state = state
        if sample.t_s - self._shown_s < PANEL_EVERY_S:
            return
        self._shown_s = sample.t_s
        if "gap" in sample.flags:
            self._meter_lost("no answer, trying again")
            return
        self.hub.publish("meter", {**showing.meter_panel(sample, state), "t": round(sample.t_s, 2)})

    def _show_all(self, actions: list[Action]) -> None:
        for action in actions:
            with self._telling():
                if isinstance(self._machine, Watching):
                    self._course.show(action, self._machine)
                elif self._machine is not None:
                    self._survey.show(action, self._machine, self._hand.chassis)
                if action.kind is ActionKind.TAKEN:
                    self._weighing.ask(self._hand)
                if self._operator is not None:
                    self._operator.react(action)
        if any(action.kind is ActionKind.TAKEN for action in actions):
            with self._telling():
                self._watch_ratings()
        if actions:
            (self._course if isinstance(self._machine, Watching) else self._survey).publish()

    def _watch_ratings(self) -> None:
        """Say aloud and at the top what this reading shows to be over its rating: the list may be far down."""
        hand = self._hand
        words = self._over.news(hand.chassis, hand.readings, self._job.work_done(hand.name))
        if words is None:
            return
        self._alarm(words)
        if words:
            self.hub.cue("alarm", text=words)

    def _publish_job(self) -> None:
        passes = [self._job.read_pass(name, captures=False) for name in self._job.passes()]
        panel = showing.job_panel(beside(str(self.path), "").name, self._hand.chassis, self._hand.so_far, passes)
        self.hub.publish("job", panel)

    def _meter_lost(self, words: str) -> None:
        self.hub.publish("meter", {"text": None, "unit": "", "state": "none", "link": "lost", "words": words})

    def _alarm(self, words: str) -> None:
        self.hub.publish("alarm", {"words": words})
