"""The job, the bench and the pass that a command line names."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquisition.records import PULLED
from analysis.app.volts import LEAST_MAINS_V, MOST_MAINS_V

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from acquisition.records import Pass, Reading
    from acquisition.store import Job
    from analysis.chassis import Chassis


def job_for(
    path: str,
    chassis_name: str | None,
    bench_name: str | None,
    serial: str = "",
    fits: Callable[[Chassis], object] = lambda chassis: None,
) -> Job:
    """Open a job for writing; make it when it is not there and a chassis and a bench are named.

    Parameters
    ----------
    path : str
        File or database URL.
    chassis_name, bench_name : str or None
        Files or names of shipped ones, for a new job.
    serial : str
        Serial number of the chassis, for a new job.
    fits : callable, optional
        Looks at the chassis before a new job is made of it, and raises where what is asked for is not on it.

    Raises
    ------
    UsageError
        The job is not there and something is missing to make it, or it is of another chassis.
    ConfigError
        There is a mistake in a file that the new job would keep; no job is made.
    """
    from acquisition.store import has_job, open_job
    from acquisition.store.files import name_of

    if has_job(path):
        job = open_job(path)
        try:
            require_same(job, chassis_name, serial)
        except BaseException:
            job.close()
            raise
        return job
    for name, what in ((chassis_name, "chassis"), (bench_name, "bench")):
        if name is None:
            raise click.UsageError(
                f"{name_of(path)}: no job there yet: name the {what} of the new one with --{what}"
            )
    return new_job(path, str(chassis_name), bench_name, serial, fits)


def new_job(
    path: str,
    chassis_name: str,
    bench_name: str | None = None,
    serial: str = "",
    fits: Callable[[Chassis], object] = lambda chassis: None,
) -> Job:
    """Make a job of a chassis file and, if wanted, a bench file.

    Parameters
    ----------
    path, chassis_name, bench_name, serial, fits
        As `job_for`.

    Raises
    ------
    ConfigError
        There is a mistake in a file that the new job would keep; no job is made.
    """
    from acquisition.configs import find_config
    from acquisition.store import create_job
    from analysis.chassis import load_chassis

    # A job keeps its files word for word: a mistake in one would be in it for good.
    fits(load_chassis(chassis_name))
    chassis, bench_text = find_config("chassis", chassis_name), ""
    if bench_name is not None:
        from acquisition.instruments import load_bench

        load_bench(bench_name)
        bench_text = find_config("benches", bench_name).read_text(encoding="utf-8")
    return create_job(path, chassis.stem, chassis.read_text(encoding="utf-8"), bench_text, serial=serial)


def job_to_read(path: str) -> Job:
    """Open a job for reading, and tell what of it is lost.

    Parameters
    ----------
    path : str
        Job file or database URL.
    """
    from acquisition.store import open_job
    from analysis.app.terminal import tell

    job = open_job(path, read_only=True)
    for line in job.damage:
        tell(f"{path}: {line}", err=True)
    return job


def require_same(job: Job, chassis_name: str | None, serial: str = "") -> None:
    """See that a job is of the chassis that was named: what is for a new job changes nothing in an old one.

    Parameters
    ----------
    job : Job
        Open.
    chassis_name : str or None
        File or name of a shipped one.
    serial : str
        Serial number; empty where none was named.

    Raises
    ------
    UsageError
        It is of another.
    """
    from acquisition.errors import ConfigError
    from acquisition.store.files import name_of
    from analysis.chassis import load_chassis, parse_chassis

    sheet = job.sheet
    if serial and serial != sheet.serial:
        has = f"has serial number {sheet.serial}" if sheet.serial else "has no serial number yet"
        raise click.UsageError(
            f"{name_of(job.path)} {has}, and --serial {serial} is for a new job: leave it out, name another, or "
            "write it down with stagewalk note --serial"
        )
    if chassis_name is None:
        return
    try:
        kept = parse_chassis(sheet.chassis_text, sheet.chassis_name).title
    except ConfigError:
        kept = sheet.chassis_name or "no chassis"
    if kept != (asked := load_chassis(chassis_name).title):
        raise click.UsageError(
            f"{name_of(job.path)} is of {kept}, and --chassis {asked} is for a new job: leave it out, or name "
            "another"
        )


def beside(path: str, suffix: str) -> Path:
    """File next to a job file; in this folder, named after the database, for a job by URL.

    Parameters
    ----------
    path : str
        File or database URL.
    suffix : str
        Of the file, with its point.
    """
    if "://" in path:
        return Path(path.rpartition("/")[2].partition("?")[0] + suffix)
    return Path(path).with_suffix(suffix)


def bench_for(name: str | None, job: Job) -> Bench:
    """The bench named, else the one kept in the job.

    Parameters
    ----------
    name : str or None
        File or name of a shipped one.
    job : Job
        Open.

    Raises
    ------
    UsageError
        None was named and the job keeps none.
    """
    from acquisition.instruments import load_bench
    from acquisition.instruments.bench import parse_bench

    if name is not None:
        return load_bench(name)
    if not job.sheet.bench_text.strip():
        raise click.UsageError("the job keeps no bench file: name one with --bench")
    return parse_bench(job.sheet.bench_text, f"bench file kept in {job.path}")


def chassis_of(job: Job) -> Chassis | None:
    """The chassis of a job without its model; None where the job keeps none that this version reads.

    Parameters
    ----------
    job : Job
        Open.
    """
    from acquisition.errors import ConfigError
    from analysis.chassis import parse_chassis

    try:
        return parse_chassis(job.sheet.chassis_text, job.sheet.chassis_name)
    except ConfigError:
        return None


def latest_pass(job: Job, name: str | None) -> str:
    """The pass to add to: the one named, else the last, else ``as-found``.

    Parameters
    ----------
    job : Job
        Open.
    name : str or None
        As asked for; need not be there yet.
    """
    names = job.passes()
    return name or (names[-1] if names else "as-found")


def pass_so_far(job: Job, name: str) -> Pass:
    """A pass as it is kept, without waveforms; an empty one where it has not begun.

    Parameters
    ----------
    job : Job
        Open.
    name : str
        The pass.
    """
    from acquisition.records import Pass

    return job.read_pass(name, captures=False) if name in job.passes() else Pass(name=name, started_utc="")


def direct_readings(job: Job, name: str) -> tuple[Reading, ...]:
    """DC readings of a pass that need no further visit; none where it has not begun. A held value does not count.

    Parameters
    ----------
    job : Job
        Open.
    name : str
        The pass.
    """
    return tuple(r for r in pass_so_far(job, name).readings if r.quantity == "dc_v" and r.quality != "held")


def pulled_in(job: Job, name: str, asked: Sequence[str]) -> tuple[str, ...]:
    """Sockets whose tubes are out in a pass: as it was begun, or as asked where it is new.

    Parameters
    ----------
    job : Job
        Open.
    name : str
        The pass.
    asked : sequence of str
        From `analysis.app.standing.stands`; empty where nothing was said.

    Raises
    ------
    UsageError
        The pass was begun otherwise: what is expected of its readings would be wrong.
    """
    if name not in job.passes():
        return tuple(asked)
    kept = pass_so_far(job, name).pulled
    if asked and set(asked) != set(kept):
        from analysis.report.words import standing_text

        raise click.UsageError(
            f"{name} was begun with {standing_text(kept)}: begin another (--pass NAME), or put a "
            "mistake right under Notes of the page or with stagewalk note"
        )
    return kept


def require_point(chassis: Chassis, point: str, option: str) -> None:
    """See that a point is one of the chassis, by pin or by name.

    Parameters
    ----------
    chassis : Chassis
        The file.
    point : str
        As it was typed.
    option : str
        Where it was typed, for the message.

    Raises
    ------
    BadParameter
        It is none.
    """
    names = {f"{socket}.{pin}" for socket, tube in chassis.sockets.items() for pin in tube.pins}
    names |= set(chassis.node_names)
    if point not in names:
        raise click.BadParameter(f"no point {point}; there are {' '.join(sorted(names))}", param_hint=option)


def begin_pass(job: Job, name: str, mains_v: float | None, pulled: Sequence[str] = ()) -> float | None:
    """Start a pass, or go on with one, and see that its mains are written down once they are known.

    A gain measured first, or an import, begins a pass before anybody read the mains.

    Parameters
    ----------
    job : Job
        Open for writing.
    name : str
        New or there.
    mains_v : float, optional
        Mains now, volts rms.
    pulled : sequence of str
        Sockets whose tubes are out, where it is a new pass.

    Returns
    -------
    float or None
        What the pass has: the mains it was begun with come first.
    """
    if name not in job.passes():
        job.start_pass(name, mains_v=mains_v, settings={PULLED: " ".join(pulled)} if pulled else None)
        return mains_v
    kept = pass_so_far(job, name).mains_v
    if kept is None and mains_v is not None:
        job.write_conditions(name, mains_v=mains_v)
        return mains_v
    return kept


def told_of_mains(name: str, kept_v: float | None, mains_v: float | None, drawn_v: float | None) -> str:
    """What to say of the mains that were given; empty where there is nothing.

    Parameters
    ----------
    name : str
        The pass.
    kept_v, mains_v : float or None
        From `begin_pass`; as given now.
    drawn_v : float or None
        What the chassis is made for, where that is known.
    """
    if kept_v is None or mains_v is None:
        return ""
    if kept_v != mains_v:
        return (
            f"{name} was begun at {kept_v:g} V mains and keeps that: a new pass (--pass NAME) takes another, and "
            f"stagewalk note --mains puts a mistake right"
        )
    from analysis.chassis.conditions import FAR_FROM_DRAWN

    if drawn_v and not drawn_v / FAR_FROM_DRAWN <= mains_v <= drawn_v * FAR_FROM_DRAWN:
        return (
            f"{name}: {mains_v:g} V mains, where the drawing has {drawn_v:g} V; every expected value follows it, "
            f"but heaters that are colder or hotter are not in the model: if it was mistyped, stagewalk note "
            f"--mains puts it right"
        )
    return ""


def mains_from(words: str, usual_v: float) -> float | None:
    """Mains as a person types them; None where nothing was typed.

    Parameters
    ----------
    words : str
        ``231``, ``117.5`` or ``117,5``.
    usual_v : float
        For the example in the error.

    Raises
    ------
    BadParameter
        No number, or none that mains can have.
    """
    if not words.strip():
        return None
    try:
        mains_v = float(words.replace(",", "."))
    except ValueError:
        mains_v = 0.0
    if not LEAST_MAINS_V <= mains_v <= MOST_MAINS_V:
        between = f"volts rms between {LEAST_MAINS_V:g} and {MOST_MAINS_V:g}, such as {usual_v:g}"
        raise click.BadParameter(f"expected {between}, got {words!r}", param_hint="mains")
    return mains_v
