"""Gain and response for the page: runs the same measurement as the command and shows it as it goes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from acquisition.errors import ConfigError, FitFailed, Problem
from acquisition.quantities import parse_value
from acquisition.records import Capture, Event

from .hub import Hub

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from acquisition.store import Job
    from analysis.app.signal.plan import StagePlan
    from analysis.chassis import Chassis
    from analysis.gain import Gain

SWEEP_HZ = (20.0, 20_000.0)
SWEEP_POINTS = 16
MIDDLE_HZ = 1000.0
TRACE_POINTS = 160
RUNNING, WAITING, UNKNOWN = "ON while a record is taken", "off until you confirm", "not known: look at it"
LOST = "An instrument does not answer. It is looked for, and the measurement goes on by itself; Stop ends it."
MOST_NOTICES = 6


class GainPanel:
    """What the page shows of a measurement, and what went wrong meanwhile, which stays until the next one.

    Parameters
    ----------
    hub : Hub
        Shows the panels ``gain`` and ``generator``.
    """

    def __init__(self, hub: Hub) -> None:
        self.hub = hub
        self._content: Mapping[str, Any] = {}
        self._notices: list[str] = []

    def show(self, content: Mapping[str, Any]) -> None:
        """Replace all but the notices.

        Parameters
        ----------
        content : mapping
            ``running``, ``progress`` and what there is to see.
        """
        self._content = content
        self._publish(content)

    def notice(self, text: str) -> None:
        """Add something the person must know, such as that the generator was found on.

        Parameters
        ----------
        text : str
            One line.
        """
        self._notices = [*self._notices, text][-MOST_NOTICES:]
        self._publish(self._content)
        self.hub.cue("alarm", text=text)

    def lost(self, is_lost: bool, output_known: bool) -> None:
        """Tell that an instrument is waited for, or that it answers again.

        Parameters
        ----------
        is_lost : bool
            It is waited for.
        output_known : bool
            The generator's output is known to be off meanwhile.
        """
        if is_lost:
            self._publish({**self._content, "progress": LOST})
            self.lamp(False, "off" if output_known else UNKNOWN, known=output_known)
        else:
            self._publish(self._content)
            self.lamp(True, RUNNING)

    def lamp(self, is_on: bool, words: str, *, known: bool = True) -> None:
        """Tell the state of the generator's output; one that was not opened, or is lost, is not called off.

        Parameters
        ----------
        is_on : bool
            It may be on.
        words : str
            Beside the lamp.
        known : bool
            It was read back.
        """
        self.hub.publish("generator", {"on": is_on, "known": known, "words": words})

    def _publish(self, content: Mapping[str, Any]) -> None:
        self.hub.publish("gain", {**content, "notices": self._notices})


class Stopped(Exception):
    """The person asked to stop; the generator is off by the time this is seen."""


def measure(
    job: Job,
    pass_name: str,
    chassis: Chassis,
    bench: Bench,
    body: Mapping[str, Any],
    panel: GainPanel,
    wait: Callable[[tuple[str, str] | None], None],
) -> None:
    """Measure the stage that the page asked for.

    Parameters
    ----------
    job : Job
        Open for writing.
    pass_name : str
        Where readings and records go.
    chassis : Chassis
        With its stages.
    bench : Bench
        Scope and generator.
    body : mapping
        ``stage``, ``drive_pp_v``, ``freq_hz``, ``run`` (``single`` or ``sweep``), ``load_present``.
    panel : GainPanel
        Shows it.
    wait : callable
        Waits until the probes are on two points; without points only looks; raises `Stopped` when asked to stop.

    Raises
    ------
    Stopped
        By the person.
    BenchError
        Of the instruments, or a wrong entry.
    """
    from analysis.app.jobs import pass_so_far
    from analysis.app.signal.plan import plan_stage
    from analysis.app.signal.session import SignalRun
    from analysis.response import log_frequencies

    sweep = body.get("run") == "sweep"
    drive_pp_v = _entry(body, "drive_pp_v", "Drive")
    freq_hz = MIDDLE_HZ if sweep else _entry(body, "freq_hz", "Frequency")
    plan = plan_stage(str(body.get("stage", "")), chassis, bench)
    hint = "connect the load with the power off, then tick the box"
    plan.require_load(bool(body.get("load_present")), hint)
    plan = plan.in_pass(pass_so_far(job, pass_name))
    frequencies = [float(f) for f in log_frequencies(*SWEEP_HZ, SWEEP_POINTS)] if sweep else [freq_hz]

    run: SignalRun | None = None

    def ask(request: str) -> None:
        if run is not None and run.is_off:  # confirmed by the generator: it comes on for a record alone
            panel.lamp(False, WAITING)
        words = f"With the power off: {request}. Then power on, and Confirm (or Space) when it is warm."
        panel.show({"running": True, "waiting": True, "progress": words})
        panel.hub.cue("say", text=words)
        wait((plan.source, plan.output))
        panel.lamp(True, RUNNING)
        panel.show({"running": True, "progress": "Measuring."})

    def lost(is_lost: bool) -> None:
        panel.lost(is_lost, output_known=run is not None and run.is_off)
        wait(None)

    ask(plan.generator_request)
    taken: list[Gain] = []
    run = SignalRun(
        plan,
        job,
        pass_name,
        drive_pp_v=drive_pp_v,
        ask=ask,
        say=lambda text: panel.notice(text.removeprefix("! ")),
        patience_s=math.inf,
        lost=lost,
        look=lambda: wait(None),
    )
    try:
        with run:
            if plan.needs_load:
                confirmed = Event(kind="confirmation", subject="load", text="load across the output confirmed")
                job.add_event(pass_name, confirmed)
            for gain in run.two_channels(frequencies):
                taken.append(gain)
                wait(None)
                _show(panel, job, pass_name, plan, taken, len(frequencies))
    finally:
        # Whatever ended it: what the generator confirmed counts.
        if run.is_off:
            panel.lamp(False, "off")
    _show(panel, job, pass_name, plan, taken, len(frequencies), running=False)


def _entry(body: Mapping[str, Any], name: str, called: str) -> float:
    try:
        value = parse_value(str(body.get(name, "")))
    except ValueError as error:
        raise ConfigError.from_problems([Problem(called, 0, "", str(error))]) from error
    if value <= 0:
        raise ConfigError.from_problems([Problem(called, 0, "", f"expected a value above zero, got {value:g}")])
    return value


def _show(
    panel: GainPanel,
    job: Job,
    pass_name: str,
    plan: StagePlan,
    taken: Sequence[Gain],
    count: int,
    running: bool = True,
) -> None:
    from analysis.app.signal.show import gain_facts, level_and_phase
    from analysis.report.words import with_uncertainty

    # A sweep is told by its middle: where the gain stands that people mean by the gain of a stage.
    gain = taken[-1] if running else min(taken, key=lambda g: abs(math.log(g.freq_hz / MIDDLE_HZ)))
    facts = gain_facts(gain, plan)
    read = with_uncertainty(gain.magnitude, gain.magnitude_std, "gain")
    words = f"{plan.name}: gain {read}, {level_and_phase(gain)}"
    model_words = ""
    if "expected" in facts:
        expected = plan.expected([gain.freq_hz])
        size = abs(expected[0]) if expected is not None else math.nan
        model_words = f"Model with these probes: {size:.4g}; measured {100 * (gain.magnitude / size - 1):+.1f} %."
    panel.show(
        {
            "running": running,
            "waiting": False,
            "progress": f"{len(taken)} of {count} taken" if running else "Done. The generator is off.",
            "result": {
                "words": words,
                "model_words": model_words,
                "warnings": [w for w in [facts.get("probe_question"), *facts["notes"]] if w],
            },
            "traces": _traces(job.read_pass(pass_name).captures, gain),
            "response": _response(plan, taken, not running) if count > 1 else [],
        },
    )


def _traces(captures: Sequence[Capture], gain: Gain) -> list[dict[str, Any]]:
    """The newest record of each point, three periods of it, with the fitted wave; each to its own height."""
    from analysis.sinefit import fit_sine

    found = []
    for point in (gain.from_point, gain.to_point):
        mine = (c for c in reversed(captures) if c.point == point and c.freq_hz is not None)
        capture = next((c for c in mine if math.isclose(c.freq_hz or 0.0, gain.freq_hz, rel_tol=2e-3)), None)
        if capture is None:
            continue
        span = max(8, min(capture.codes.size, int(3 / gain.freq_hz / capture.dt_s)))
        step = max(1, span // TRACE_POINTS)
        times, volts = capture.times_s[:span:step], capture.volts
        try:
            fit = fit_sine(volts, capture.dt_s, gain.freq_hz, t0_s=capture.t0_s)
        except FitFailed:
            continue
        scale = fit.amplitude_v or 1.0
        smooth = np.linspace(times[0], times[-1], TRACE_POINTS)
        found.append(
            {
                "name": f"{point}, {2 * fit.amplitude_v:.4g} V p-p",
                "small": True,
                "points": _pairs(1e3 * times, (volts[:span:step] - fit.offset_v) / scale),
                "line": _pairs(1e3 * smooth, (fit.wave_v(smooth) - fit.offset_v) / scale),
            }
        )
    return found


def _response(plan: StagePlan, taken: Sequence[Gain], final: bool) -> list[dict[str, Any]]:
    """Measured points; at the end over the band of healthy chassis, which takes longer than a point."""
    from acquisition.records import Measurand, Reading
    from analysis.chassis import bands

    # The decibels of next to no output have no end; the words beside the figure tell of it.
    heard = [[g.freq_hz, round(g.gain_db, 3), round(g.gain_db_std, 4)] for g in taken if g.is_heard]
    measured = {"name": "measured", "points": heard}
    if plan.model is None or not final:
        return [measured] if heard else []
    wanted = [Measurand(point=g.point, quantity="gain", freq_hz=g.freq_hz) for g in taken]
    rails = [Reading(point=point, quantity="dc_v", value=value) for point, value in plan.read_v.items()]
    found = bands(plan.model, wanted, rails, count=100)
    band = [
        [g.freq_hz, *(round(20 * math.log10(max(limit, 1e-9)), 3) for limit in (b.low, b.high))]
        for g, b in zip(taken, found, strict=True)
        if math.isfinite(b.low) and math.isfinite(b.high)
    ]
    return [measured, {"name": "healthy, 95 %", "band": band}]


def _pairs(x: np.ndarray, y: np.ndarray) -> list[list[float]]:
    return [[round(float(a), 5), round(float(b), 4)] for a, b in zip(x, y, strict=True)]
