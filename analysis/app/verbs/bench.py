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
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def command(bench_name: str, as_json: bool) -> int:
    """Open each instrument of BENCH (a name or a file), and say what answers.

    Switches the generator's output off. Ends with 3 when an instrument cannot be used.
    """
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
