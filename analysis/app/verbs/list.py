"""``stagewalk list``: the jobs of a folder, and what drifted from one to the next."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquisition.store import SUFFIX, JobSummary, list_jobs
from acquisition.store.listing import summarise
from analysis.app.terminal import harmless, tell

if TYPE_CHECKING:
    from rich.table import Table

    from analysis.trend import Trend


@click.command("list")
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.option(
    "--trend", "trend", is_flag=True, help="What drifted from pass to pass, over all jobs of one chassis."
)
@click.option("--serial", metavar="NUMBER", help="Only jobs of this serial number.")
@click.option("--point", metavar="POINT", help="With --trend: every value of this point.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(folder: Path, trend: bool, serial: str | None, point: str | None, as_json: bool) -> int:
    """Jobs in FOLDER (here when left out), or one job: chassis, passes, readings, last date.

    With --trend every pass counts as a visit. From three visits on, over 30 days and more, a straight line is drawn
    through each reading. Readings are brought to one mains voltage by the model, where the chassis file has parts.
    """
    if point and not trend:
        raise click.UsageError("--point is for --trend")
    jobs = (summarise(folder),) if folder.suffix == SUFFIX and folder.is_file() else list_jobs(folder)
    if trend:
        _trend(jobs, serial, point, as_json)
        return 0
    if serial is not None:
        known = sorted({job.serial for job in jobs if job.serial})
        found = tuple(job for job in jobs if job.serial == serial)
        if jobs and not found and not as_json:
            tell(f"no job of serial number {serial} in {folder.resolve()}; there are: {', '.join(known) or 'none'}")
            return 0
        jobs = found
    if as_json:
        click.echo(json.dumps({"jobs": [asdict(job) for job in jobs]}, indent=1))
        return 0
    if not jobs:
        tell(f"no job in {folder.resolve()}; stagewalk survey starts one")
        return 0
    from rich.markup import escape
    from rich.table import Table

    from analysis.app.tables import OpenConsole, show_table

    table = Table(box=None, header_style="bold", pad_edge=False)
    longest = max(len(Path(job.path).name) for job in jobs)
    table.add_column("job", overflow="fold", min_width=min(longest, 32))
    for heading in ("chassis", "passes"):
        table.add_column(heading, overflow="fold")
    for heading in ("readings", "captures"):
        table.add_column(heading, justify="right", no_wrap=True, min_width=len(heading))
    table.add_column("last (UTC)", no_wrap=True, min_width=len("2026-01-01 00:00"))
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
    show_table(OpenConsole(highlight=False), table, ("job", "last (UTC)"), folds=True)
    return 0


def _trend(jobs: tuple[JobSummary, ...], serial: str | None, point: str | None, as_json: bool) -> None:
    from analysis.app.drift import chosen_jobs, date_of, drift_json, drift_of

    visits, found, notes = drift_of(chosen_jobs(jobs, serial), point)
    if as_json:
        click.echo(json.dumps(drift_json(visits, found, notes), indent=1))
        return
    from analysis.app.tables import OpenConsole, show_table

    console = OpenConsole(highlight=False, markup=False)
    for visit in visits:
        mains = f", mains {visit.mains_v:g} V" if visit.mains_v else ""
        changed = f"; changed: {', '.join(visit.replaced)}" if visit.replaced else ""
        console.print(harmless(f"{date_of(visit)}  {visit.job}, {visit.pass_name}{mains}{changed}"))
    if not found:
        console.print("nothing was read at two visits" + (f" at {harmless(point)}" if point else ""))
    else:
        # What drifted is read first, the largest against its uncertainty at the top.
        found = sorted(found, key=lambda t: (not t.drifted, -abs(t.change) / t.change_std if t.drifted else 0.0))
        table = _table(found, utf8=console.encoding.lower().startswith("utf"))
        show_table(console, table, ("reading", "drifted", "course"))
        drifted = sum(trend.drifted for trend in found)
        console.print(f"{drifted} of {len(found)} drifted (one chance in twenty of any false mark)")
    for note in notes:
        console.print(harmless(f"note: {note}"))


COURSE = "▁▂▃▄▅▆▇█"
NOISE = 8.0
"""Standard uncertainties that fill the height of a course at least: what only scatters looks flat."""


def course(trend: Trend) -> str:
    """One block a visit, high where the value was high.

    Parameters
    ----------
    trend : Trend
        Of one reading.
    """
    values = trend.changes
    middle = 0.5 * (max(values) + min(values))
    height = max(max(values) - min(values), NOISE * max(stand.std for stand in trend.stands), 1e-12)
    return "".join(COURSE[round((len(COURSE) - 1) * ((value - middle) / height + 0.5))] for value in values)


def _table(found: list[Trend], *, utf8: bool) -> Table:
    from rich.table import Table
    from rich.text import Text

    from analysis.report.words import measurand_text, to_its_uncertainty, with_uncertainty

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("reading")
    for heading in ("drifted", *(["course"] if utf8 else []), "first", "last", "change, 95 %", "a year, 95 %"):
        table.add_column(heading, justify="left" if heading in ("drifted", "course") else "right", no_wrap=True)
    for trend in found:
        quantity = trend.measurand.quantity

        def written(value: float | None, std: float | None, of: str = quantity) -> str:
            if value is None:
                return "-"
            return with_uncertainty(value, std, of, ascii_only=True).removeprefix("x")

        ends = (
            to_its_uncertainty(s.corrected, s.std, quantity, ascii_only=True)
            for s in (trend.stands[0], trend.stands[-1])
        )
        rate_std = None if trend.rate_high is None or trend.rate is None else 0.5 * (trend.rate_high - trend.rate)
        table.add_row(
            Text(harmless(measurand_text(trend.measurand, ascii_only=True))),
            ("up" if trend.rises else "down") if trend.drifted else "",
            *([course(trend)] if utf8 else []),
            *ends,
            written(trend.change, trend.change_std),
            written(trend.rate, rate_std),
        )
    return table
