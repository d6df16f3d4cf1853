"""``stagewalk report``: one self-contained HTML file of a job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.app.terminal import tell

if TYPE_CHECKING:
    from acquisition.records import Pass, Told
    from acquisition.store import Job
    from analysis.chassis import ChassisModel
    from analysis.idle import Idle
    from analysis.judge import Judged
    from analysis.report.material import Material
    from analysis.suspects import Diagnosis


def gather(job: Job) -> Material:
    """Everything a report shows, from an open job.

    Parameters
    ----------
    job : Job
        The open job.
    """
    from dataclasses import replace
    from importlib import metadata

    from acquisition.errors import unsteered
    from acquisition.records import Pass
    from analysis.app.apart import apart_from_first, compare_apart
    from analysis.app.modelled import modelled
    from analysis.app.passes import judged
    from analysis.app.verbs.compare import compare_passes
    from analysis.idle import idle_of
    from analysis.judge import asked_about, without_drive
    from analysis.report.material import Material, ends_of

    sheet = job.sheet
    passes = tuple(job.read_pass(name) for name in job.passes())
    ends = ends_of(passes)
    stood = {pulled: modelled(sheet, pulled) for pulled in {one.pulled for one in passes}}
    chassis, model, reason = stood[ends[0].pulled] if ends else modelled(sheet)
    limits = [*job.damage, *([f"no healthy bands and no suspects: {reason}"] if reason else [])]
    comparison = diagnosis = told = None
    counted_words: tuple[str, ...] = ()
    verdicts: dict[str, tuple[Judged, ...]] = {}
    functions: dict[str, str] = {}
    idle: dict[str, tuple[Idle, ...]] = {}
    first: list[str] = []
    if model is not None:
        functions = {name: point.function for name, point in model.points.items()}
        own = [(one, its) for one in passes if (its := stood[one.pulled][1]) is not None]
        verdicts = {one.name: tuple(judged(its, one.readings, one.mains_v)) for one, its in own}
        idle = {one.name: tuple(idle_of(its.chassis, one.readings, job.work_done(one.name))) for one, its in own}
        limits += without_drive([reading for one in passes for reading in one.readings])
        asked = {one.name: asked_about(its.chassis, its, one.readings, one.mains_v) for one, its in own}
        first = asked.pop(ends[0].name, []) if ends else []
        limits += [f"{name}: {question}" for name, found in asked.items() for question in found]
        if ends and ends[0].readings:  # of none only what is believed beforehand could be told
            diagnosis, told, counted_words = _diagnosis(model, ends[0], job)
    if len(ends) > 1:
        known = (chassis, model, reason)
        comparison = compare_passes(job, ends[0].name, ends[1].name, known, verdicts)
    apart = tuple(compare_apart(job, *both, known=stood.__getitem__) for both in apart_from_first(job, passes))
    material = Material(
        sheet=sheet,
        passes=tuple(one for one in passes if isinstance(one, Pass)),
        judged=verdicts,
        functions=functions,
        idle=idle,
        comparison=comparison,
        diagnosis=diagnosis,
        told=told,
        counted=counted_words,
        asked=tuple(first),
        apart=apart,
        limits=tuple(limits),
        program=f"stagewalk {metadata.version('stagewalk')}",
    )
    return replace(unsteered(material), chassis=chassis)  # the reader of chassis files lets nothing like that in


def _diagnosis(model: ChassisModel, one: Pass, job: Job) -> tuple[Diagnosis, Told | None, tuple[str, ...]]:
    """Suspects as a pass left them, when they were told, and which passes count."""
    from analysis.app.modelled import Models
    from analysis.app.together import counted, stood
    from analysis.app.told import SUSPECTS, as_told
    from analysis.suspects import Diagnoser, Diagnosis

    taken = counted(job, one)

    def answer() -> Diagnosis:
        read = stood(taken, Models(model))
        diagnoser = Diagnoser(read.model, read.measurands, read.known, beside=read.beside, now=read.now)
        return diagnoser.diagnose(read.readings)

    return *as_told(job, one.name, SUSPECTS, taken.basis, Diagnosis, answer), taken.rounds


@click.command("report")
@click.argument("job")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="HTML file; beside JOB when left out.")
@click.option("--pdf", "wants_pdf", is_flag=True, help="A PDF as well, by a browser without a window.")
@click.option("--paper", type=click.Choice(["A4", "letter"], case_sensitive=False), default="A4", show_default=True,
              help="Size of the PDF.")  # fmt: skip
@click.option("--browser", metavar="PROGRAM", help="Browser for --pdf.")
@click.option("--found", metavar="TEXT", help="What was wrong, in your words; kept in JOB.")
@click.option("--advice", metavar="TEXT", help="What is left undone or advised; kept in JOB.")
def command(
    job: str, out: Path | None, wants_pdf: bool, paper: str, browser: str | None, found: str | None,
    advice: str | None,
) -> int:  # fmt: skip
    """Write the report of JOB as one HTML file that opens offline and prints to A4 and Letter."""
    from acquisition.store import open_job
    from analysis.app.jobs import beside, job_to_read
    from analysis.app.output import write_whole
    from analysis.report.pdf import find_browser, print_to_pdf
    from analysis.report.render import render

    if out is not None and out.suffix.lower() == ".pdf":
        hint = f"--out {out.with_suffix('.html')} --pdf writes both"
        raise click.BadParameter(f"expected the name of the HTML file, got {out}: {hint}", param_hint="--out")
    if found is not None or advice is not None:
        with open_job(job) as writable:
            writable.conclude(found=found, advice=advice)
    with job_to_read(job) as opened:
        text = render(gather(opened))
    page = out or beside(job, ".html")
    write_whole(page, text)
    tell(f"wrote {page}")
    if wants_pdf:
        pdf = page.with_suffix(".pdf")
        print_to_pdf(page, pdf, find_browser(browser), paper)
        tell(f"wrote {pdf}")
    return 0
