"""The whole job on the simulated bench, by the ordinary drivers, the ordinary survey and the ordinary verbs."""

from __future__ import annotations

import contextlib
import importlib
import io
import itertools
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from acquisition.configs import find_config
from acquisition.errors import StoreError
from acquisition.probing import ActionKind
from acquisition.records import Event
from analysis.app.modelled import modelled
from analysis.app.survey_screen import Keyboard

if TYPE_CHECKING:
    from acquisition.probing import Action, Key
    from acquisition.simulated.bench import SimulatedBench
    from acquisition.simulated.hands import Hands
    from acquisition.simulated.survey_hands import SurveyHands
    from acquisition.store import Job

CHASSIS = "quayside-five"
PART = "C2"
PART_FARAD, PART_STD_FARAD = 22.3e-9, 0.2e-9
"""The new capacitor as a component tester on the bench showed it before it was fitted."""

MAINS_V = 231.0
AS_FOUND = "as-found"
STAGES = (("first", "0.1"), ("second", "0.008"), ("output", "0.002"))
"""Stages whose gain is measured, with the drive in volts peak to peak that keeps what follows linear."""

ONCE = frozenset({ActionKind.SHOW, ActionKind.SAY})
"""What is shown in the first pass only: it would be the same again."""

Say = Callable[[str], None]


@dataclass(slots=True)
class Scene:
    """What is on the table.

    Parameters
    ----------
    folder, job_path, bench_path : Path
        Where everything is written.
    bench : SimulatedBench
        Running.
    hands : Hands
        That hold the probe.
    say : callable
        Takes a line of progress.
    """

    folder: Path
    job_path: Path
    bench_path: Path
    bench: SimulatedBench
    hands: Hands
    say: Say


