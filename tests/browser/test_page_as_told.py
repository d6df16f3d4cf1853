"""The page in a real browser, told by a hub what to show: keys after a click, sound, another server, a phone."""

import pytest

from tests.browser.serving import NEEDS_BROWSER, served, wait_for

pytestmark = NEEDS_BROWSER
STEP = {"running": True, "tube": None, "pin": None, "title": "V1 pin 2", "prompt": "Touch V1.2."}
STAGE = {"name": "first", "from": "V1.2", "to": "V1.1"}
JOB = {"name": "five", "chassis": "five", "pass": "as-found", "passes": ["as-found"], "stages": [STAGE],
       "mains_v": 231.0, "mains_words": "", "cautions": []}  # fmt: skip
NOTHING_WEIGHED = {"points": None, "settled": True, "suspects": [], "healthy_probability": None, "advice": "",
                   "words": ""}  # fmt: skip


@pytest.fixture
def told(browser, tmp_path):
    """A tab, the hub that tells it, and what the tab asked for."""
    posted = []
    with served(tmp_path / "none.stagewalk", ("as-found",), posted) as (hub, address):
        hub.publish("job", JOB)
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.add_init_script(
            "window.contexts = []; window.AudioContext = class extends AudioContext {"
            " constructor() { super(); this.tones = 0; contexts.push(this); }"
            " createOscillator() { this.tones++; return super.createOscillator(); } };"
        )
        page.goto(address.url)
        wait_for(lambda: page.locator("#lamp-link .is").inner_text() == "live")
        yield page, hub, posted
        page.close()


def test_after_a_click_the_space_bar_confirms_and_does_not_click_again(told):
    page, hub, posted = told
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    page.click("[data-note=hot]")
    page.keyboard.press("Space")
    wait_for(lambda: len(posted) == 2)
    assert posted == [("note", {"text": "hot"}), ("confirm", {})]
    page.click(".keys")  # its words, which tick it as well
    page.click("#keys")
    page.keyboard.press("Space")
    page.click("nav [href='#chassis']")
    page.click("nav [href='#survey']")
    page.keyboard.press("Space")
    wait_for(lambda: len(posted) == 4)
    assert posted[2:] == [("confirm", {})] * 2
    # By keys alone a button is reached and pressed as ever.
    page.focus("[data-note=crackles]")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.keyboard.press("Space")
    wait_for(lambda: len(posted) == 6)
    assert posted[4:] == [("note", {"text": "drifts"})] * 2


def test_while_the_next_base_is_on_its_way_no_ring_stands_round_the_last_pin(told):
    page, hub, _ = told
    base = page.locator("#base")
    hub.publish("step", {**STEP, "tube": "12AX7", "pin": 1, "title": "V1 pin 1"})
    wait_for(lambda: base.locator("svg").count() == 1 and base.is_visible())
    waiting = []
    page.route("**/base/**", lambda route: waiting.append(route))
    hub.publish("step", {**STEP, "tube": "12AX7", "pin": 6, "title": "V1 pin 6"})
    wait_for(lambda: page.wait_for_timeout(50) or waiting)
    assert page.locator("#step-point").inner_text() == "V1 pin 6"
    assert not base.is_visible()
    waiting.pop().continue_()
    wait_for(base.is_visible)
    hub.publish("step", {**STEP, "tube": "12AX7", "pin": 2})
    wait_for(lambda: page.wait_for_timeout(50) or waiting)
    waiting.pop().abort()
    wait_for(lambda: base.locator("svg").count() == 0)


@pytest.mark.parametrize("gesture", ["click", "key"])
def test_a_tab_loaded_during_a_survey_sounds_from_the_first_click_or_key(told, gesture):
    page, hub, _ = told
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    hub.cue("taken")
    page.wait_for_timeout(300)
    assert page.evaluate("contexts.length") == 0, "a browser refuses sound before that"
    if gesture == "click":
        page.click("#step-point")
    else:
        page.keyboard.press("r")
    wait_for(lambda: page.evaluate("contexts[0]?.state === 'running' && contexts[0].tones === 1"), 10)
    page.click("#step-point")
    hub.cue("taken")
    wait_for(lambda: page.evaluate("contexts.length === 1 && contexts[0].tones === 3"), 10)


