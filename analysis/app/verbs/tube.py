"""``stagewalk tube``: what is known about a tube type, or its constants fitted anew."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquisition.quantities import format_value
from analysis.app.terminal import harmless, styled, tell, text_width

if TYPE_CHECKING:
    from analysis.tubes import Section, Tube
    from analysis.tubes.fit import PointError
    from analysis.tubes.refit import Refit

_LIMITS = {
    "plate_v": ("plate", "V"), "plate_w": ("plate dissipation", "W"),
    "plate_both_w": ("plate dissipation, both sections", "W"), "screen_v": ("screen", "V"),
    "screen_w": ("screen dissipation", "W"), "cathode_a": ("cathode current", "A"),
    "heater_negative_v": ("heater to cathode, heater negative", "V"),
    "heater_positive_v": ("heater to cathode, heater positive", "V"),
    "grid_fixed_ohm": ("grid circuit, fixed bias", "ohm"), "grid_self_ohm": ("grid circuit, cathode bias", "ohm"),
    "inverse_v": ("peak inverse voltage", "V"), "output_a": ("direct output current", "A"),
    "peak_a": ("peak current, each plate", "A"),
}  # fmt: skip
_SYSTEMS = {
    "design-centre": "normal supply variation may carry it past these",
    "design-maximum": "not to be passed, supply variation included",
}
_FIGURES = {
    "plate_a": ("Ia", 1e3, "mA"), "screen_a": ("Ig2", 1e3, "mA"), "gm_s": ("gm", 1e3, "mA/V"),
    "rp_ohm": ("rp", 1e-3, "kohm"),
}  # fmt: skip
_CAUTION = (
    "High-voltage marks are for normal service. In a fault any pin may be live, heaters included, and capacitors"
    " hold charge after switch-off. Licensed practice and local codes come first."
)


@click.command("tube")
@click.argument("type_number", metavar="[TYPE]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print everything as one JSON object.")
@click.option("--svg", type=click.Path(dir_okay=False, path_type=Path), help="Write the base as an SVG drawing.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with ASCII characters.")
@click.option("--refit", is_flag=True, help="Fit the model anew to the published points; TYPE may be 'all'.")
@click.option("--write", is_flag=True, help="With --refit: write the constants into the tube's file.")
def command(
    type_number: str | None, as_json: bool, svg: Path | None, ascii_only: bool, refit: bool, write: bool
) -> None:
    """Base from below, heater pins, danger pins, ratings, what the type number says.

    TYPE is an American or European number, in any case. Without it the known types are listed.
    """
    from analysis.tubes import load_tube, tube_names

    if write and not refit:
        raise click.UsageError("--write goes with --refit")
    if refit:
        if type_number is None:
            raise click.UsageError("--refit needs a TYPE, or 'all'")
        _refit(type_number, as_json, write)
        return
    if type_number is None:
        names = tube_names()
        click.echo(json.dumps({"tubes": names}) if as_json else "\n".join(_columns(names)))
        return
    tube = load_tube(type_number)
    if svg is not None:
        from analysis.app.output import write_whole
        from analysis.tubes.base_svg import base_svg

        write_whole(svg, base_svg(tube))
    if as_json:
        click.echo(json.dumps(tube_facts(tube), indent=2, ensure_ascii=False))
        return
    click.echo("\n".join(_sheet(tube, ascii_only or not _draws_unicode())))
    if svg is not None:
        tell(f"drawing written: {svg}")


def _draws_unicode() -> bool:
    try:
        "◆≈╳▲▶".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def _columns(names: list[str]) -> list[str]:
    return ["  ".join(f"{name:<8}" for name in names[at : at + 7]).rstrip() for at in range(0, len(names), 7)]


def _errors(section: Section) -> list[PointError]:
    from analysis.tubes.fit import point_error

    model = section.model
    if model is None:
        return []
    return [
        point_error(model, point) for point in section.points if point.plate_a and point.connection != "converter"
    ]


def tube_facts(tube: Tube) -> dict[str, Any]:
    """Everything about a type as plain data.

    Parameters
    ----------
    tube : Tube
        Any type.
    """
    from dataclasses import asdict

    from analysis.tubes.base import spoken_place
    from analysis.tubes.numbering import number_findings
    from analysis.tubes.traps import traps

    makes = tube.unlike_sections
    return {
        "tube": tube.name,
        "aliases": list(tube.aliases),
        "relatives": dict(tube.relatives),
        "construction": tube.construction,
        "base": tube.base,
        "basing": tube.basing,
        "pins": [
            {
                "pin": pin.number, "function": pin.function, "section": pin.section, "heater": pin.is_heater,
                "high_voltage": pin.is_high_voltage, "tie_point": pin.is_tie_point,
                "place": spoken_place(tube.base, pin.number),
            }
            for pin in tube.pins.values()
        ],
        "sections": [
            {"section": s.name, "kind": s.kind, "pins": list(s.pins)}
            | (_section_facts(s) if len(makes) > 1 and s in makes else {})
            for s in tube.sections
        ],
        "heater": [{**asdict(c), "text": c.text} for c in tube.heater],
        "high_voltage_pins": list(tube.high_voltage_pins),
        **(_section_facts(makes[0]) if len(makes) == 1 else {}),
        "capacitances": {s.name: asdict(s.capacitances) for s in tube.sections if s.capacitances},
        "type_number": [asdict(finding) for finding in number_findings(tube)],
        "watch_for": list(traps(tube)),
        "confirmed": dict(tube.confirmed),
        "source": tube.source,
        "notes": tube.notes,
    }  # fmt: skip


def _section_facts(section: Section) -> dict[str, Any]:
    """What unlike sections have each for itself, and a type of one make once for all."""
    from dataclasses import asdict

    return {
        "limits": {key: value for key, value in asdict(section.limits).items() if value is not None},
        "model": {"source": section.model_source} if section.model_source else None,
        "points": [_point_facts(error) for error in _errors(section)],
    }


def _point_facts(error: PointError) -> dict[str, Any]:
    point = error.point
    return {
        "connection": point.connection, "plate_v": point.plate_v, "screen_v": point.screen_v,
        "grid_v": None if point.connection == "rectifier" else point.bias_v,
        "published": {name: getattr(point, name) for name in error.relative},
        "model": dict(error.model), "relative_error": dict(error.relative),
        "fitted": point.fitted, "confirmed": point.confirmed, "source": point.source, "note": point.note,
    }  # fmt: skip


def _sheet(tube: Tube, ascii_only: bool) -> list[str]:
    from analysis.tubes.base_text import base_text
    from analysis.tubes.traps import traps

    also = f", also {', '.join(tube.aliases)}" if tube.aliases else ""
    lines = [
        styled(tube.name, bold=True) + f"{also}: {harmless(tube.construction)}, {tube.base} base {tube.basing}",
        "",
        _coloured(base_text(tube, ascii_only=ascii_only)),
        "",
        *_block("Heater", [_heater_line(c.name, c.text, c.hot_ohm) for c in tube.heater]),
        *_block("High voltage", [_danger_line(tube)]),
        *_block("Sections", _section_lines(tube)),
        *_block("Limits", _limit_lines(tube)),
        *_block("Model", _model_lines(tube)),
        *_block("Type number", [*_finding_lines(tube), _NEVER]),
        *_block("Watch for", list(traps(tube))),
        *_block("Not the same", [f"{name}: {text}" for name, text in tube.relatives.items()]),
        *_block("Notes", [tube.notes] if tube.notes else []),
        *_block("Source", [tube.source, *_doubts(tube)]),
        "",
        *_wrapped(_CAUTION, "", ""),
    ]
    return lines


_NEVER = (
    "an American number never tells base, pin order, function or ratings; a European one tells the base, but no pin"
    " order and no ratings"
)


def _wrapped(text: str, first: str, rest: str) -> list[str]:
    import textwrap

    return textwrap.wrap(
        harmless(text), text_width(), initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )


def _block(title: str, lines: list[str]) -> list[str]:
    result: list[str] = []
    for number, line in enumerate(lines):
        head = f"{title:<14}" if number == 0 else " " * 14
        result += _wrapped(line, head, " " * 16)
    return result


def _coloured(drawing: str) -> str:
    # Colour on top of shape, never instead: vermilion and orange of the Okabe-Ito set.
    drawing = re.sub(r"[◆#]\d[◆#≈~]", lambda m: styled(m[0], fg=(213, 94, 0), bold=True), drawing)
    return re.sub(r"[≈~]\d[≈~]", lambda m: styled(m[0], fg=(230, 159, 0)), drawing)


def _heater_line(name: str, text: str, hot_ohm: float) -> str:
    cold = f"{hot_ohm / 8.0:.1f} to {hot_ohm / 5.0:.1f}"
    return f"{'' if name == 'only' else name + ': '}{text}; hot {hot_ohm:.3g} ohm, cold about {cold} ohm"


def _danger_line(tube: Tube) -> str:
    if not tube.high_voltage_pins:
        return "none in normal service"
    named = (f"{n} ({tube.pins[n].label})" for n in tube.high_voltage_pins)
    return f"pin{'s' if len(tube.high_voltage_pins) > 1 else ''} " + ", ".join(named)


def _section_lines(tube: Tube) -> list[str]:
    if len(tube.sections) == 1:
        return []
    lines = [f"{section.label}: {section.kind}" for section in tube.sections]
    if any(section.name == "b" and section.kind == "triode" for section in tube.sections):
        lines.append("a is unit 1 of the sheets; drawings often call pins 1, 2, 3 the A section, so go by the pins")
    return lines


def _limit_lines(tube: Tube) -> list[str]:
    makes = tube.unlike_sections
    twin = len(makes) == 1 and sum(section.kind in ("triode", "pentode") for section in tube.sections) > 1
    systems = {section.limits.rating_system for section in makes}
    lines = []
    for section in makes:
        figures = []
        for name, (words, unit) in _LIMITS.items():
            value = getattr(section.limits, name)
            if value is not None:
                each = ", each section" if name == "plate_w" and twin else ""
                figures.append(f"{words}{each} {format_value(value, unit)}")
        system = "" if len(systems) == 1 else f"{section.limits.rating_system}; "
        lines.append(_of_make(section, makes) + system + "; ".join(figures))
    return [*(f"{system} ({_SYSTEMS[system]})" for system in sorted(systems)), *lines]


def _model_lines(tube: Tube) -> list[str]:
    makes, lines = tube.unlike_sections, []
    for section in makes:
        errors = _errors(section)
        source = section.model_source if errors else "none: there is no law with published constants for this type"
        lines += [_of_make(section, makes) + source, *(_point_line(error) for error in errors)]
    return lines


def _of_make(section: Section, makes: tuple[Section, ...]) -> str:
    return f"{section.label}: " if len(makes) > 1 else ""


def _point_line(error: PointError) -> str:
    point = error.point
    volts = [f"{point.plate_v:g} V"]
    if point.screen_v is not None:
        volts.append(f"screen {point.screen_v:g} V")
    if point.connection != "rectifier":
        volts.append(f"grid {point.bias_v:.3g} V")
    kind = f" {point.connection}" if point.connection == "triode-connected" else ""
    return f"{', '.join(volts)}{kind}: {_compared(error)}{'' if point.fitted else ' (not fitted)'}"


def _compared(error: PointError) -> str:
    parts = []
    for name, relative in error.relative.items():
        label, scale, unit = _FIGURES[name]
        published = getattr(error.point, name) * scale
        off = round(relative, 3) or 0.0  # no minus before a zero
        parts.append(f"{label} {error.model[name] * scale:.3g} {unit} (sheet {published:.4g}, {off:+.1%})")
    return "; ".join(parts)


def _finding_lines(tube: Tube) -> list[str]:
    from analysis.tubes.numbering import number_findings

    lines: dict[tuple[str, str, str], str] = {}
    for finding in number_findings(tube):
        actual = f"; it is {finding.actual}" if finding.actual else ""
        verdict = ". The rule fails here" if finding.verdict == "fails" else ""
        # An alias of the same system says the same again: once is enough.
        said = (finding.part, finding.says, finding.actual)
        lines.setdefault(said, f"{finding.name}, {finding.part}: {finding.says}{actual}{verdict}")
    return list(lines.values())


def _doubts(tube: Tube) -> list[str]:
    doubts = [f"{name}: {how}" for name, how in tube.confirmed.items() if name != "all" and how != "yes"]
    return [f"seen in print or from memory: {'; '.join(doubts)}"] if doubts else []


def _refit(name: str, as_json: bool, write: bool) -> None:
    from analysis.tubes import load_tube, tube_names
    from analysis.tubes.refit import refit_tube, write_model

    if name.lower() == "all":
        names = [known for known in tube_names() if any(point.fitted for point in load_tube(known).points)]
    else:
        names = [name]
    results = []
    for result in (result for each in names for result in refit_tube(each)):
        if write:
            write_model(result)
        if as_json:
            results.append(_refit_facts(result))
        else:
            click.echo("\n".join(_refit_lines(result, write)))
    if as_json:
        click.echo(json.dumps({"refits": results}, indent=2))


def _refit_facts(result: Refit) -> dict[str, Any]:
    return {
        "tube": result.tube,
        "unit": result.unit,
        "constants": dict(result.constants),
        "points": [_point_facts(error) for error in (*result.errors, *result.others)],
    }


def _refit_lines(result: Refit, written: bool) -> list[str]:
    values = ", ".join(f"{name} {value:.5g}" for name, value in result.constants.items())
    section = f" {result.section}" if result.section else ""
    lines = [f"{styled(result.tube, bold=True)}{section}  {values}"]
    for error in (*result.errors, *result.others):
        lines += _wrapped(_point_line(error), "    ", "      ")
    state = f"written to {result.path}" if written else "not written; add --write to keep them"
    moved = "" if result.is_shipped else " (differ from those in the file)"
    return [*lines, f"    {state}{moved}"]
