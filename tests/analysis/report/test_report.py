"""The report: complete, self-contained, the same each time, and never more certain than the readings."""

import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import html5lib
import numpy as np
import plotly.graph_objects as go
import pytest

from acquisition.errors import AnalysisError
from acquisition.records import Capture, Event, JobSheet, Pass, Reading
from acquisition.store import open_job
from analysis.app.cli import main
from analysis.app.page.server import STATIC
from analysis.app.verbs.report import gather
from analysis.compare import NOT_EXPLAINED, compare
from analysis.judge import Judged
from analysis.report.findings import findings
from analysis.report.material import Material, ends_of
from analysis.report.pdf import find_browser
from analysis.report.render import render
from analysis.report.words import with_uncertainty

CAUTIONS = (
    "High voltage kills.",
    "keeps lethal voltages inside, also with the mains plug pulled.",
    "Only qualified people should open it",
    "What was not read is not known.",
    "This report is no inspection of protective earth or insulation",
)
"""What every report has to say, by the rules of the project."""

VOID = {"meta", "br", "line", "path", "link", "img", "hr", "input", "circle", "rect", "text/"}
EVIL = "</script><img src=x onerror=alert(1)><b>V1</b>&\"'"


class Page(HTMLParser):
    """Elements, attributes and visible text of a page; complains about tags that do not close."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.words, self.open, self.data = [], [], [], [], {}
        self.inside_script = None
        self.feed(text)
        assert self.open == [], f"never closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        given = dict(attrs)
        if tag == "script":
            self.inside_script = given.get("id", "code")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> in the wrong place, line {self.getpos()[0]}"
        if tag == "script":
            self.inside_script = None

    def handle_data(self, data):
        if self.inside_script:
            self.data[self.inside_script] = self.data.get(self.inside_script, "") + data
        elif "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def text(material):
    return render(material)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


# -- the file ----------------------------------------------------------------------------------------------------


def test_the_same_job_gives_the_same_bytes(job, text):
    with open_job(job, read_only=True) as opened:
        assert render(gather(opened)) == text


def test_an_empty_pass_and_one_of_other_readings_take_nothing_over(job, material, tmp_path):
    copy = Path(shutil.copy(job, tmp_path / "copy.stagewalk"))
    with open_job(copy) as opened:
        opened.start_pass("gain again", mains_v=231.0)
        opened.add_reading("gain again", Reading(point="V1.2>V1.6", quantity="gain", value=9.0, freq_hz=1e3))
        opened.start_pass("aftre-C4")
        found = gather(opened)
    assert (found.comparison.before, found.comparison.after) == ("as-found", "after-C4")
    assert [one.name for one in found.ends] == ["as-found", "after-C4"]
    assert findings(found).headline == findings(material).headline


@pytest.mark.parametrize(
    ("points", "ends"),
    [
        ([], []),
        ([""], [0]),
        (["", "a", ""], [1]),
        (["a", "ab", "b"], [0, 1]),
        (["", "a", "b"], [1, 2]),
        (["a", "a", "", "ba", "c"], [0, 3]),
    ],
)
def test_the_passes_that_are_set_side_by_side(points, ends):
    passes = [
        Pass(
            name=str(number),
            started_utc="",
            readings=tuple(Reading(point=point, quantity="dc_v", value=1.0) for point in read),
        )
        for number, read in enumerate(points)
    ]
    assert [int(one.name) for one in ends_of(passes)] == ends


def test_nothing_is_fetched(page):
    assert not [a for a in page.attributes if a[1] in {"src", "href", "data", "poster", "action", "srcset"}]
    assert {"link", "iframe", "img", "object", "embed", "base", "form"} & set(page.tags) == set()
    (policy,) = [value for tag, _, value in page.attributes if tag == "meta" and value and "default-src" in value]
    assert policy.startswith("default-src 'none'")


def test_the_page_is_well_formed_and_labelled(page):
    assert ("html", "lang", "en") in page.attributes
    assert page.tags.count("h1") == 1
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    for _, name, value in page.attributes:
        if name == "aria-labelledby":
            assert value in ids
        if name == "data-figure":
            assert value in page.data


@pytest.mark.parametrize("which", ["report", "page"])
def test_the_html_is_valid(text, which):
    # The parser of WHATWG HTML, every parse error raised; what stands in scripts is no markup.
    whole = text if which == "report" else (STATIC / "index.html").read_text("utf-8")
    bare = re.sub(r"(<script[^>]*>).*?(</script>)", r"\1\2", whole, flags=re.S)
    html5lib.HTMLParser(strict=True).parse(bare)
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(bare.replace("<tbody", "<tbody><p>x</p", 1))


def test_figures_are_ones_the_library_knows(page):
    names = [value for _, name, value in page.attributes if name == "data-figure"]
    assert names == ["survey", "signal", "response-0", "response-1"]
    for name in names:
        figure = json.loads(page.data[name])
        go.Figure(data=figure["data"], layout=figure["layout"])
        go.Figure(data=figure["data"], layout={**figure["layout"], **figure["narrow"]})


# -- what it says ------------------------------------------------------------------------------------------------


def test_the_first_page_tells_the_job(page):
    for words in (
        "Hums, gets very hot, and the sound breaks up after a few minutes.",
        "C4 replaced by a part of 22.3 ± 0.2 nF: polypropylene, 630 V",
        "The changes agree with the replaced part",
        "The coupling capacitor C4 let direct current through",
        "Ask again in a year.",
        *CAUTIONS,
    ):
        assert words in page.text
    leak = re.search(
        r"How far the readings moved is consistent with this: C4 leaks direct current \(about ([0-9.]+) MΩ\)",
        page.text,
    )
    assert float(leak[1]) == pytest.approx(3.0, rel=0.3)


def test_the_headline_is_what_the_chassis_is_called_and_not_its_file(material):
    of_a_file = replace(material, sheet=replace(material.sheet, chassis_name="amp-from-tuesday"))
    page = render(of_a_file)
    assert "<h1>Quayside Five <span>single-ended practice amplifier</span></h1>" in page
    assert "amp-from-tuesday" not in page
    assert "<h1>amp-from-tuesday</h1>" in render(replace(of_a_file, chassis=None))


def test_every_reading_stands_in_the_table_with_its_uncertainty(material, page):
    for one in material.passes:
        assert len(one.readings) == 40
        for reading in one.readings:
            assert with_uncertainty(reading.value, reading.std, reading.quantity) in page.text
    assert "A: bench meter, 0.3 %" in page.text
    assert "mains 231.0 V, 50 Hz; 20 minutes after switch-on" in page.text


def test_instruments_settings_events_and_versions_are_told(page):
    for words in (
        "30 DC readings; ranges 300 V",
        "6 waveforms",
        "20 MHz limit, probe x10",
        "report written by stagewalk",
    ):
        assert words in page.text
    assert "reaches the end of the scope's range" in page.text


def test_nothing_is_called_safe_and_no_fault_is_certain(page):
    # Bench practice, section 5: what a program must never say or imply.
    forbidden = (
        r"\b(safe|safely|dead|discharged|isolated|harmless|guaranteed|certain|certainly|repaired|good as new)\b"
    )
    assert re.findall(forbidden, page.text, re.I) == []


@pytest.mark.parametrize(
    "sheet",
    [JobSheet(chassis_name="Amp"), JobSheet(chassis_name="Amp", chassis_text="chassis: x\ntubes: {V1: 12AX7}\n")],
)
def test_a_job_with_next_to_nothing(sheet):
    reading = Reading(point="V1.1", quantity="dc_v", value=86.0712, std=0.4)
    alone = Pass(name="as-found", started_utc="", readings=(reading,))
    for passes in ((), (alone,), (alone, replace(alone, name="again"))):
        comparison = compare(*passes) if len(passes) == 2 else None
        page = Page(render(Material(sheet=sheet, passes=passes, comparison=comparison, limits=("no model",))))
        for caution in CAUTIONS:
            assert caution in page.text
        assert ("86.07 ± 0.80 V" in page.text) == bool(passes)
        assert ("nothing here proves a repair" in page.text) == (len(passes) < 2)
        assert ("None of 1 reading taken before and after changed" in page.text) == (len(passes) == 2)


def test_a_sweep_is_one_line_among_what_happened():
    """Of a sweep of 30 frequencies there stood 60 lines that the generator was on, or off."""

    def generator(text):
        return Event(kind="state", subject="generator", text=text)

    sweep = [generator(f"output {state}: {n}") for n in range(30) for state in ("on", "off")]
    load = Event(kind="confirmation", subject="load", text="connected")
    one = Pass(name="a", started_utc="", events=(load, *sweep, load, *sweep[:2]))
    page = Page(render(Material(sheet=JobSheet(chassis_name="Amp"), passes=(one,))))
    assert "generator switched 60 times, first: output on: 0; last: output off: 29" in page.text
    assert page.text.count("state generator") == 2
    assert page.text.count("confirmed load") == 2


def test_captions_name_what_their_figures_show():
    """Of typed gains "Gain and phase" over a field of healthy chassis was told, and 0 V of an AC coupled plate."""
    gains = tuple(
        Reading(point="V1.2>V1.1", quantity="gain", value=50.0, freq_hz=f) for f in (20.0, 1000.0, 20000.0)
    )
    codes = np.arange(-50, 50, dtype=np.int16)
    plate = Capture(
        point="V1.1", codes=codes, scale_v=0.1, offset_v=0.0, t0_s=0.0, dt_s=1e-5, full_scale_v=20.0, coupling="ac"
    )
    one = Pass(name="a", started_utc="", readings=gains, captures=(plate,))
    sheet = JobSheet(chassis_name="Amp")
    told = render(Material(sheet=sheet, passes=(one,)))
    assert "Gain against frequency; bars are 95&nbsp;% intervals.</figcaption>" in told
    assert (
        "0&nbsp;V; behind an AC coupled input that is the direct volts of the point, not the chassis.</p>" in told
    )
    direct = replace(one, captures=(replace(plate, coupling="dc"),))
    assert "The dotted line is 0&nbsp;V.</p>" in render(Material(sheet=sheet, passes=(direct,)))


def test_an_imported_pass_was_begun_when_it_was_read():
    read = Reading(point="V1.1", quantity="dc_v", value=86.0, taken_utc="2024-01-12T10:01:00Z", quality="imported")
    later = replace(read, point="V1.3", value=1.1, taken_utc="2024-01-12T10:02:30Z")
    passes = (Pass(name="as-found", started_utc="2026-11-28T04:18:00Z", readings=(read, later)),)
    page = Page(render(Material(sheet=JobSheet(chassis_name="Amp"), passes=passes, limits=("no model",))))
    assert "begun 2024-01-12 10:01 UTC" in page.text
    assert "2026" not in page.text
    assert "10:02:30" in page.text
    assert "2024-01-12 10:02:30" not in page.text, "its day is that of the pass"


def test_an_unexplained_change_reopens_the_job(material):
    changes = tuple(replace(c, verdict=NOT_EXPLAINED) if c.significant else c for c in material.comparison.changes)
    told = findings(replace(material, comparison=replace(material.comparison, changes=changes)))
    assert told.headline == "The changes are not explained by the replaced part"
    assert "The cause should be found before the job is closed." in told.open_question


def test_two_rounds_without_a_change_say_so(job, material):
    same = replace(material.passes[0], name="again")
    comparison = compare(material.passes[0], same)
    told = findings(replace(material, passes=(material.passes[0], same), comparison=comparison))
    assert told.headline == "No significant change"
    assert told.rows == ()


# -- hostile text ------------------------------------------------------------------------------------------------


def test_hostile_text_stays_text(material):
    names = [field for field in JobSheet.__slots__ if field not in {"chassis_text", "bench_text"}]
    sheet = JobSheet(**dict.fromkeys(names, EVIL))
    evil_point = EVIL.replace(">", "")
    reading = Reading(
        point=evil_point,
        quantity="dc_v",
        value=1.0,
        std=0.1,
        instrument=EVIL,
        note=EVIL,
        taken_utc=EVIL,
        range_v=1.0,
    )
    gains = tuple(
        Reading(point=f"{evil_point}>{evil_point}", quantity="gain", value=2.0, freq_hz=f, std=0.1)
        for f in (1.0, 2.0, 3.0)
    )
    capture = Capture(
        point=EVIL, codes=np.arange(9, dtype=np.int8), scale_v=1.0, offset_v=0.0, t0_s=0.0, dt_s=1.0,
        full_scale_v=9.0, instrument=EVIL, coupling=EVIL,
    )  # fmt: skip
    events = tuple(Event(kind=kind, subject=EVIL, text=EVIL, value=1.0) for kind in ("part_replaced", "note"))
    passes = tuple(
        Pass(
            name=f"{n}{EVIL}",
            started_utc=EVIL,
            readings=(reading, *gains),
            captures=(capture,),
            events=events,
            settings={EVIL: EVIL},
        )
        for n in (1, 2)
    )
    judged = tuple(
        Judged(reading=r, std=0.1, expected=1.0, low=0.5, high=1.5, verdict="agrees") for r in (reading, *gains)
    )
    hostile = Material(
        sheet=sheet,
        passes=passes,
        judged={one.name: judged for one in passes},
        functions={evil_point: EVIL},
        comparison=compare(*passes),
        limits=(EVIL,),
        program=EVIL,
    )
    page = Page(render(hostile))
    friendly = Page(render(material))
    assert set(page.tags) <= set(friendly.tags)
    assert page.tags.count("script") == 2 + len([1 for _, name, _ in page.attributes if name == "data-figure"])
    assert not [a for a in page.attributes if a[1].startswith("on")]
    assert EVIL in " ".join(page.words)
    for name, content in page.data.items():
        if name != "code":
            figure = json.loads(content)
            assert "<img" not in json.dumps(figure)
            assert "&lt;" in json.dumps(figure)


# -- the verb ----------------------------------------------------------------------------------------------------


def test_the_verb_writes_beside_the_job_and_keeps_closing_words(job, tmp_path, capsys):
    copy = tmp_path / "five.stagewalk"
    shutil.copy(job, copy)
    assert main(["report", str(copy), "--found", "a bad joint", "--advice", "nothing"]) == 0
    assert capsys.readouterr().out == f"wrote {tmp_path / 'five.html'}\n"
    assert "a bad joint" in (tmp_path / "five.html").read_text("utf-8")
    with open_job(copy) as opened:
        assert (opened.sheet.found, opened.sheet.advice) == ("a bad joint", "nothing")


def test_a_damaged_job_is_reported_as_far_as_it_goes(job, tmp_path, capsys):
    content = bytearray(job.read_bytes())
    content[content.index(b"bench meter")] ^= 1
    damaged = tmp_path / "damaged.stagewalk"
    damaged.write_bytes(content)
    assert main(["report", str(damaged)]) == 0
    assert "reading: 1 lost" in capsys.readouterr().err
    assert "reading: 1 lost" in (tmp_path / "damaged.html").read_text("utf-8")


def test_a_place_that_cannot_be_written_is_one_line(job, tmp_path, capsys):
    assert main(["report", str(job), "--out", str(tmp_path / "none" / "a.html")]) == 2
    told = capsys.readouterr().err.splitlines()
    assert told[0].endswith("a.html: cannot be written: No such file or directory")


def test_without_a_browser_there_is_no_pdf_and_a_clear_line(monkeypatch):
    monkeypatch.setenv("PATH", "")
    with pytest.raises(AnalysisError, match="Chromium was not found") as told:
        find_browser()
    assert "the HTML report is written" in told.value.hint


def test_out_is_the_name_of_the_html_file(job, tmp_path, capsys):
    assert main(["report", str(job), "--out", str(tmp_path / "r.PDF"), "--pdf"]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "expected the name of the HTML file" in told
    assert "r.html --pdf writes both" in told
    assert not list(tmp_path.iterdir())
