"""The report in a real browser: figures drawn, nothing fetched, nothing wrong on the console, readable by
everybody."""

import contextlib
import html
import importlib.resources
import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from acquisition.configs import find_config
from acquisition.errors import STEERING
from acquisition.records import Reading
from acquisition.store import create_job
from analysis.app.cli import main
from analysis.report.pdf import find_browser, print_to_pdf
from tests.browser.serving import wait_for
from tests.contract.test_hostile_text import PLAIN, hostile_job

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "report"))
from repaired_five import build

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (Debian package chromium)")

HAS_PLAYWRIGHT = importlib.util.find_spec("playwright") is not None
AXE = next((n for n in ("axe_playwright_python", "axe_core_python") if importlib.util.find_spec(n)), None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("browser")


@pytest.fixture(scope="module")
def page(folder):
    job = build(folder / "five.stagewalk", frequencies=4, captures=2, samples=2000)
    assert main(["report", str(job)]) == 0
    return folder / "five.html"


def browse(folder, page, *options):
    """Load a page in a profile of its own; returns what the browser printed."""
    command = [
        CHROMIUM, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", "--enable-logging=stderr", "--virtual-time-budget=10000",
        f"--user-data-dir={folder / 'profile'}", *options, page.as_uri(),
    ]  # fmt: skip
    if os.geteuid() == 0:
        command.insert(1, "--no-sandbox")
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=100)


def console(done):
    return [line for line in done.stderr.splitlines() if "CONSOLE" in line]


def test_figures_are_drawn_nothing_is_fetched_and_the_console_is_silent(folder, page):
    # The page's own policy allows no fetch at all, so that an attempt would be told on the console.
    done = browse(folder, page, "--window-size=1280,2000", "--dump-dom")
    assert console(done) == []
    assert len(re.findall(r'<div class="[^"]*svg-container"', done.stdout)) == 4


def test_no_control_character_which_html_forbids(page):
    # WHATWG HTML, 13.2.3.5: controls and noncharacters in the input stream are parse errors.
    assert re.search("[\x00-\x08\x0b\x0e-\x1f\x7f-\x9f\ufdd0-\ufdef\ufffe\uffff]", page.read_text("utf-8")) is None


def test_a_fetch_would_be_refused_and_seen(folder, page):
    # Shows that the test above can fail, and that the policy of the page holds.
    spoilt = folder / "spoilt.html"
    image = "<img src=http://127.0.0.1:9/x.png></main>"
    spoilt.write_text(page.read_text("utf-8").replace("</main>", image), "utf-8")
    assert "Content Security Policy" in "".join(console(browse(folder, spoilt, "--dump-dom")))


@pytest.mark.parametrize("width", [390, 1280])
def test_no_sideways_scroll(folder, page, width):
    # A frame, because a headless window is never narrower than 500 px.
    frame = folder / f"frame-{width}.html"
    frame.write_text(
        f"<iframe id=f width={width} height=900 src={page.name}></iframe><p id=told></p><script>onload=()=>"
        "{const d=f.contentDocument.documentElement;told.textContent=d.scrollWidth+' '+d.clientWidth}</script>"
    )
    done = browse(folder, frame, "--allow-file-access-from-files", "--dump-dom", "--window-size=1400,1000")
    scroll, client = map(int, re.search(r"(\d+) (\d+)</p>", done.stdout).groups())
    assert client > width - 40
    assert scroll <= client


LOOK = """() => [...document.querySelectorAll("[data-figure]")].map((place) => {
    const drawn = place.querySelector(".main-svg");
    return [place.clientWidth, drawn.clientWidth, place.clientHeight, drawn.clientHeight];
})"""

BEYOND = "[...document.querySelectorAll('.scroll:not(.drawing)')].map((box) => box.scrollWidth - box.clientWidth)"


@pytest.mark.skipif(not HAS_PLAYWRIGHT, reason="needs playwright (pip install playwright)")
def test_the_drawing_takes_the_margins_of_the_window_and_says_where_it_is_wider(page):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        window = browser.new_page(viewport={"width": 1100, "height": 900})
        window.goto(page.as_uri())
        for width, least in ((1100, 1000), (900, 800), (390, 300)):
            window.set_viewport_size({"width": width, "height": 900})
            room, drawn = window.eval_on_selector(
                ".scroll.drawing", "(drawing) => [drawing.clientWidth, drawing.scrollWidth]"
            )
            assert least <= room <= width
            wait_for(lambda is_wider=drawn > room + 1: window.locator(".wider").is_visible() == is_wider)
        assert drawn > room, "on a phone it is wider"
        browser.close()


