"""Text that would steer what stands around it shows as text: in every verb, on the page, in the report.

Every field that a person, a file or an instrument fills in holds markup, terminal escapes, controls and
bidirectional overrides. The PDF and the page in a real browser: `tests/browser`.
"""

import re
from html.parser import HTMLParser

import pytest

from acquisition.configs import find_config
from acquisition.errors import STEERING
from acquisition.instruments import Finding
from acquisition.records import Event, Reading
from acquisition.store import create_job
from analysis.app.cli import main
from analysis.app.page.hub import Hub
from analysis.app.page.views import views_of

PLAIN = "<img src=x onerror=alert(1)>&amp;[bold]%s{0}"
STEERED = "\x1b[31m\x1b]0;title\x07\u202eDERAEPPA\u2066\x00\u2028\u2029\x9b2J\x7f\r"
EVIL = PLAIN + STEERED
PASSES = ("as-found <script>alert(1)</script>", "after &lt; %s{0}")


def hostile_job(path):
    """A job that holds it everywhere."""
    text = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^chassis: .*$", f'chassis: "{PLAIN}"', text)
    words = dict.fromkeys(("customer", "serial", "complaint", "technician"), EVIL)
    with create_job(path, EVIL, text, f"bench: '{PLAIN}'\n", **words) as made:
        for name in PASSES:
            made.start_pass(name, mains_v=120.0, settings={EVIL: EVIL})
            for point, value in (("HT", 300.0), ("V1.5", 140.0), ("V1.3", 0.1), (EVIL.replace(">", ""), 3.0)):
                reading = Reading(point=point, quantity="dc_v", value=value, std=0.1, instrument=EVIL, note=EVIL)
                made.add_reading(name, reading)
            made.add_event(name, Event(kind="note", subject=EVIL, text=EVIL))
            made.add_event(name, Event(kind="part_replaced", subject="C2", text=EVIL))
            made.add_event(name, Event(kind="tube_swapped", subject=EVIL, text=EVIL))
        made.conclude(found=EVIL, advice=EVIL)
    return path


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return hostile_job(tmp_path_factory.mktemp("evil") / "evil.stagewalk")


def said(capsys):
    told = capsys.readouterr()
    return told.out + told.err


@pytest.mark.parametrize(
    "verb",
    [
        ["list", "{folder}"],
        ["list", "{folder}", "--trend"],
        ["check", "{job}"],
        ["suspects", "{job}"],
        ["compare", "{job}", *PASSES],
        ["report", "{job}", "--out", "{folder}/r.html"],
        ["compare", "{job}", EVIL.replace("\x00", ""), PASSES[0]],
        ["check", "{job}", "--pass", EVIL],
        ["expect", EVIL],
        ["tube", EVIL],
        ["gain", "{job}", EVIL],
        ["survey", "{folder}/x.stagewalk", "--chassis", EVIL],
        [EVIL],
        ["list", f"--{EVIL}"],
    ],
    ids=lambda verb: verb[0] if len(verb[0]) < 9 else "unknown",
)
def test_no_verb_sends_a_terminal_what_it_would_obey(job, verb, capsys):
    main([word.replace("{folder}", str(job.parent)).replace("{job}", str(job)) for word in verb])
    text = said(capsys)
    assert text.strip()
    assert sorted({hex(ord(c)) for c in text if not (c.isprintable() or c == "\n")}) == []


def test_the_text_itself_is_told(job, capsys):
    main(["suspects", str(job)])
    assert PLAIN.replace(">", "") in " ".join(said(capsys).split())


def test_what_an_instrument_says_of_itself(capsys, monkeypatch):
    finding = Finding(
        role="meter",
        resource=EVIL,
        dialect=EVIL,
        identity=EVIL,
        reading=EVIL,
        errors=(EVIL,),
        trouble=EVIL,
        hint=EVIL,
    )
    monkeypatch.setattr("acquisition.instruments.check_instrument", lambda bench, role: finding)
    assert main(["bench", "example"]) == 3
    text = said(capsys)
    assert text.count("onerror=alert(1)") == 3 * 5, "of three instruments"
    assert all(c.isprintable() or c == "\n" for c in text)


def test_export_hands_the_data_on_as_it_is_but_shows_a_terminal_none_of_it(job, capsys, monkeypatch, tmp_path):
    assert main(["export", str(job)]) == 0
    assert "\x1b[31m" in said(capsys), "a pipe gets what was kept, or an import would not be equal"
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert main(["export", str(job)]) == 0
    text = said(capsys)
    assert "onerror=alert(1)" in text
    assert all(c.isprintable() or c == "\n" for c in text)


class Tags(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.seen, self.words = set(), []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.seen |= {tag, *(name for name, _ in attributes if name.startswith("on"))}

    def handle_data(self, data):
        self.words.append(data)


def test_the_report_shows_it_and_is_not_steered(job):
    page = job.with_name("shown.html")
    assert main(["report", str(job), "--out", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert STEERING.search(text) is None
    parsed = Tags(text)
    assert not parsed.seen & {"img", "onerror"}
    assert " ".join(parsed.words).count(PLAIN) > 10


def test_the_page_shows_it_and_is_not_steered(job):
    hub = Hub()
    hub.publish("step", {"title": EVIL, "notes": [EVIL, {"text": EVIL}]})
    assert hub.state()["step"]["title"].startswith(PLAIN)
    assert STEERING.search(str(hub.state())) is None
    views = views_of(job)
    assert "<img" not in views.drawing(1200, "")
    assert views.compare(*PASSES)["words"]
