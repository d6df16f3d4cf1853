"""``stagewalk gain``: gain and phase of a stage, its response, its headroom, the hum at its output."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from analysis.app.options import standing_options
from analysis.app.terminal import tell_wrapped
from analysis.app.volts import ABOVE_ONE

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.app.signal.plan import StagePlan
    from analysis.app.signal.session import SignalRun
    from analysis.chassis import Chassis
    from analysis.gain import Gain
    from analysis.headroom import Step

POINTS = 30
PATIENCE_S = 60.0
"""How long a lost instrument is looked for; then the run ends, and the same command goes on where it was."""


class Value(click.ParamType):
    """A number as people at a bench write it: 1k, 0.1, 20k."""

    name = "value"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read it."""
        from acquisition.quantities import comma_hint, parse_value

        if isinstance(value, float):
            return value
        try:
            number = parse_value(str(value))
        except ValueError:  # whose own words are of parts, and no volts or hertz
            self.fail(f"expected a number such as 0.1, 20 or 1k, got {value!r}{comma_hint(str(value))}", param, ctx)
        if number <= 0:
            self.fail(f"expected a value above zero, got {value!r}", param, ctx)
        return number


@click.command("gain")
@click.argument("job_path", metavar="JOB")
@click.argument("stage")
@click.option("--freq", "freq_hz", type=Value(), default=1000.0, metavar="HZ", help="Frequency; 1k when left out.")
@click.option("--drive", "drive_pp_v", type=Value(), default=0.1, metavar="V", help="Generator, peak to peak; 0.1.")
@click.option("--sweep", metavar="LOW:HIGH[:N]", help="Response over frequency, such as 20:20k or 5:50k:40.")
@click.option("--headroom", "most_pp_v", type=Value(), metavar="V", help="Raise the drive up to V until it clips.")
@click.option("--hum", is_flag=True, help="Lines of hum at the stage's output, the generator off.")
@click.option("--balance", is_flag=True, help="STAGE is two outputs of an inverter: how equal, how opposite.")
@click.option("--swap", is_flag=True, help="Measure twice with the probes exchanged: their errors drop out.")
@click.option("--one-channel", is_flag=True, help="Input and output one after the other, sync as trigger.")
@click.option("--again", is_flag=True, help="With --sweep: measure again what the pass has already.")
@click.option("--supply", "supply_v", type=ABOVE_ONE, metavar="V", help="Unloaded high tension, if no rails tell.")
@click.option("--load-connected", is_flag=True, help="Say beforehand that the output has its load.")
@click.option("--ready", is_flag=True, help="Probes and leads are in place: do not ask.")
@click.option(
    "--bench", "bench_name", metavar="B", help="Bench file or name; the one kept in the job when left out."
)
@click.option("--pass", "pass_name", metavar="NAME", help="Pass to add to; the last one when left out.")
@standing_options("during a new pass")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def command(
    job_path: str,
    stage: str,
    freq_hz: float,
    drive_pp_v: float,
    sweep: str | None,
    most_pp_v: float | None,
    hum: bool,
    balance: bool,
    swap: bool,
    one_channel: bool,
    again: bool,
    supply_v: float | None,
    load_connected: bool,
    ready: bool,
    bench_name: str | None,
    pass_name: str | None,
    pulled: tuple[str, ...],
    lifted: tuple[str, ...],
    load: tuple[str, ...],
    as_json: bool,
) -> int:
    """Measure STAGE of JOB with generator and scope, and keep every record.

    STAGE is a stage of the chassis file, or two points FROM>TO. The generator's output is on only while a record is
    taken. A sweep that was broken off goes on where it stopped when it is asked for again.
    """
    from acquisition.store import open_job
    from analysis.app.jobs import bench_for, chassis_of, latest_pass, pass_so_far, pulled_in
    from analysis.app.modelled import modelled
    from analysis.app.signal.plan import plan_stage
    from analysis.app.signal.session import SignalRun
    from analysis.app.signal.show import CAUTIONS, LOAD_QUESTION
    from analysis.app.standing import stands
    from analysis.report.words import standing_text

    if sum((sweep is not None, most_pp_v is not None, hum)) > 1 or (swap and one_channel):
        raise click.UsageError("--sweep, --headroom and --hum, and --swap and --one-channel, exclude each other")
    alone = "--sweep" if sweep is not None else "--headroom" if most_pp_v is not None else "--hum" if hum else ""
    if balance and alone:
        raise click.UsageError(f"--balance is for one frequency: leave it out, or {alone}")
    if (swap or one_channel) and alone in ("--headroom", "--hum"):
        ways = "--swap" if swap else "--one-channel"
        raise click.UsageError(f"{ways} is for gain at one frequency or over a sweep: leave it out, or {alone}")
    frequencies = _frequencies(sweep) if sweep else [freq_hz]
    if again and sweep is None:
        raise click.UsageError("--again is for --sweep: one frequency is measured each time it is asked for")
    with open_job(job_path) as job:
        name = latest_pass(job, pass_name)
        kept = pass_so_far(job, name)
        drawn = chassis_of(job)
        out = pulled_in(job, name, stands(drawn, pulled, lifted, load) if drawn is not None else ())
        chassis, _, reason = modelled(job.sheet, out)
        bench = bench_for(bench_name, job)
        plan = plan_stage(stage, chassis, bench)
        if not hum and plan.source == plan.output:
            why = f"is no stage that can be known, {reason}" if chassis is None else "is one point"
            raise click.UsageError(f"{stage} {why}: gain needs a stage, or two points FROM>TO")
        say: Callable[[str], None] = lambda text: tell_wrapped(text, 2, err=as_json)  # noqa: E731
        for caution in CAUTIONS:
            say(f"! {caution}")
        if out:
            say(f"pass {name}: {standing_text(out)}")
        if reason:
            say(f"no model to compare with: {reason}")
        if not hum:
            _require_load(plan, load_connected, LOAD_QUESTION)
        plan = dataclasses.replace(plan.in_pass(kept), supply_v=supply_v)

        def ask(request: str) -> None:
            say(f"with the power off: {request}")
            if not ready:
                click.prompt(
                    "Enter when done and the power is on again", default="", show_default=False, err=as_json
                )

        if not hum:
            ask(plan.generator_request)
        say("looking for generator and scope")
        with SignalRun(plan, job, name, drive_pp_v=drive_pp_v, ask=ask, say=say, patience_s=PATIENCE_S) as run:
            if not hum and plan.needs_load:
                _note_load(job, name)
            if hum:
                facts, lines = _hum(run)
            elif most_pp_v is not None:
                facts, lines = _headroom(run, plan, most_pp_v, say)
            elif sweep:
                facts, lines = _sweep(run, plan, job, name, frequencies, _way(run, swap, one_channel), say, again)
            else:
                (gain,) = _way(run, swap, one_channel)(frequencies)
                facts, lines = _single(gain, plan, balance)
                if balance and chassis is not None:
                    _add_pairs(chassis, job, name, facts, lines)
        head = {"stage": plan.name, "from": plan.source, "to": plan.output, "pass": name}
        if as_json:
            click.echo(json.dumps({**head, **facts}, indent=2))
        else:
            tell_wrapped("\n".join(lines), 11)
    return 0