@pytest.mark.skipif(not HAS_PLAYWRIGHT, reason="needs playwright (pip install playwright)")
def test_figures_and_tables_fit_when_a_window_is_narrowed_or_a_phone_is_turned(page):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        tab = chromium.new_page(viewport={"width": 1280, "height": 900})
        tab.goto(page.as_uri())
        heights = [height for _, _, height, _ in tab.evaluate(LOOK)]
        assert len(heights) == 4
        for width in (420, 900, 390, 1280):
            tab.set_viewport_size({"width": width, "height": 800})
            wait_for(lambda: all((one[0], one[2]) == (one[1], one[3]) for one in tab.evaluate(LOOK)))
            seen = tab.evaluate(LOOK)
            assert all(drawn >= height for (*_, drawn), height in zip(seen, heights, strict=True))
            assert tab.evaluate("document.documentElement.scrollWidth") == width
            if width < 600:  # a row is a block of lines: no figure of a table lies off the screen
                assert max(tab.evaluate(BEYOND)) <= 0
            if width >= 1180:  # room enough: no verdict of two words is broken in two lines
                verdicts = tab.locator(".changes:not(.key) td:nth-child(6)", has_text="no change")
                assert len({verdict.bounding_box()["height"] for verdict in verdicts.all()}) == 1
                assert verdicts.first.bounding_box()["height"] < 40
        chromium.close()


LONG = ("CATHODE_FOLLOWER_OUT_LEFT", "POWER AMPLIFIER INPUT OF THE LEFT CHANNEL".replace(" ", "_"))
WORDS = """() => [...document.querySelectorAll("[data-figure]")].flatMap((place, figure) => {
    const edge = place.getBoundingClientRect();
    return [...place.querySelectorAll("text")].filter((words) => words.textContent.trim()).map((words) => {
        const box = words.getBoundingClientRect();
        return [figure, words.textContent, box.left, box.top, box.right, box.bottom, edge.left, edge.right];
    });
})"""

BANDS = """() => [...document.querySelectorAll("[data-figure]")].map((place) => Math.max(
    ...[...place.querySelectorAll(".shapelayer path")].map((field) => field.getBoundingClientRect().width)))"""


@pytest.mark.skipif(not HAS_PLAYWRIGHT, reason="needs playwright (pip install playwright)")
def test_long_names_of_points_stand_on_nothing_and_leave_the_readings_their_room(folder):
    """Of three limits named below a field that long names had made narrow, none could be read."""
    from playwright.sync_api import sync_playwright

    text = find_config("chassis", "quayside-five").read_text("utf-8")
    for short, long in zip(("N1", "SPK"), LONG, strict=True):
        text = re.sub(rf"\b{short}\b", long, text)
    path = folder / "long.stagewalk"
    with create_job(path, "Long", text) as job:
        for name in ("as-found", "after-the-repair-of-march"):
            job.start_pass(name, mains_v=230.0)
            facts = {"quantity": "dc_v", "std": 0.01}
            job.add_readings(name, [Reading(point=p, value=1.0, **facts) for p in ("HT1", "V2.3", *LONG)])
            facts = {"freq_hz": 1000.0, "std": 0.01}
            job.add_readings(name, [Reading(point=p, quantity="pp_v", value=1.0, **facts) for p in LONG])
            job.add_reading(name, Reading(point=">".join(LONG), quantity="gain", value=0.4, **facts))
    assert main(["report", str(path)]) == 0
    with sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        for width in (390, 1280):
            tab = chromium.new_page(viewport={"width": width, "height": 900})
            tab.goto(path.with_suffix(".html").as_uri())
            tab.wait_for_selector("[data-figure] .main-svg text")
            wait_for(lambda tab=tab: all(name in "".join(one[1] for one in tab.evaluate(WORDS)) for name in LONG))
            words = tab.evaluate(WORDS)
            for number, (figure, here, *box, left, right) in enumerate(words):
                assert left - 1 <= box[0], (here, width)
                assert box[2] <= right + 1, (here, width)
                for other, there, *beside in ((w[0], w[1], *w[2:6]) for w in words[number + 1 :]):
                    apart = (
                        figure != other
                        or min(box[2], beside[2]) - max(box[0], beside[0]) < 1
                        or min(box[3], beside[3]) - max(box[1], beside[1]) < 1
                    )
                    assert apart, (here, there, width)
            bands = tab.evaluate(BANDS)
            assert len(bands) == 2
            assert min(bands) > (50 if width < 600 else 90)
            tab.close()
        chromium.close()


