"""``stagewalk page``: the live bench page on this machine."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acquisition.simulated.bench import SimulatedBench
    from analysis.app.page.worker import Operator

SIMULATED_CHASSIS = "quayside-five"


@click.command("page")
@click.argument("job_path", metavar="JOB")
@click.option("--chassis", "chassis_name", metavar="F", help="Chassis file or name, for a new job.")
@click.option(
    "--bench", "bench_name", metavar="B", help="Bench file or name; the one kept in the job when left out."
)
@click.option(
    "--pass", "pass_name", metavar="NAME", help="Pass to begin or go on with; the last one when left out."
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port; any free one when left out.")
@click.option("--lan", is_flag=True, help="Listen on the network too; the address then carries a token.")
@click.option("--delicate", is_flag=True, help="Offer grids that a meter upsets too.")
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--simulated", is_flag=True, help="A simulated bench with simulated hands, to see how it works.")
def command(
    job_path: str,
    chassis_name: str | None,
    bench_name: str | None,
    pass_name: str | None,
    port: int,
    lan: bool,
    delicate: bool,
    no_browser: bool,
    simulated: bool,
) -> int:
    """Show JOB on a page beside the chassis: what to touch, what it reads, what that means.

    The page is served on this machine only. Its views are the survey, gain, before and after, and the drawing with
    measured over expected volts; the space bar, or a foot pedal that types it, is the only key the survey needs.
    """
    from acquisition.instruments.bench import parse_bench
    from acquisition.store import has_job
    from analysis.app.jobs import bench_for, beside, chassis_of, job_for, latest_pass
    from analysis.app.modelled import modelled
    from analysis.app.page.hub import Hub
    from analysis.app.page.server import guarded, listen, page_app, serve
    from analysis.app.page.views import views_of
    from analysis.app.page.worker import BenchWorker

    with ExitStack() as stack:
        operator: Operator | None = None
        bench = None
        if simulated:
            made, operator = _simulated(stack, job_path)
            _require_simulated(job_path, chassis_name, made.bench_text())
            bench = parse_bench(made.bench_text(), "simulated bench")
            if not has_job(job_path):
                chassis_name = chassis_name or SIMULATED_CHASSIS
                bench_name = str(made.write(beside(job_path, ".bench.yaml")))
        with job_for(job_path, chassis_name, bench_name) as job:
            bench = bench or bench_for(bench_name, job)
            name = latest_pass(job, pass_name)
            if chassis_of(job) is None:
                raise click.UsageError(f"no points to walk: {modelled(job.sheet)[2]}")
        hub = Hub()
        worker = BenchWorker(job_path, bench, hub, name, delicate=delicate, operator=operator)
        address = listen(port, lan)
        stack.callback(address.listener.close)
        app = guarded(page_app(hub, worker, views_of(job_path)), address)
        click.echo(f"page: {address.url}")
        click.echo("Ctrl-C ends it; everything read is on disk.")
        sys.stdout.flush()
        if not no_browser and not lan:
            import webbrowser

            webbrowser.open(address.url)
        worker.start()
        stack.callback(worker.end)
        serve(app, hub, address)
        if worker.failure is not None:
            raise worker.failure
    return 0


def _require_simulated(job_path: str, chassis_name: str | None, bench_text: str) -> None:
    """Keep what was never measured out of the jobs of real chassis."""
    from acquisition.store import has_job, open_job

    if has_job(job_path):
        with open_job(job_path, read_only=True) as job:
            kept = job.sheet.bench_text
        if kept.partition("\n")[0] != bench_text.partition("\n")[0]:
            raise click.UsageError(
                f"{job_path} was not read on the simulated bench, and simulated readings would stand in it for "
                "good: name a new job with --simulated"
            )
    elif chassis_name not in (None, SIMULATED_CHASSIS):
        raise click.UsageError(f"the simulated bench has a {SIMULATED_CHASSIS} on it: leave --chassis out")


def _simulated(stack: ExitStack, job_path: str) -> tuple[SimulatedBench, Operator]:
    """The bench of the demonstration: one amplifier with a leaking capacitor, until it is changed, and somebody to
    probe it."""
    from acquisition.probing import Action, Do
    from acquisition.simulated.bench import SimulatedBench
    from acquisition.simulated.hands import Hands
    from acquisition.simulated.survey_hands import SurveyHands
    from acquisition.store import open_job
    from analysis.app.demo.plant import TablePlant, load_table
    from analysis.app.demo.story import PART

    table = load_table()
    bench = stack.enter_context(SimulatedBench(TablePlant(table, "leaky")))
    hands = Hands(bench.wiring, pace=1.5)

    class Helper(SurveyHands):
        """Survey hands that put the scope's probes on too, and change the part when the job says so."""

        def react(self, action: Action) -> None:
            if action.do is Do.PREPARE:
                with open_job(job_path, read_only=True) as job:
                    passes = job.passes()
                    changed = {event.subject for event in job.work_done(passes[-1])} if passes else set()
                bench.change(TablePlant(table, "mended" if PART in changed else "leaky"))
            super().react(action)

        def place(self, source: str, target: str) -> None:
            bench.wiring.switch(True)
            bench.wiring.clip(1, source)
            bench.wiring.clip(2, target)

    return bench, Helper(hands)
