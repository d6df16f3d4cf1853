"""``stagewalk bench``: find, identify and check the instruments."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING

import click

from analysis.app.terminal import tell, tell_wrapped

if TYPE_CHECKING:
    from acquisition.instruments import Finding


@click.command("bench")
@click.argument("bench_name", metavar="BENCH")
@click.option("--probes", is_flag=True, help="Check the scope's two probes on its calibrator, and nothing else.")
@click.option("--ready", is_flag=True, help="The probes are in place: do not ask.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def command(bench_name: str, probes: bool, ready: bool, as_json: bool) -> int:
    """Open each instrument of BENCH (a name or a file), and say what answers.

    Switches the generator's output off. Ends with 3 when an instrument cannot be used, or a probe is not trimmed.
    """
    if probes:
        return _check_probes(bench_name, ready=ready, as_json=as_json)
    from acquisition.instruments import ROLES, check_instrument, list_limits, load_bench

    bench = load_bench(bench_name)
    limits = list_limits(bench)
    findings: list[Finding] = []
    if not as_json:
        tell(f"{bench.bench} (VISA library {bench.backend})")
    for role in ROLES:
        entry = getattr(bench, role)
        if entry is None:
            continue
        if not as_json:  # at once: a slow or silent one takes seconds to be known as such
            tell(f"\n{role}: {entry.resource}, dialect {entry.dialect}")
        findings.append(check_instrument(bench, role))
        if not as_json:
            _show(findings[-1])
    if as_json:
        instruments = [{**dataclasses.asdict(finding), "is_fine": finding.is_fine} for finding in findings]
        click.echo(json.dumps({"bench": bench.bench, "instruments": instruments, "cannot": limits}, indent=2))
    elif limits:
        tell("\nWhat cannot work here:")
        for text in limits:
            tell_wrapped(f"  - {text}", 4)
    return 0 if all(finding.is_fine for finding in findings) else 3


def _check_probes(bench_name: str, *, ready: bool, as_json: bool) -> int:
    """Take the scope's square wave through each probe; factor and trimmer show in it."""
    from acquisition.errors import FitFailed
    from acquisition.instruments import load_bench, open_scope
    from acquisition.instruments.calibrator import record_calibrator
    from acquisition.instruments.check import put_back
    from acquisition.instruments.scope_setup import restore_setup
    from analysis.probes import check_probe, unlike

    bench = load_bench(bench_name)
    if bench.scope is None:
        raise click.UsageError("the bench file has no scope: add one, or leave --probes out")
    if not ready:
        text = (
            "Take the probes of channels 1 and 2 off the chassis. Put both tips on the scope's calibrator, both "
            "clips on the earth beside it. Enter when done"
        )
        click.prompt(text, "", show_default=False, err=as_json)
    with open_scope(bench) as scope, put_back(lambda: restore_setup(scope.session, scope.found)) as left:
        records = record_calibrator(scope, range(1, min(2, scope.channels) + 1), bench.probe.factor)
    found, missing = [], []
    for record in records:
        try:
            found.append(check_probe(record))
        except FitFailed as error:
            missing.append((record.channel, f"{error} ({error.hint})"))
    doubt = unlike(*found) if len(found) == 2 else ""
    if as_json:
        checked = [{**dataclasses.asdict(one), "is_square": one.is_square} for one in found]
        told = {"probes": checked, "missing": [channel for channel, _ in missing], "doubt": doubt, "changed": left}
        click.echo(json.dumps(told, indent=2))
    else:
        for one in found:
            tell_wrapped(f"channel {one.channel}  {one.text()}", 11)
        for text in (*(words for _, words in missing), *([doubt] if doubt else [])):
            tell_wrapped(f"TROUBLE    {text}", 11)
        for text in left:
            tell_wrapped(f"changed    {text}", 11)
    return 0 if found and not doubt and all(one.is_square for one in found) else 3


def _show(finding: Finding) -> None:
    if finding.identity:
        tell_wrapped(f"  is       {finding.identity}", 11)
    if finding.reading:
        tell_wrapped(f"  reads    {finding.reading}", 11)
    if finding.round_trip_s is not None:
        tell(f"  answers  within {finding.round_trip_s * 1000:.3g} ms")
    for text in finding.errors:
        tell_wrapped(f"  reports  {text}", 11)
    for text in finding.left:
        tell_wrapped(f"  changed  {text}", 11)
    if finding.trouble:
        tell_wrapped(f"  TROUBLE  {finding.trouble}", 11)
        if finding.hint:
            tell_wrapped(f"  hint     {finding.hint}", 11)