@pytest.mark.skipif(AXE is None, reason="needs axe-core (pip install axe-core-python)")
@pytest.mark.parametrize("width", [500, 1280])
def test_accessibility(folder, page, width):
    axe = importlib.resources.files(AXE).joinpath("axe.min.js").read_text("utf-8")
    checked = folder / f"axe-{width}.html"
    run = (
        "<script>" + axe + "</script><script>onload=()=>axe.run().then(r=>{const p=document.createElement('pre');"
        "p.id='axe';p.textContent=JSON.stringify({passes:r.passes.length,violations:r.violations.map(v=>[v.id,"
        "v.nodes.slice(0,3).map(n=>n.html.slice(0,200))])});document.body.append(p)})</script></body>"
    )
    checked.write_text(page.read_text("utf-8").replace("</body>", run), "utf-8")
    done = browse(folder, checked, "--dump-dom", f"--window-size={width},2000")
    found = json.loads(re.search(r'<pre id="axe">(.*?)</pre>', done.stdout, re.S).group(1).replace("&gt;", ">")
                       .replace("&lt;", "<").replace("&amp;", "&"))  # fmt: skip
    assert found["passes"] > 15
    assert found["violations"] == []


@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_the_pdf_has_the_summary_with_its_cautions_on_one_page(folder, page, paper, size_pt):
    def pages(text, name):
        printed, pdf = folder / f"{name}.html", folder / f"{name}.pdf"
        printed.write_text(text, "utf-8")
        print_to_pdf(printed, pdf, find_browser(None), paper)
        content = pdf.read_bytes()
        boxes = {tuple(round(float(x)) for x in b.split()) for b in re.findall(rb"/MediaBox \[([^]]*)", content)}
        assert boxes == {(0, 0, *size_pt)}
        return len(re.findall(rb"/Type\s*/Page\b", content))

    text = page.read_text("utf-8")
    if extract := shutil.which(
        "pdftotext"
    ):  # what a point reads stands in the drawing once, not with its edge again
        pages(text, f"drawn-{paper}")
        told = subprocess.run(
            [extract, "-raw", folder / f"drawn-{paper}.pdf", "-"], capture_output=True, text=True, check=True
        ).stdout
        drawn = re.findall(
            r'data-point="(V\d\.\d)"', re.search(r'(?s)<div class="drawing paper">.*?</svg>', text)[0]
        )
        page_of = next(one for one in told.split("\f") if "measured over expected" in one)
        assert len(drawn) > 5
        assert len(re.findall(r"[mµ]?V expected", page_of)) == len(re.findall(r"V expected<", text)) / 2
    assert 4 <= pages(text, f"whole-{paper}") <= 12
    summary, cautions, rest = text.partition("rules ask.</p>")
    assert cautions
    head, _, _ = rest.partition("</section>")
    assert pages(f"{summary}{cautions}{head}</section></main></body></html>", f"summary-{paper}") == 1


def streams(pdf):
    """The content of a PDF, its compressed parts laid open."""
    found = [pdf]
    for start in re.finditer(rb"stream\r?\n", pdf):
        with contextlib.suppress(zlib.error):
            found.append(zlib.decompressobj().decompress(pdf[start.end() :]))
    return b"\n".join(found)


def test_hostile_text_in_the_browser_and_in_the_pdf(folder):
    job = hostile_job(folder / "evil.stagewalk")
    assert main(["report", str(job), "--pdf"]) == 0
    done = browse(folder, folder / "evil.html", "--dump-dom")
    assert console(done) == []
    assert "<img" not in re.sub(r"(?s)<script.*?</script>", "", done.stdout)
    pdf = (folder / "evil.pdf").read_bytes()
    # ISO 32000-1, 12.6.4: actions that a reader of the file would carry out.
    assert not re.search(rb"/(JavaScript|JS|URI|Launch|SubmitForm|GoToR|OpenAction|AA|RichMedia)\b", streams(pdf))
    if extract := shutil.which("pdftotext"):
        text = subprocess.run(
            [extract, folder / "evil.pdf", "-"], capture_output=True, text=True, check=True
        ).stdout
    else:  # the words of the page that was printed
        text = html.unescape(re.sub(r"<[^>]*>", "", done.stdout))
    assert "".join(PLAIN.split()) in "".join(text.split())
    assert "DERAEPPA" in text, "an override would have turned it round"
    assert STEERING.search(text.replace("\f", "")) is None
