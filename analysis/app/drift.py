"""The visits of one chassis, collected from the jobs of a folder for `analysis.trend`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquisition.errors import StoreError
from acquisition.records import REPAIRS
from acquisition.store import JobSummary

if TYPE_CHECKING:
    from acquisition.store import Job
    from analysis.trend import Trend, Visit


def chosen_jobs(jobs: Sequence[JobSummary], serial: str | None) -> list[JobSummary]:
    """Jobs of one serial number, or of the one chassis that the folder holds.

    Parameters
    ----------
    jobs : sequence of JobSummary
        From `list_jobs`; those that cannot be read are left out.
    serial : str or None
        Serial number; None where all jobs are of one chassis.

    Raises
    ------
    click.UsageError
        There is no such job, or the jobs are of several chassis.
    """
    readable = [job for job in jobs if not job.problem]
    if serial is not None:
        found = [job for job in readable if job.serial == serial]
        known = sorted({job.serial for job in readable if job.serial})
        if not found:
            raise click.UsageError(f"no job of serial number {serial}; there are: {', '.join(known) or 'none'}")
    else:
        found = readable
    units = sorted({f"{job.chassis_name}, no. {job.serial}" if job.serial else job.chassis_name for job in found})
    if len(units) > 1:
        raise click.UsageError(
            f"the jobs are of several chassis ({'; '.join(units)}): choose one with --serial, or name one job"
        )
    return found


def visits_of(job: Job, name: str) -> list[Visit]:
    """Every pass of a job as a visit, but those of which nothing tells when they were.

    A visit was when its readings were taken; those of a pass that was written down later have no time of their own
    but what its file gave them.

    Parameters
    ----------
    job : Job
        Open.
    name : str
        How to call it.
    """
    from analysis.trend import Visit

    found = []
    for pass_name in job.passes():
        one = job.read_pass(pass_name)
        times = sorted(filter(None, (_moment(reading.taken_utc) for reading in one.readings)))
        moment = times[len(times) // 2] if times else _moment(one.started_utc)
        if moment is None:
            continue
        replaced = [e.subject for e in one.events if e.kind in REPAIRS and e.subject]
        found.append(
            Visit(
                job=name,
                pass_name=pass_name,
                days=moment.timestamp() / 86400.0,
                readings=one.readings,
                mains_v=one.mains_v,
                replaced=tuple(dict.fromkeys(replaced)),
                pulled=one.pulled,
            )
        )
    return found


def _moment(text: str) -> datetime | None:
    """Time of a text, in UTC where it does not say; None where it tells none, as of a pass that was rescued."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def drift_of(jobs: Sequence[JobSummary], point: str | None) -> tuple[list[Visit], list[Trend], list[str]]:
    """Visits and trends of the jobs of one chassis, and what limits them.

    Parameters
    ----------
    jobs : sequence of JobSummary
        From `chosen_jobs`.
    point : str or None
        Only readings of this point (``FROM>TO`` for gain and phase); None for all.
    """
    from dataclasses import replace

    from acquisition.store import open_job
    from analysis.app.modelled import modelled
    from analysis.app.passes import reached
    from analysis.chassis.conditions import FAR_FROM_DRAWN
    from analysis.judge import without_drive
    from analysis.trend import trends

    visits: list[Visit] = []
    notes: list[str] = []
    last_utc, model, mains_v, reason = "", None, None, "no job"
    for summary in jobs:
        path = Path(summary.path)
        try:
            with open_job(path, read_only=True) as job:
                notes += [f"{path.stem}: {line}" for line in job.damage]
                dated = visits_of(job, path.stem)
                if out := [visit.pass_name for visit in dated if visit.pulled]:
                    notes.append(f"left out, with something out of circuit: {', '.join(out)} of {path.stem}")
                visits += [visit for visit in dated if not visit.pulled]
                if lost := sorted(set(job.passes()) - {visit.pass_name for visit in dated}):
                    notes.append(f"left out, nothing tells when they were: {', '.join(lost)} of {path.stem}")
                if summary.last_utc >= last_utc:  # the newest chassis file knows best
                    chassis, model, reason = modelled(job.sheet)
                    mains_v, last_utc = (chassis.mains_v if chassis else None), summary.last_utc
        except StoreError as error:
            notes.append(f"left out: {error}")
    if len(jobs) > 1 and not any(job.serial for job in jobs):
        notes.append("no job has a serial number: all are taken for visits of one and the same chassis")
    if mains_v:
        least_v, most_v = mains_v / FAR_FROM_DRAWN, mains_v * FAR_FROM_DRAWN
        far = [visit for visit in visits if visit.mains_v and not least_v <= visit.mains_v <= most_v]
        notes += [
            f"left out, heaters are colder or hotter at {v.mains_v:g} V mains than at {mains_v:g} V: {v.pass_name} "
            f"of {v.job} (stagewalk note --mains puts a mistake right)"
            for v in far
        ]
        visits = [visit for visit in visits if visit not in far]
    if point is not None:
        visits = [replace(v, readings=tuple(r for r in v.readings if r.point == point)) for v in visits]
    if model is None:
        notes.append(f"readings are as taken, not brought to one mains voltage: {reason}")
    else:
        notes += without_drive([reading for visit in visits for reading in visit.readings])
        visits = [replace(v, readings=reached(model, v.readings)) for v in visits]
        if any(not visit.mains_v for visit in visits):
            notes.append("visits whose mains was not written down are not corrected for it")
    if any(visit.replaced for visit in visits):
        notes.append("a part that was changed is a step and no drift: stagewalk compare tells the two apart")
    return sorted(visits, key=lambda v: v.days), trends(visits, model, mains_v), notes


def drift_json(visits: Sequence[Visit], found: Sequence[Trend], notes: Sequence[str]) -> dict[str, Any]:
    """Plain data of a trend.

    Parameters
    ----------
    visits, found, notes
        From `drift_of`.
    """
    return {
        "visits": [
            {
                "job": v.job,
                "pass": v.pass_name,
                "date": date_of(v),
                "mains_v": v.mains_v,
                "replaced": list(v.replaced),
            }
            for v in visits
        ],
        "trends": [
            {
                "point": trend.measurand.point,
                "quantity": trend.measurand.quantity,
                "freq_hz": trend.measurand.freq_hz,
                "stands": [
                    {"date": date_of(s.visit), "value": s.value, "corrected": s.corrected, "std": s.std}
                    for s in trend.stands
                ],
                "change": trend.change,
                "change_std": trend.change_std,
                "rate_per_year": trend.rate,
                "rate_std": trend.rate_std,
                "rate_low": trend.rate_low,
                "rate_high": trend.rate_high,
                "probability_by_chance": trend.probability,
                "drifted": trend.drifted,
            }
            for trend in found
        ],
        "notes": list(notes),
    }


def date_of(visit: Visit) -> str:
    """Day of a visit, UTC.

    Parameters
    ----------
    visit : Visit
        The visit.
    """
    return datetime.fromtimestamp(visit.days * 86400.0, UTC).date().isoformat()