def _frequencies(text: str) -> list[float]:
    from acquisition.quantities import parse_value
    from analysis.response import log_frequencies

    parts = text.split(":")
    try:
        if len(parts) not in {2, 3}:
            raise ValueError(f"expected LOW:HIGH or LOW:HIGH:N, got {text!r}")
        low, high = parse_value(parts[0]), parse_value(parts[1])
        if len(parts) == 3 and not parts[2].strip().isdecimal():
            raise ValueError(f"expected a whole number of frequencies, such as 20:20k:{POINTS}, got {parts[2]!r}")
        count = int(parts[2]) if len(parts) == 3 else POINTS
        return [float(f) for f in log_frequencies(low, high, count)]
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--sweep") from None


def _require_load(plan: StagePlan, said: bool, question: str) -> None:
    hint = "connect the load with the power off, then answer y, or give --load-connected"
    plan.require_load(True, hint)  # no question about one that is noted as lifted
    if plan.needs_load and not said:
        plan.require_load(click.confirm(question, default=False, err=True), hint)


def _note_load(job: Job, name: str) -> None:
    from acquisition.records import Event

    job.add_event(name, Event(kind="confirmation", subject="load", text="load across the output confirmed"))


def _way(run: SignalRun, swap: bool, one_channel: bool) -> Any:
    if one_channel:
        return run.one_channel
    return run.exchanged_probes if swap else run.two_channels