def run(folder: Path, *, seed: int = 1, pace: float = 1.0, meter: str = "scpi-meter", say: Say) -> Path:
    """Play the demonstration.

    Parameters
    ----------
    folder : Path
        Where job, bench file and report go; made when it is not there.
    seed : int
        Draws the instruments' errors, their noise, and the hands.
    pace : float
        Multiplies the time the hands take; small is fast.
    meter : str
        Dialect of the meter: ``scpi-meter`` on a socket, or ``stream-meter`` on a pseudo-terminal.
    say : callable
        Takes each line of progress.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    from acquisition.simulated.bench import SimulatedBench
    from acquisition.simulated.hands import Hands
    from acquisition.simulated.meter import Meter
    from acquisition.store import create_job

    from .plant import TablePlant, load_table

    table = load_table()
    _make(folder)
    with ExitStack() as stack:
        bench = stack.enter_context(SimulatedBench(TablePlant(table, "leaky"), seed=seed, meter=meter))
        if isinstance(bench.meter, Meter):
            bench.meter.autozero = False  # twice the readings a second; drift of a simulated meter is nothing
        hands = Hands(bench.wiring, seed=seed, pace=pace)
        scene = Scene(folder, _free_name(folder), folder / "bench.yaml", bench, hands, say)
        bench.write(scene.bench_path)
        say("Simulated bench: nothing here is live. Three instruments talk on this machine:")
        for role, resource in bench.resources().items():
            say(f"  {role:9s} {resource}")
        chassis_text = find_config("chassis", CHASSIS).read_text(encoding="utf-8")
        with create_job(
            scene.job_path, CHASSIS, chassis_text, bench.bench_text(), complaint="distorts, hot"
        ) as job:
            say(f"job {scene.job_path}")
            _take(scene, job, AS_FOUND)
        _verb(scene, "check", str(scene.job_path), "--pass", AS_FOUND)
        _verb(scene, "suspects", str(scene.job_path), "--pass", AS_FOUND)
        say(f"\nPower off, reservoir discharged and measured, {PART} replaced. Power on, the tubes warm up.")
        bench.change(TablePlant(table, "mended"))
        after = f"after-{PART}"
        with _open(scene) as job:
            _take(scene, job, after)
        _verb(scene, "check", str(scene.job_path), "--pass", after)
        _verb(scene, "compare", str(scene.job_path), AS_FOUND, after)
        report = folder / f"{scene.job_path.stem}.html"
        _verb(scene, "report", str(scene.job_path), "--out", str(report))
    return report


def _open(scene: Scene) -> Job:
    from acquisition.store import open_job

    return open_job(scene.job_path)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"{folder}: cannot be made: {error.strerror}", hint="choose another folder with --out"
        ) from error


def _free_name(folder: Path) -> Path:
    """Name of a new job: an earlier demonstration is never overwritten."""
    from acquisition.store import SUFFIX

    names = [CHASSIS, *(f"{CHASSIS}-{number}" for number in range(2, 1000))]
    return next(path for name in names if not (path := folder / f"{name}{SUFFIX}").exists())


def _verb(scene: Scene, name: str, *arguments: str) -> int:
    """Do what the command of that name does, and show how a person would type it."""
    scene.say(f"\n$ stagewalk {' '.join([name, *arguments])}")
    command = importlib.import_module(f"analysis.app.verbs.{name}").command
    result = command.main(args=list(arguments), prog_name=f"stagewalk {name}", standalone_mode=False)
    return result if isinstance(result, int) else 0


def _take(scene: Scene, job: Job, name: str) -> None:
    """One pass: survey of all points, then gain of the stages."""
    _survey(scene, job, name)
    chassis, _, _ = modelled(job.sheet)
    stages = chassis.stages if chassis is not None else {}
    for stage, drive in STAGES:
        scene.bench.wiring.clip(1, stages[stage].source)
        scene.bench.wiring.clip(2, stages[stage].target)
        text = io.StringIO()
        arguments = [str(scene.job_path), stage, "--drive", drive, "--pass", name, "--load-connected", "--ready"]
        with contextlib.redirect_stdout(text):
            _verb(scene, "gain", *arguments)
        # Cautions and requests were shown once; the budget of uncertainty is in the report.
        scene.say(f"\n$ stagewalk gain {' '.join(arguments)}")
        lines = text.getvalue().splitlines()
        first = next(index for index, line in enumerate(lines) if line.startswith(f"{stage}:"))
        for line in itertools.takewhile(str.strip, lines[first:]):
            scene.say(line)
    for channel in (1, 2):
        scene.bench.wiring.clip(channel, None)


def _survey(scene: Scene, job: Job, name: str) -> None:
    from acquisition.instruments import load_bench, open_meter
    from acquisition.probing import Options
    from acquisition.simulated.survey_hands import SurveyHands
    from analysis.app.survey import run_survey, survey_of
    from analysis.app.survey_screen import Screen

    scene.say(f"\nSurvey, pass {name}: simulated hands do what a person would be asked to do")
    chassis, model, reason = modelled(job.sheet)
    if chassis is None:
        raise StoreError(f"{scene.job_path}: {reason}", hint="is the installation complete?")
    bench = load_bench(str(scene.bench_path))
    job.start_pass(name, mains_v=MAINS_V, mains_hz=float(bench.mains_hz))
    if name != AS_FOUND:
        event = Event(
            kind="part_replaced",
            subject=PART,
            value=PART_FARAD,
            std=PART_STD_FARAD,
            text="film, 630 V",
            taken_utc="",
        )
        job.add_event(name, event)
    scene.bench.wiring.switch(False)
    hands = SurveyHands(scene.hands)
    with open_meter(bench) as meter:
        machine = survey_of(
            chassis,
            model,
            bench,
            meter,
            lambda reading: job.add_reading(name, reading),
            Options(tubes_glow=True, mains_v=MAINS_V),
        )
        screen = Screen(machine, _Fingers(hands), bell=False)

        def show(action: Action) -> None:
            if name == AS_FOUND or action.kind not in ONCE:
                screen.show(action)
            hands.react(action)

        run_survey(machine, meter.stream(), screen.key, show, screen.live)


class _Fingers(Keyboard):
    """The keyboard of a survey, with simulated fingers on it."""

    def __init__(self, hands: SurveyHands) -> None:
        super().__init__()
        self._hands = hands

    def next(self) -> Key | None:
        return self._hands.key()

    def forget(self) -> None:
        """Nothing was typed ahead."""
