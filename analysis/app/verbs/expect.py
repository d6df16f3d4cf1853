"""``stagewalk expect``: what a healthy chassis shows, point by point and stage by stage."""

from __future__ import annotations

import json
import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from analysis.app.options import standing_options
from analysis.app.terminal import harmless, text_width
from analysis.app.volts import MAINS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.chassis import ChassisModel
    from analysis.chassis.bands import Band
    from analysis.chassis.cold import ColdPoint
    from analysis.chassis.description import Printed
    from analysis.chassis.expecting import Expectations, TubeExpectation

_CAUTION = (
    "Volts of a healthy chassis at idle; a fault can put more anywhere."
    " Licensed practice and local codes come first."
)

_COLD = (
    "Power off, mains plug out, every reservoir discharged and that measured: what is left in one falsifies a"
    " reading, harms the meter and hurts. Wait until a number that rises stands. All paths in parallel are in these"
    " numbers; the leads add their own. Beside large capacitors and semiconductors a meter may show less. Licensed"
    " practice and local codes come first."
)


@click.command("expect")
@click.argument("chassis_name", metavar="CHASSIS")
@click.option(
    "--mains",
    "mains_v",
    type=MAINS,
    help="Mains volts instead of the usual range.",
)
@standing_options("then")
@click.option("--bench", "bench_name", metavar="FILE", help="Bench whose meter and probe load the points.")
@click.option("--meter-ohm", help="Input resistance of the meter, 10M when neither says.")
@click.option("--cold", is_flag=True, help="Ohms with the power off, to chassis and rail, instead of volts.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    chassis_name: str, mains_v: float | None, pulled: tuple[str, ...], lifted: tuple[str, ...],
    load: tuple[str, ...], bench_name: str | None, meter_ohm: str | None, cold: bool, as_json: bool,
) -> None:  # fmt: skip
    """Modelled volts per point with bands, gain and phase per stage.

    CHASSIS is a chassis file, or the name of one in configs/chassis. Volts are what the meter shows, its loading
    included; bands hold 95 % of healthy chassis.
    """
    from acquisition.quantities import parse_value
    from analysis.app.standing import stands
    from analysis.chassis import ChassisModel, MeterLoad, ProbeLoad, load_chassis
    from analysis.chassis.conditions import mains_asked
    from analysis.chassis.expecting import expect
    from analysis.report.words import standing_text

    meter, probe = MeterLoad(), ProbeLoad()
    if bench_name:  # the drivers take as long to load as everything else together
        from acquisition.instruments import load_bench
        from analysis.app.modelled import loads_of

        meter, probe = loads_of(load_bench(bench_name))
    if meter_ohm is not None:
        try:
            meter = MeterLoad(resistance_ohm=parse_value(meter_ohm))
            if meter.resistance_ohm <= 0:
                raise ValueError("expected a resistance above zero")
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--meter-ohm") from None
    chassis = load_chassis(chassis_name)
    chassis = chassis.without(stands(chassis, pulled, lifted, load))
    model = ChassisModel(chassis, meter, probe)
    if cold:
        _show_cold(model, as_json)
        return
    found = expect(model, mains_v=mains_v)
    found = replace(found, warnings=(*mains_asked(chassis, (), mains_v), *found.warnings))
    if as_json:
        click.echo(json.dumps(_facts(found), indent=2))
        return
    click.echo(f"{chassis.title}; {standing_text(chassis.pulled)}" if chassis.pulled else chassis.title)
    for line in _lines(model, found):
        click.echo(line)


def _show_cold(model: ChassisModel, as_json: bool) -> None:
    from analysis.chassis.cold import cold_chart
    from analysis.report.words import standing_text

    chart = cold_chart(model)
    if as_json:
        click.echo(json.dumps({one.point: _cold_facts(one) for one in chart}, indent=2))
        return
    chassis = model.chassis
    click.echo(f"{chassis.title}; {standing_text(chassis.pulled)}" if chassis.pulled else chassis.title)
    for line in _cold_lines(model, chart):
        click.echo(line)


def _cold_facts(one: ColdPoint) -> dict[str, Any]:
    def limits(band: Band) -> dict[str, float | None]:
        return {"cold_ohm": _round(band.expected), "low_ohm": _round(band.low), "high_ohm": _round(band.high)}

    rail = {} if one.to_rail is None else {one.rail: limits(one.to_rail)}
    return {"chassis": limits(one.to_chassis), **rail}


def _cold_lines(model: ChassisModel, chart: Sequence[ColdPoint]) -> list[str]:
    points = model.points
    whats = {one.point: f"{points[one.point].function} {points[one.point].section}".strip() for one in chart}
    wide, broad = max(10, *map(len, whats)), max(16, *map(len, whats.values()))
    lines = ["", f"{'point':<{wide}} {'what':<{broad}} {'to the chassis, 95 %':<26} to its rail"]
    for one in chart:
        head = f"{one.point:<{wide}} {whats[one.point]:<{broad}} "
        to_rail = "" if one.to_rail is None else f"{one.rail}: {_ohms(one.to_rail)}"
        row = f"{head}{_ohms(one.to_chassis):<26} {to_rail}".rstrip()
        fits = len(row) <= text_width()
        lines += [row] if fits else [f"{head}{_ohms(one.to_chassis)}", f"{'':<{len(head)}}{to_rail}"]
    return [*lines, "", *textwrap.wrap(_COLD, text_width())]