def _single(gain: Gain, plan: StagePlan, balance: bool) -> tuple[dict[str, Any], list[str]]:
    from analysis.app.signal.show import balance_text, gain_facts, gain_text
    from analysis.balance import balance_of

    facts, lines = gain_facts(gain, plan), gain_text(gain, plan)
    facts["budget"] = {
        "gain": [dataclasses.asdict(row) for row in gain.magnitude_budget().rows],
        "phase_deg": [dataclasses.asdict(row) for row in gain.phase_budget().rows],
    }
    for rows in facts["budget"].values():
        for row in rows:
            row["dof"] = None if math.isinf(row["dof"]) else row["dof"]
    if balance:
        found = balance_of(gain)
        facts["balance"] = dataclasses.asdict(found)
        lines = [*balance_text(found), "", *lines]
    return facts, lines


def _add_pairs(chassis: Chassis, job: Job, name: str, facts: dict[str, Any], lines: list[str]) -> None:
    """Matching of the output pairs, as far as the pass holds their cathode volts."""
    from analysis.app.signal.pairs import match_pairs
    from analysis.app.signal.show import pair_facts, pair_text

    pairs = match_pairs(chassis, job.read_pass(name).readings, job.work_done(name))
    facts["pairs"] = [pair_facts(pair) for pair in pairs]
    lines[:0] = [line for pair in pairs for line in pair_text(pair)]


def _sweep(
    run: SignalRun,
    plan: StagePlan,
    job: Job,
    name: str,
    frequencies: list[float],
    way: Any,
    say: Callable[[str], None],
    again: bool,
) -> tuple[dict[str, Any], list[str]]:
    import dataclasses

    from acquisition.errors import FitFailed
    from analysis.app.signal.plan import frequencies_left, is_driven_by
    from analysis.app.signal.show import corner_line, gain_facts, sweep_head, sweep_line
    from analysis.gain import gains_kept
    from analysis.response import Corner, Response

    point = f"{plan.source}>{plan.output}"
    taken = [(r.freq_hz, r.drive_pp_v) for r in job.read_pass(name).readings if r.point == point]
    left = frequencies if again else frequencies_left(frequencies, taken, run.drive_pp_v)
    if len(left) < len(frequencies):
        kept = len(frequencies) - len(left)
        say(
            f"{kept} of {len(frequencies)} frequencies are in the pass already; --again measures them a second time"
        )
    for number, gain in enumerate(way(left) if left else ()):
        if number == 0:
            say(sweep_head())  # below the requests about probes, which come with the first record
        say(sweep_line(gain, plan))
    # What was taken now and what was kept from before are computed the same way: from the records in the job.
    latest = {}
    for gain in gains_kept(job.read_pass(name).captures, plan.source, plan.output, plan.accuracy):
        for freq_hz in frequencies:
            if math.isclose(gain.freq_hz, freq_hz, rel_tol=2e-3) and is_driven_by(gain.drive_pp_v, run.drive_pp_v):
                latest[freq_hz] = gain
    gains = tuple(latest[freq_hz] for freq_hz in sorted(latest))
    response = Response(gains=gains)
    corners: dict[str, Corner | FitFailed | None] = {}
    for side in ("low", "high"):
        try:
            corners[side] = response.corner(side)
        except FitFailed as error:
            corners[side] = error
    ends = (frequencies[0], frequencies[-1])
    told = {side: corner_line(side, corner, ends) for side, corner in corners.items()}
    facts = {
        "response": [gain_facts(gain, plan) for gain in gains],
        "corners": {side: dataclasses.asdict(c) if isinstance(c, Corner) else None for side, c in corners.items()},
        "corners_told": told,
    }
    return facts, list(told.values())


def _headroom(
    run: SignalRun, plan: StagePlan, most_pp_v: float, say: Callable[[str], None]
) -> tuple[dict[str, Any], list[str]]:
    from analysis.app.signal.modelled_onset import model_onset, model_onset_text
    from analysis.app.signal.show import headroom_facts, headroom_text, step_head, step_line
    from analysis.headroom import headroom_of

    steps: list[Step] = []
    for step in run.headroom(most_pp_v):
        if not steps:
            say(step_head())
        steps.append(step)
        say(step_line(step))
    found = headroom_of(steps, limited_by="the drive or the ratings given")
    load_ohm = plan.load_ohm
    model = model_onset(plan, found.criterion, most_pp_v)
    facts = {**headroom_facts(found, load_ohm), "model": model}
    return facts, [*headroom_text(found, load_ohm), model_onset_text(model)]


def _hum(run: SignalRun) -> tuple[dict[str, Any], list[str]]:
    from analysis.app.signal.show_hum import hum_facts, hum_text

    found = run.hum()
    return hum_facts(found), hum_text(found)
