"""``stagewalk list``: the jobs of a folder."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from acquisition.store import list_jobs
from analysis.app.terminal import harmless


@click.command("list")
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(folder: Path, as_json: bool) -> int:
    """Jobs in FOLDER (here when left out): chassis, passes, readings, last date."""
    jobs = list_jobs(folder)
    if as_json:
        click.echo(json.dumps({"jobs": [asdict(job) for job in jobs]}, indent=1))
        return 0
    if not jobs:
        click.echo(f"no job in {folder.resolve()}; stagewalk survey starts one")
        return 0
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("job", "chassis", "passes"):
        table.add_column(heading, overflow="fold")
    for heading in ("readings", "captures"):
        table.add_column(heading, justify="right")
    table.add_column("last (UTC)", no_wrap=True)
    for job in jobs:
        name = escape(harmless(Path(job.path).name))
        if job.problem:
            table.add_row(name, f"({job.problem})", "", "", "", "")
            continue
        chassis = job.chassis_name + (f", no. {job.serial}" if job.serial else "")
        last = job.last_utc[:16].replace("T", " ")
        passes = ", ".join(job.passes) or "none"
        table.add_row(
            name, escape(harmless(chassis)), escape(harmless(passes)), str(job.readings), str(job.captures), last
        )
    Console(highlight=False).print(table)
    return 0
