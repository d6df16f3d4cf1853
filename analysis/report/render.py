"""One self-contained HTML file of a job. The same job gives the same bytes."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from itertools import groupby
from pathlib import Path
from string import ascii_uppercase
from typing import Any

from acquisition.records import Capture, Pass, Reading

from ..compare import NOT_EXPLAINED, Change, Standings
from ..judge import BAND_LEVEL
from ..judge import RULE as JUDGING_RULE
from ..suspects import Diagnosis, Suspect
from .change_row import SHORT, change_row
from .conditions import begun_utc, common_facts, conditions, own_note
from .figures import HEALTHY, Figure, band_figure, response_figure
from .findings import CAUTIONS, event_text, findings, listed
from .in_circuit import CLOSING
from .material import Material
from .spectrum import output_captures, spectrum_figure
from .standing_rows import as_sentence, moved_row, remarks, standing_sentences
from .watched import watch_figure, watches_of
from .waveforms import HEIGHT, WIDTH, Thumbnail, settings, thumbnail
from .words import (
    QUANTITY_WORDS,
    band_text,
    chance_text,
    frequency_text,
    place_text,
    quality_text,
    quantity_text,
    with_signs,
    with_uncertainty,
)

_TEMPLATES = Path(__file__).parent / "templates"

MOST_WATCHED = 40
"""Lines of what watched points did in a pass that the list of events has room for."""

MOST_SWITCHED = 4
"""Times in a row that a generator was switched on or off, from which they are one line."""

VERDICT_SIGNS = {"agrees": "✓", "low": "▼", "high": "▲", "unclear": "?"}
"""Shown before the word: verdicts are never told by colour alone."""


def render(material: Material) -> str:
    """Write the report.

    Parameters
    ----------
    material : Material
        What it shows.

    Returns
    -------
    str
        HTML that needs no network and no other file.
    """
    from jinja2 import Environment, FileSystemLoader
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["signs"] = with_signs
    environment.filters["chance"] = chance_text
    environment.filters["place"] = lambda suspect: place_text(suspect.part, suspect.section)
    figures: dict[str, Figure] = {}

    def figure(name: str, made: Figure | None) -> str | None:
        if made is None:
            return None
        figures[name] = made
        return name

    first, last = material.dates
    letters = _letters(material)
    output = output_captures(material)
    # A job is named after the file of its chassis; who pays for the repair reads what the chassis is called.
    title = material.chassis.title if material.chassis is not None else material.sheet.chassis_name
    name, _, kind = title.partition(", ")
    page = environment.get_template("report.html").render(
        sheet=material.sheet,
        title=title,
        name=name,
        kind=kind,
        dates=first if first == last else f"{first} to {last}",
        found=findings(material),
        values_note=CLOSING,
        cautions=CAUTIONS,
        limits=material.limits,
        idle={name: [with_signs(tube.text()) for tube in tubes] for name, tubes in material.idle.items()},
        drawings=[Markup(svg) for svg in _drawings(material)],  # noqa: S704 - they escape their texts themselves
        dc_figure=figure("survey", band_figure(material, dc=True)),
        signal_figure=figure("signal", band_figure(material, dc=False)),
        cold_figure=figure("cold", band_figure(material, dc=False, cold=True)),
        responses=[
            (stage.replace(">", " → "), figure(f"response-{number}", made), *_shown_in(made))
            for number, stage in enumerate(material.sweeps)
            for made in [response_figure(material, stage)]
        ],
        watches=[
            (watch, figure(f"watched-{number}", watch_figure(material, watch)))
            for number, watch in enumerate(watches_of(material.passes))
        ],
        output_point=output[0][1].point if output else "",
        spectrum_figure=figure("spectrum", spectrum_figure(material, output)) if output else None,
        apart=[_apart(found) for found in material.apart],
        comparison=material.comparison,
        replaced=listed(material.comparison.replaced) if material.comparison else "",
        change_rows=list(_change_rows(material)),
        diagnosis=material.diagnosis,
        told=material.told,
        counted=listed(material.counted) if len(material.counted) > 1 else "the first round of readings",
        suspects=_suspects(material.diagnosis),
        waveforms=[_waveforms(one) for one in material.passes if any(c.codes.size for c in one.captures)],
        wave_size=(WIDTH, HEIGHT),
        passes=[
            (one, conditions(one, letters), list(_reading_rows(material, one, letters))) for one in material.passes
        ],
        instruments=_instruments(material, letters),
        events=[told for one in material.passes for told in _events(one)],
        band_level=f"{BAND_LEVEL:.0%}",
        judging_rule=JUDGING_RULE,
        versions=_versions(material),
        figures=[(name, Markup(_json(made))) for name, made in figures.items()],  # noqa: S704 - escaped there
        plotly=Markup(_plotly() if figures else ""),  # noqa: S704 - the library itself
        style=Markup((_TEMPLATES / "report.css").read_text("utf-8")),  # noqa: S704 - our own file
        script=Markup((_TEMPLATES / "report.js").read_text("utf-8")),  # noqa: S704 - our own file
    )
    return page + "\n"


def _events(one: Pass) -> Iterator[tuple[str, str, str]]:
    """Time, pass and words of what happened; of a bad contact that was watched for hours only the first, and of a
    generator that was switched for each record of a sweep the first and the last."""
    watched = 0
    for is_generator, run in groupby(
        one.events, lambda event: (event.kind, event.subject) == ("state", "generator")
    ):
        events = list(run)
        if is_generator and len(events) > MOST_SWITCHED:
            first, last = events[0], events[-1]
            told = f"generator switched {len(events)} times, first: {first.text}; last: {last.text}"
            yield first.taken_utc, one.name, told
            continue
        for event in events:
            watched += event.kind == "watched"
            if event.kind != "watched" or watched <= MOST_WATCHED:
                yield event.taken_utc, one.name, event_text(event)
    if watched > MOST_WATCHED:
        yield "", one.name, f"{watched - MOST_WATCHED} more of what was watched, in the figure"


def _json(value: Any) -> str:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def _plotly() -> str:
    # The file alone: importing the package would cost a second of loading classes that a specification needs none
    # of.
    source = resources.files("plotly").joinpath("package_data/plotly.min.js").read_text("utf-8")
    # It keeps a few control characters raw inside its strings, which HTML forbids (WHATWG HTML, 13.2.3.5).
    for code in (*range(1, 9), 11, *range(14, 32), 127):
        if chr(code) in source:  # looking costs a tenth of writing four megabytes again
            source = source.replace(chr(code), f"\\x{code:02x}")
    return source


SCREEN_PX = 1130
"""Widest place of a drawing in the style sheet of the report."""


def _drawings(material: Material) -> tuple[str, ...]:
    """The chassis drawn for a screen, and for paper."""
    if material.chassis is None or not material.chassis.parts:
        return ()
    from .drawing import chassis_svg
    from .wiring import Shown

    shown = {}
    for judged in material.judged.get(material.ends[-1].name, ()) if material.ends else ():
        if judged.reading.quantity == "dc_v":
            shown[judged.reading.point] = Shown(
                measured_v=float(f"{judged.reading.value:.{_decimals(judged.std)}f}"),
                expected_v=judged.expected,
                verdict=judged.verdict,
                said=judged.words,
            )
    screen = chassis_svg(material.chassis, shown, room_px=SCREEN_PX)
    return screen, chassis_svg(material.chassis, shown, paper=True)


def _decimals(std: float) -> int:
    return max(0, 1 - math.floor(math.log10(2 * std))) if std > 0 else 3


def _suspects(diagnosis: Diagnosis | None) -> list[Suspect]:
    """Those whose probability is not nil at one digit."""
    return [one for one in diagnosis.suspects[:6] if one.probability >= 0.0005] if diagnosis else []


def _shown_in(response: Figure | None) -> tuple[bool, bool]:
    """Whether a response has a phase, and a band of healthy chassis."""
    if response is None:
        return False, False
    return "yaxis2" in response["layout"], any(trace["name"] == HEALTHY for trace in response["data"])


def _waveforms(one: Pass) -> tuple[str, str, list[Thumbnail], bool]:
    captures = [capture for capture in one.captures if capture.codes.size]
    counted = Counter(settings(capture) for capture in captures)
    usual = counted.most_common(1)[0][0]
    has_ac = any(capture.coupling == "ac" for capture in captures)
    return one.name, usual, [thumbnail(capture, usual) for capture in captures], has_ac


def _reading_rows(material: Material, one: Pass, letters: Mapping[str, str]) -> Iterator[dict[str, str]]:
    begun, common = begun_utc(one), common_facts(one)
    for reading in one.readings:
        judged = material.verdicts.get((one.name, reading))
        unjudged = "" if reading.quality == "imported" else quality_text(reading.quality)
        yield {
            "point": reading.point.replace(">", " → "),
            "what": _what(reading),
            "value": with_uncertainty(reading.value, reading.std, reading.quantity),
            "band": band_text(judged.low, judged.high, judged.std, reading.quantity) if judged else "",
            "sign": VERDICT_SIGNS[judged.verdict] if judged else "",
            "verdict": judged.words if judged else unjudged,
            "instrument": letters[reading.instrument] + (f", {reading.range_v:g} V" if reading.range_v else ""),
            "time": _time(reading.taken_utc, begun),
            "note": own_note(reading, common),
        }  # fmt: skip


def _time(taken_utc: str, begun_utc: str) -> str:
    """The time of a reading, with its day where that is not the day its pass was begun on."""
    return taken_utc[11:19] if taken_utc[:10] == begun_utc[:10] else taken_utc[:19].replace("T", " ")


def _what(reading: Reading) -> str:
    text = QUANTITY_WORDS[reading.quantity]
    if reading.freq_hz:
        text += f", {frequency_text(reading.freq_hz)}"
    if reading.drive_pp_v:
        text += f", drive {quantity_text(reading.drive_pp_v, 'pp_v', 3)}"
    return text


def _change_rows(material: Material) -> Iterator[dict[str, str]]:
    """One row a measurand; a sweep is one row a curve."""
    curves: dict[tuple[str, str], list[Change]] = {}
    for change in material.comparison.changes if material.comparison else ():
        if material.in_sweep(change.measurand):
            curves.setdefault((change.measurand.point, change.measurand.quantity), []).append(change)
        else:
            yield change_row(material.named(change.measurand, later=change.later), change)
    for changes in curves.values():
        largest = max(changes, key=lambda change: abs(change.z))
        count = sum(change.significant for change in changes)
        name = material.named(largest.measurand, frequency=False)
        gravest = next((c for c in changes if c.verdict == NOT_EXPLAINED), largest)
        row = change_row(f"{name}, largest at {frequency_text(largest.measurand.freq_hz or 0.0)}", largest)
        sign, verdict = SHORT[gravest.verdict]
        yield {**row, "sign": sign, "verdict": f"{verdict}, {count} of {len(changes)} changed"}


def _apart(found: Standings) -> tuple[str, list[str], list[dict[str, str]], Standings]:
    """Heading, sentences and rows of passes that stand differently."""
    stood, *told = standing_sentences(found)
    loud, more = remarks(found)
    return stood, [as_sentence(text) for text in (*told, *more)], [moved_row(one) for one in loud], found


def _letters(material: Material) -> dict[str, str]:
    """A letter for each instrument, so that its long name stands once."""
    items = [item for one in material.passes for item in (*one.readings, *one.captures)]
    names = dict.fromkeys(getattr(item, "instrument", "") for item in items)
    return {name: ascii_uppercase[n] if n < 26 else str(n + 1) for n, name in enumerate(names)}


def _instruments(material: Material, letters: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Letter, identity and use of everything that read something."""
    used: dict[str, dict[str, int]] = {}
    ranges: dict[str, set[float]] = {}
    for one in material.passes:
        items: tuple[Reading | Capture, ...] = (*one.readings, *one.captures)
        for item in items:
            name = item.instrument
            kind = QUANTITY_WORDS[item.quantity] + " readings" if isinstance(item, Reading) else "waveforms"
            counted = used.setdefault(name, {})
            counted[kind] = counted.get(kind, 0) + 1
            if isinstance(item, Reading) and item.range_v:
                ranges.setdefault(name, set()).add(item.range_v)
    result = []
    for name, counted in used.items():
        text = ", ".join(f"{count} {kind if count != 1 else kind[:-1]}" for kind, count in counted.items())
        if name in ranges:
            text += "; ranges " + ", ".join(f"{value:g} V" for value in sorted(ranges[name]))
        result.append((letters[name], name or "not recorded", text))
    return result


def _versions(material: Material) -> str:
    parts = [f"job made by {material.sheet.program}" if material.sheet.program else ""]
    parts.append(f"report written by {material.program}" if material.program else "")
    return "; ".join(part for part in parts if part)
