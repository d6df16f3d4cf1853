"""``stagewalk demo``: the whole job on the simulated bench."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("stagewalk-demo"),
    show_default=True,
    help="Folder for the job, the bench file and the report.",
)
@click.option(
    "--seed", type=int, default=1, show_default=True, help="Draws the instruments, their noise, the hands."
)
@click.option("--fast", is_flag=True, help="Quicker hands.")
@click.option("--hand-held", is_flag=True, help="Read with a hand-held meter that streams on a pseudo-terminal.")
def command(out: Path, seed: int, fast: bool, hand_held: bool) -> int:
    """The whole job over real SCPI, with no hardware.

    Starts a simulated meter, scope and generator on this machine, in front of an amplifier with a leaking coupling
    capacitor. Surveys it, measures the gain of its stages, names the suspect, changes the part, repeats, compares
    and writes the report.
    """
    from analysis.app.demo.story import run
    from analysis.app.terminal import harmless

    meter = "stream-meter" if hand_held else "scpi-meter"
    report = run(out, seed=seed, pace=0.1 if fast else 0.3, meter=meter, say=lambda line: click.echo(line))
    click.echo(f"\nreport: {harmless(str(report))}")
    return 0