def _ohms(band: Band) -> str:
    from acquisition.quantities import format_value
    from analysis.chassis.cold import OPEN_FROM_OHM

    if not band.low < OPEN_FROM_OHM:
        return "open"
    # Below an ohm no prefix: mohm is too near to Mohm.
    low, high = (format_value(ohm, "ohm", 3) if ohm >= 1.0 else f"{ohm:.2f} ohm" for ohm in (band.low, band.high))
    return f"above {low}" if band.high > OPEN_FROM_OHM else f"{low} to {high}"


def _facts(found: Expectations) -> dict[str, Any]:
    return {
        "points": {
            name: {"dc_v": _round(band.expected), "low_v": _round(band.low), "high_v": _round(band.high)}
            for name, band in found.points.items()
        },
        "stages": {
            name: {
                "gain": _round(stage.gain.expected),
                "phase_deg": _round(stage.phase_deg.expected),
                "low": _round(stage.gain.low),
                "high": _round(stage.gain.high),
                "low_hz": _round(stage.low_hz),
                "high_hz": _round(stage.high_hz),
            }
            for name, stage in found.stages.items()
        },
        "tubes": {key: _tube_facts(tube) for key, tube in found.tubes.items()},
        "warnings": list(found.warnings),
    }


def _tube_facts(tube: TubeExpectation) -> dict[str, Any]:
    facts: dict[str, Any] = {"tube": tube.tube}
    for name in ("plate_a", "screen_a", "cathode_a", "plate_w", "screen_w"):
        band: Band | None = getattr(tube, name)
        if band is not None:
            facts[name] = {"value": _round(band.expected), "low": _round(band.low), "high": _round(band.high)}
    for name in ("plate_w", "screen_w", "cathode_a"):
        limit = getattr(tube.limits, name)
        if limit is not None and name in facts:
            facts[name]["limit"] = limit
    return facts


def _round(value: float | None) -> float | None:
    return None if value is None or value != value else float(f"{value:.5g}")


def _volts(value: float) -> str:
    text = f"{value:.1f}" if abs(value) >= 100 else f"{value:.2f}" if abs(value) >= 1 else f"{value:.3f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _against_print(printed: Printed | None, band: Band) -> str:
    if printed is None:
        return ""
    low, high = printed.limits_v
    return f"  printed {printed.volts:g}" + ("" if low <= band.expected <= high else ": they differ")


def _lines(model: Any, found: Expectations) -> list[str]:
    from analysis.report.words import frequency_text

    whats = {name: f"{model.points[name].function} {model.points[name].section}".strip() for name in found.points}
    wide, broad = (max(least, *map(len, words)) for least, words in ((10, whats), (22, whats.values())))
    widest = text_width()
    lines = ["", f"{'point':<{wide}} {'what':<{broad}} {'volts':>8}   95 % of healthy chassis"]
    for name, band in found.points.items():
        point = model.points[name]
        mark = _against_print(model.chassis.printed.get(name), band)
        mark += "  a meter upsets this grid" if point.delicate else ""
        volts = f"{_volts(band.expected):>8}   {_volts(band.low)} to {_volts(band.high)}"
        row = f"{name:<{wide}} {whats[name]:<{broad}} {volts}"
        fits = len(row) + len(mark) <= widest
        lines += [row + mark] if fits else [row, f"{'':<{wide}} {mark.strip()}"]
    if found.stages:
        wide = max(14, *map(len, found.stages))
        lines += ["", f"{'stage':<{wide}} {'gain':>8}   {'95 %':<17} {'phase':>7}  {'-3 dB from':>10} to"]
        for name, stage in found.stages.items():
            low = frequency_text(stage.low_hz) if stage.low_hz else "below 1 Hz"
            high = frequency_text(stage.high_hz) if stage.high_hz else "above 1 MHz"
            limits = f"{stage.gain.low:.3g} to {stage.gain.high:.3g}"
            middle = f"{stage.gain.expected:>8.4g}   {limits:<17} {stage.phase_deg.expected:>6.1f}"
            lines.append(f"{name:<{wide}} {middle}   {low:>10} {high}")
    lines += ["", f"{'tube':<14} {'plate mA':>9} {'screen mA':>10} {'plate W':>8}  limit W"]
    for key, tube in found.tubes.items():
        screen = f"{tube.screen_a.expected * 1e3:.2f}" if tube.screen_a else ""
        limit = f"{tube.limits.plate_w:g}" if tube.limits.plate_w else "not known"
        name = f"{key} {tube.tube}"
        plate = f"{tube.plate_a.expected * 1e3:>9.2f} {screen:>10} {tube.plate_w.expected:>8.2f}"
        lines.append(f"{name:<14} {plate}  {limit}")
    lines += [""] if found.warnings else []
    for text in found.warnings:
        lines += textwrap.wrap(harmless(f"warning: {text}"), widest, subsequent_indent="  ", break_on_hyphens=False)
    return [*lines, "", *textwrap.wrap(_CAUTION, widest)]