def test_another_server_at_the_address_leaves_nothing_of_the_one_before(told):
    page, hub, _ = told
    page.goto(page.url + "#gain")
    sweep = {"running": True, "progress": "1 of 16 taken", "notices": ["found on"], "result": {"words": "x58"}}
    hub.publish("gain", sweep)
    wait_for(lambda: page.locator("[data-run=sweep]").is_disabled())
    page.check("#load-present")
    page.evaluate("for (const id of ['changed', 'drive']) document.getElementById(id).value = 'C2'; "
                  "document.getElementById('glow').checked = true;")  # fmt: skip
    assert page.locator("#mains").input_value() == "231"
    hub.publish("job", {**JOB, "mains_v": 229.0})  # the same pass, its mains written down: nothing is thrown away
    hub.publish("job", JOB)
    hub.publish("gain", {"notices": []})
    hub.publish("suspects", NOTHING_WEIGHED)
    wait_for(lambda: page.locator("[data-run=sweep]").is_enabled())
    assert page.locator("#gain-progress").inner_text() == ""
    assert page.locator("#gain-result, #gain-notices").all_inner_texts() == ["", ""]
    assert page.locator("#load-present").is_checked()
    assert page.locator("#changed").input_value() == "C2"
    other = {"name": "driver", "from": "V2.2", "to": "V2.1"}
    hub.publish("job", {**JOB, "name": "six", "chassis": "six", "stages": [other], "mains_v": None})
    wait_for(lambda: page.locator("#stage").inner_text() == "driver: V2.2 to V2.1")
    assert [page.locator(f"#{name}").input_value() for name in ("mains", "changed")] == ["", ""]
    assert not page.locator("#load-present").is_checked()
    assert not page.locator("#glow").is_checked()


def test_the_whole_name_of_the_pass_is_in_sight_on_a_phone(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 390, "height": 844})
    title = "Quayside Five, single-ended practice amplifier"
    hub.publish("job", {**JOB, "name": "amp-1234-of-march", "chassis": title, "pass": "after-C2-and-both-tubes"})
    wait_for(lambda: "after-C2" in page.locator("#job-pass").inner_text())
    right, bottom, cut = page.evaluate(
        "() => { const job = document.querySelector('.job'), seen = job.getBoundingClientRect();"
        " const ends = [...document.getElementById('job-pass').getClientRects()];"
        " return [Math.max(...ends.map((e) => e.right)), seen.bottom - ends.at(-1).bottom,"
        " job.scrollWidth > job.clientWidth]; }"
    )
    assert right <= 390
    assert bottom >= -1
    assert not cut
    assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_the_words_of_the_plots_tell_what_is_drawn(told):
    page, hub, _ = told
    page.goto(page.url + "#gain")
    trace = {"name": "V1.2, 0.1 V p-p", "small": True, "points": [[0, 0], [1, 1]], "line": [[0, 0], [1, 1]]}
    measured = {"name": "measured", "points": [[100, 20, 0.1], [1000, 21, 0.1]]}
    band = {"name": "healthy, 95 %", "band": [[100, 19, 21], [1000, 20, 22]]}
    for response in ([measured], [measured, band]):
        hub.publish("gain", {"running": False, "notices": [], "traces": [trace], "response": response})
        has_band = len(response) == 2
        wait_for(lambda has_band=has_band: page.locator("#response polygon").count() == has_band
                 and page.locator("#response circle").count() == 2)  # fmt: skip
        assert ("grey band" in page.locator("#response-caption").inner_text()) == has_band
    labels = page.locator("#traces svg text").all_text_contents()
    assert "V" not in labels, "each trace is drawn to its own height"
    assert "share of its peak" in labels
