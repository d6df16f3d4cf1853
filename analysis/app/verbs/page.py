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
    from analysis.app.jobs import bench_for, beside, job_for, latest_pass
    from analysis.app.page.hub import Hub
    from analysis.app.page.server import guarded, listen, page_app, serve
    from analysis.app.page.views import views_of
    from analysis.app.page.worker import BenchWorker

    with ExitStack() as stack:
        operator: Operator | None = None
        bench = None
        if simulated:
            made, operator = _simulated(stack)
            bench = parse_bench(made.bench_text(), "simulated bench")
            if not has_job(job_path):
                chassis_name = chassis_name or SIMULATED_CHASSIS
                bench_name = str(made.write(beside(job_path, ".bench.yaml")))
        with job_for(job_path, chassis_name, bench_name) as job:
            bench = bench or bench_for(bench_name, job)
            name = latest_pass(job, pass_name)
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


def _simulated(stack: ExitStack) -> tuple[SimulatedBench, Operator]:
    """The bench of the demonstration: one amplifier with a leaking capacitor, and somebody to probe it."""
    from acquisition.simulated.bench import SimulatedBench
    from acquisition.simulated.hands import Hands
    from acquisition.simulated.survey_hands import SurveyHands
    from analysis.app.demo.plant import TablePlant, load_table

    bench = stack.enter_context(SimulatedBench(TablePlant(load_table(), "leaky")))
    hands = Hands(bench.wiring, pace=1.5)

    class Helper(SurveyHands):
        """Survey hands that put the scope's probes on too."""

        def place(self, source: str, target: str) -> None:
            bench.wiring.switch(True)
            bench.wiring.clip(1, source)
            bench.wiring.clip(2, target)

    return bench, Helper(hands)
