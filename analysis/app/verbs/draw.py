"""``stagewalk draw``: a chassis file as a drawing, to catch mistakes before the first probe."""

from __future__ import annotations

from pathlib import Path

import click

from analysis.app.terminal import tell


@click.command("draw")
@click.argument("chassis")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="SVG file; CHASSIS.svg here when left out."
)
def command(chassis: str, out: Path | None) -> None:
    """Draw CHASSIS (a file, or the name of a shipped one) as SVG, one cell a tube section."""
    from analysis.app.output import write_whole
    from analysis.chassis import load_chassis
    from analysis.report.drawing import chassis_svg

    name = Path(chassis).name
    target = out or Path(f"{name.removesuffix('.yaml').removesuffix('.yml')}.svg")
    write_whole(target, chassis_svg(load_chassis(chassis)))
    tell(f"drawn: {target}")
