"""The page in a real browser, told by a hub what to show: keys after a click, sound, another server, a phone."""

import asyncio

import pytest

from analysis.app.page.hub import Subscriber
from tests.browser.serving import JOB, NEEDS_BROWSER, NOTES, NOTHING_WEIGHED, STEP, wait_for

pytestmark = NEEDS_BROWSER


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
    wait_for(page.locator("#work").is_visible)  # the view follows its address a moment later
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


def test_what_is_asked_for_arrives_in_that_order_and_waits_for_no_lost_answer(told):
    """Two requests under way at once overtook each other: Stop could arrive before what it was to stop."""
    page, hub, posted = told
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    page.clock.install()  # from here on no time passes in the page by itself
    page.clock.pause_at(page.evaluate("Date.now() + 1000"))
    held = []
    page.route("**/act/note", lambda route: held.append(route))
    page.click("[data-note=hot]")
    page.keyboard.press("Space")
    wait_for(lambda: page.wait_for_timeout(50) or held)
    page.wait_for_timeout(200)
    assert posted == []
    held.pop().continue_()
    wait_for(lambda: posted == [("note", {"text": "hot"}), ("confirm", {})])
    page.click("[data-note=hot]")
    page.keyboard.press("Space")
    wait_for(lambda: page.wait_for_timeout(50) or held)
    page.clock.run_for(1000)
    wait_for(lambda: posted[2:] == [("confirm", {})])
    held.pop().abort()


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
    wait_for(lambda: page.evaluate("contexts[0]?.state === 'running' && contexts[0].tones === 1"))
    page.click("#step-point")
    hub.cue("taken")
    wait_for(lambda: page.evaluate("contexts.length === 1 && contexts[0].tones === 3"))


def test_tones_and_voice_can_be_turned_off_and_on_again(told):
    page, hub, _ = told
    page.evaluate("() => { window.spoken = []; speechSynthesis.getVoices = () => [1];"
                  " speechSynthesis.speak = (one) => spoken.push(one.text); }")  # fmt: skip
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    page.click("#step-point")
    wait_for(lambda: page.evaluate("contexts[0]?.state === 'running'"))
    before = page.evaluate("contexts[0].tones")
    page.uncheck("text=Tones and voice")
    hub.cue("taken", text="not to be heard")
    hub.cue("say", text="nor this")
    hub.publish("step", {**STEP, "title": "V1 pin 3"})
    wait_for(lambda: page.locator("#step-point").inner_text() == "V1 pin 3")
    hub.publish("step", {**STEP, "title": "V1 pin 4"})  # comes after all that was sent with the step before it
    wait_for(lambda: page.locator("#step-point").inner_text() == "V1 pin 4")
    assert page.evaluate("[contexts[0].tones, spoken.length]") == [before, 0]
    page.check("text=Tones and voice")
    hub.cue("say", text="heard")
    wait_for(lambda: page.evaluate("[contexts[0].tones, spoken.join()]") == [before + 1, "heard"])


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


def test_what_is_asked_first_stands_above_the_suspects(told):
    """Of notes the page shows none beside suspects, and a pulled tube stood there as an open resistor."""
    page, hub, _ = told
    hub.publish("step", STEP)
    open_r2 = {"part": "R2", "fault": "open", "probability": 0.97, "chance": "97 %", "estimate": "", "because": ""}
    found = {**NOTHING_WEIGHED, "points": 8, "suspects": [open_r2], "nothing_wrong": "below 1 %"}
    hub.publish("suspects", {**found, "asked": ["none of V1a, V1b passes current"]})
    wait_for(lambda: "R2 open" in page.locator("#suspects").inner_text())
    assert page.locator("#suspects > *").first.inner_text() == "First: none of V1a, V1b passes current"
    hub.publish("suspects", found)
    wait_for(lambda: "First" not in page.locator("#suspects").inner_text())


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


HELD = "locks.filter((lock) => lock.held).length"
HIDE = ("(is) => { Object.defineProperty(document, 'hidden', {value: is, configurable: true});"
        " document.dispatchEvent(new Event('visibilitychange')); }")  # fmt: skip


def test_the_screen_stays_on_while_a_round_or_a_sweep_runs(told):
    page, hub, _ = told
    assert page.evaluate(HELD) == 0
    hub.publish("step", STEP)
    wait_for(lambda: page.evaluate(HELD) == 1)
    hub.publish("gain", {"running": True, "notices": []})
    hub.publish("step", {**STEP, "over": True})
    page.wait_for_timeout(200)
    assert page.evaluate(HELD) == 1, "the sweep still runs"
    page.evaluate("locks[0].release()")  # as a browser does while the tab is hidden
    page.evaluate(HIDE, False)
    wait_for(lambda: page.evaluate(HELD) == 1)
    hub.publish("gain", {"running": False, "notices": []})
    wait_for(lambda: page.evaluate(HELD) == 0)
    assert page.evaluate("locks.length") == 2


def test_a_round_is_heard_behind_another_tab(told):
    page, hub, _ = told
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    page.click("#step-point")
    wait_for(lambda: page.evaluate("contexts[0]?.state === 'running'"))
    page.evaluate(HIDE, True)
    before = page.evaluate("contexts[0].tones")
    hub.cue("taken")
    wait_for(lambda: page.evaluate("contexts[0].tones") == before + 2)
    hub.publish("step", {**STEP, "over": True})
    page.wait_for_timeout(200)
    page.evaluate(HIDE, True)
    assert page.locator("#lamp-link .is").inner_text() == "paused while hidden", "nothing runs any more"


def test_without_its_server_the_page_claims_nothing_of_the_instruments(told):
    page, hub, _ = told
    hub.publish("generator", {"on": False, "known": True, "words": "off"})
    hub.publish("meter", {"text": "1.000", "unit": "V", "state": "open", "link": "good", "words": "reading"})
    lamps = page.locator(".lamps .is")
    wait_for(lambda: lamps.all_inner_texts() == ["live", "reading", "off"])
    hub.end()
    wait_for(lambda: lamps.all_inner_texts() == ["server stopped", "not known", "not known"])
    assert page.locator("#digits").get_attribute("data-stale") == "yes"
    page.route("**/events", lambda route: route.abort())
    page.reload()
    wait_for(lambda: lamps.first.inner_text() == "server gone, trying again")
    page.wait_for_timeout(2500)
    assert lamps.first.inner_text() == "server gone, trying again", "other tabs are not in the way"


def test_a_network_that_goes_away_without_a_word_is_noticed(told, monkeypatch):
    """A phone out of reach keeps its stream open: the lamp of the generator went on to say off."""
    page, hub, _ = told
    link, generator = page.locator("#lamp-link .is"), page.locator("#lamp-generator .is")
    whole, silent = Subscriber.stream, []

    async def cut(self, keep_alive_s=5.0):
        async for chunk in whole(self, keep_alive_s):
            if silent:
                await asyncio.sleep(0.1)
            else:
                yield chunk

    monkeypatch.setattr(Subscriber, "stream", cut)
    page.reload()
    hub.publish("generator", {"on": False, "known": True, "words": "off"})
    wait_for(lambda: (link.inner_text(), generator.inner_text()) == ("live", "off"))
    silent.append(True)
    wait_for(lambda: generator.inner_text() == "not known")
    silent.clear()
    wait_for(lambda: (link.inner_text(), generator.inner_text()) == ("live", "off"))


def test_a_point_of_the_drawing_tells_that_the_server_is_gone(told):
    page, _, _ = told
    page.route("**/drawing*", lambda route: route.fulfill(
        body="<svg xmlns='http://www.w3.org/2000/svg'><text data-point='V1.6' y='20'>V1.6</text></svg>",
        content_type="image/svg+xml"))  # fmt: skip
    page.click("nav [href='#chassis']")
    page.locator("#drawing [data-point]").wait_for()
    page.route("**/history*", lambda route: route.abort())
    page.click("#drawing [data-point]")
    wait_for(lambda: "The server does not answer." in page.locator("#history").inner_text())


def test_two_jobs_are_told_apart_by_the_names_of_their_tabs(told):
    page, hub, _ = told
    hub.publish("job", {**JOB, "name": "amp-1234", "pass": "after-C2"})
    wait_for(lambda: page.title() == "amp-1234, after-C2: stagewalk")


def test_that_the_server_does_not_answer_is_said_as_long_as_it_is_so(told):
    page, hub, posted = told
    hub.publish("step", STEP)
    hub.publish("alarm", {"words": "The meter is lost."})
    banner = page.locator("#banner")
    wait_for(lambda: banner.is_visible() and page.locator("#work").is_visible())
    page.route("**/act/*", lambda route: route.abort())
    page.keyboard.press("b")
    wait_for(lambda: "does not answer" in banner.inner_text())
    page.uncheck("#sound")
    page.evaluate(HIDE, True)
    wait_for(lambda: page.locator("#lamp-link .is").inner_text() == "paused while hidden")
    page.evaluate(HIDE, False)
    hub.publish("step", {**STEP, "title": "V1 pin 3"})
    wait_for(lambda: page.locator("#step-point").inner_text() == "V1 pin 3")
    assert "does not answer" in banner.inner_text(), "told once more, it is no news"
    page.unroute("**/act/*")
    page.keyboard.press("b")
    wait_for(lambda: banner.inner_text() == "The meter is lost.")
    assert posted == [("back", {})]


def test_a_slow_comparison_never_stands_under_the_names_of_other_passes(told):
    page, hub, _ = told
    waiting = {}
    page.route("**/compare?**", lambda route: waiting.__setitem__(route.request.url.rpartition("=")[2], route))
    page.goto(page.url + "#compare")
    hub.publish("job", {**JOB, "passes": ["as-found", "after-C2", "after-V1"]})
    wait_for(lambda: page.wait_for_timeout(50) or waiting)
    result = page.locator("#compare-result")
    assert result.inner_text() == "Comparing."
    page.select_option("#after", "after-C2")
    wait_for(lambda: page.wait_for_timeout(50) or len(waiting) == 2)
    for name in ("after-C2", "after-V1"):  # the one asked for first is answered last
        waiting[name].fulfill(json={"words": [f"as-found to {name}"], "changes": []})
        page.wait_for_timeout(200)
    assert result.locator(".result").inner_text() == "as-found to after-C2"
    page.select_option("#after", "after-V1")
    wait_for(lambda: result.inner_text() == "Comparing.")
    waiting.clear()
    page.select_option("#after", "after-C2")
    wait_for(lambda: page.wait_for_timeout(50) or "after-C2" in waiting)
    waiting["after-C2"].abort()
    wait_for(lambda: result.inner_text() == "The server does not answer.")


def test_no_part_is_written_down_that_nobody_chose(told):
    page, hub, posted = told
    page.goto(page.url + "#notes")
    hub.publish("notes", {**NOTES, "names": ["R10", "C2"]})
    wait_for(lambda: page.locator("#changed-name option").count() == 3)
    page.fill("#changed-value", "22n")
    page.click("#changed-form button")
    wait_for(lambda: len(posted) == 1)
    page.select_option("#changed-name", "C2")
    page.fill("#changed-value", "22 n")
    page.click("#changed-form button")
    wait_for(lambda: len(posted) == 2)
    page.select_option("#changed-name", "R10")
    page.select_option("#changed-how", "measured")
    page.fill("#changed-value", "9k7")
    page.click("#changed-form button")
    wait_for(lambda: len(posted) == 3)
    sent = [{"parts": ""}, {"parts": "C2=22n"}, {"measured": "R10=9k7"}]
    assert posted == [("changed", body) for body in sent]


def test_what_is_refused_stays_in_its_form_and_what_is_written_down_does_not(told):
    page, hub, posted = told
    page.goto(page.url + "#notes")
    hub.publish("notes", {**NOTES, "done": ""})
    wait_for(lambda: page.locator("#changed-name option").count() == 2)
    page.fill("#remark", "smoke from R7, after ten minutes")
    page.click("#remark-form button")
    wait_for(lambda: posted)
    hub.publish("notes", {**NOTES, "words": "Not written down: as-found has not begun", "done": ""})
    wait_for(lambda: "Not written down" in page.locator("#notes-words").inner_text())
    assert page.input_value("#remark") == "smoke from R7, after ten minutes"
    page.select_option("#changed-name", "C2")
    page.fill("#changed-value", "22n")
    page.click("#changed-form button")
    wait_for(lambda: len(posted) == 2)
    hub.publish("notes", {**NOTES, "words": "Written down before as-found: C2.", "done": "changed"})
    wait_for(lambda: page.input_value("#changed-value") == "")
    assert page.input_value("#changed-name") == ""
    assert page.input_value("#remark") == "smoke from R7, after ten minutes", "that form waits for nothing"
    # What another tab has written down empties no form here.
    hub.publish("notes", {**NOTES, "words": "Written down.", "done": "note", "noted": ["hums"]})
    wait_for(lambda: "hums" in page.locator("#noted").inner_text())
    assert page.input_value("#remark") == "smoke from R7, after ten minutes"


def test_tubes_that_were_out_are_ticked_and_follow_what_the_job_says(told):
    page, hub, posted = told
    page.goto(page.url + "#notes")
    sockets = [{"name": name, "tube": "EL84", "out": name == "V3"} for name in ("V2", "V3")]
    hub.publish("notes", {**NOTES, "sockets": sockets})
    boxes = page.get_by_role("group", name="Tubes that were out").get_by_role("checkbox")
    wait_for(lambda: boxes.count() == 2)
    assert [box.is_checked() for box in boxes.all()] == [False, True]
    page.check("text=V2 EL84")
    hub.publish("notes", {**NOTES, "sockets": sockets, "noted": ["hot"]})
    wait_for(lambda: "hot" in page.locator("#noted").inner_text())
    assert boxes.first.is_checked(), "somebody is at work on it"
    page.click("#pulled-form button")
    wait_for(lambda: len(posted) == 1)
    hub.publish("notes", {**NOTES, "sockets": sockets, "words": "Not written down: the disk is full"})
    wait_for(lambda: not boxes.first.is_checked())
    page.uncheck("text=V3 EL84")
    page.click("#pulled-form button")
    wait_for(lambda: len(posted) == 2)
    # A part that is up is in the same line, and stays there while tubes go in and out.
    hub.publish("notes", {**NOTES, "sockets": sockets, "lifted": "C7", "words": "Written down"})
    wait_for(lambda: page.locator("#lifted").input_value() == "C7")
    page.click("#pulled-form button")
    wait_for(lambda: len(posted) == 3)
    assert posted == [("pulled", {"pulled": words}) for words in ("V2 V3", "none", "V3 C7")]
    # The form of the next round says how it stands now; nothing there contradicts the pass.
    for pulled in ("V2 V3", ""):
        hub.publish("job", {**JOB, "pulled": pulled})
        wait_for(lambda pulled=pulled: page.locator("#pulled").input_value() == pulled)


def test_the_history_of_a_pass_with_a_long_name_stays_on_a_phone(told):
    page, _, _ = told
    page.set_viewport_size({"width": 390, "height": 844})
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><g data-point="V2.5" tabindex="0"/></svg>'
    page.route("**/drawing?**", lambda route: route.fulfill(body=svg, content_type="image/svg+xml"))
    name = "with the customer's own tubes fitted again"
    row = {"pass": name, "what": "V2.5 > SPK gain at 92.8 Hz", "value": "x0.754 ± 0.010", "quality": "imported",
           "time": "2026-11-28 00:29"}  # fmt: skip
    page.route("**/history?**", lambda route: route.fulfill(json={"point": "V2.5", "readings": [row]}))
    page.goto(page.url + "#chassis")
    page.locator("[data-point='V2.5']").press("Enter")
    wait_for(lambda: page.locator("#history tbody tr").count() == 1)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    assert page.locator("#history .what").evaluate("e => e.clientWidth") > 100
    page.unroute("**/history?**")
    page.route("**/history?**", lambda route: route.fulfill(json={"point": "V2.5", "readings": [row] * 40}))
    page.set_viewport_size({"width": 1280, "height": 800})
    page.evaluate("scrollTo(0, 0)")
    page.locator("[data-point='V2.5']").press(" ")
    wait_for(lambda: page.locator("#history tbody tr").count() == 40)
    # The first rows come into sight, and what the drawing loses is their height.
    assert page.evaluate("scrollY") == 0
    assert page.locator("#history tbody tr").nth(2).evaluate(IN_SIGHT)
    assert page.locator("#history").bounding_box()["height"] < 280
    page.click("text=Close")
    assert page.locator("#history *").count() == 0
    assert page.evaluate("document.activeElement.dataset.point") == "V2.5"


IN_SIGHT = (
    "(e) => { const r = e.getBoundingClientRect(); return r.height > 0 && r.top >= 0 && r.bottom <= innerHeight; }"
)
ZERO = {"title": "V2 pin 2", "function": "grid of V2", "hazard": "High voltage here: up to 287 V in a fault",
        "prompt": "Touch V2.2, one hand. It may read 0: then hold for 3 seconds, or press space."}  # fmt: skip


@pytest.mark.parametrize(("width", "height"), [(390, 844), (820, 1180), (844, 390)])
def test_digits_and_keys_are_in_sight_together_on_what_has_no_keyboard(told, width, height):
    page, hub, posted = told
    page.set_viewport_size({"width": width, "height": height})
    hub.publish("meter", {"text": "-21.041", "unit": "V", "state": "open", "link": "good", "words": "reading"})
    hub.publish("step", {**STEP, **ZERO, "tube": "EL84", "pin": 2})
    wait_for(lambda: page.locator("#base svg").is_visible())
    keys = page.locator("[data-act]:visible")
    assert [key.evaluate(IN_SIGHT) for key in keys.all()] == [True] * 4
    assert min(key.bounding_box()["height"] for key in keys.all()) >= 44
    assert page.locator("#digits").evaluate(IN_SIGHT)
    prompt = page.locator("#prompt").bounding_box()
    assert prompt["y"] + prompt["height"] <= keys.first.bounding_box()["y"]
    assert page.locator("#digits").bounding_box()["y"] < keys.first.bounding_box()["y"] - 60
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    assert page.locator("footer").bounding_box()["y"] < keys.first.bounding_box()["y"] - 20, (
        "nothing lies under them"
    )
    keys.first.click()
    wait_for(lambda: posted == [("confirm", {})])
    hub.publish("step", {**STEP, "over": True})
    wait_for(lambda: not keys.first.is_visible())  # a round that is over hears no key


def test_an_answer_is_in_sight_of_the_form_that_asked(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 390, "height": 700})
    page.locator("#begin").scroll_into_view_if_needed()
    hub.publish("alarm", {"words": "--replaced: no part C9"})
    wait_for(lambda: page.locator("#banner").evaluate(IN_SIGHT))
    hub.publish("alarm", {"words": ""})
    page.goto(page.url + "#notes")
    hub.publish("notes", NOTES)
    page.locator("#remark-form button").scroll_into_view_if_needed()
    hub.publish("notes", {**NOTES, "words": "Written down.", "noted": ["hot"]})
    wait_for(lambda: page.locator("#notes-words").inner_text() == "Written down.")
    assert page.locator("#notes-words").evaluate(IN_SIGHT)


LINES = """cells => cells.map((cell) => {
    const range = document.createRange(); range.selectNodeContents(cell);
    return new Set([...range.getClientRects()].map((line) => Math.round(line.y))).size;
})"""


def test_the_list_of_readings_tells_every_verdict_whole_on_a_phone(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 390, "height": 844})
    row = {"point": "V10.12", "function": "grid of V10b", "value": -21.04, "healthy": ["-52.31 V", "to -38.77 V"],
           "verdict": "high", "verdict_words": "not negative enough"}  # fmt: skip
    hub.publish("step", STEP)
    agrees = {**row, "function": "cathode and suppressor of V10", "verdict": "agrees", "verdict_words": "agrees"}
    hub.publish("taken", {"readings": [row] * 29 + [agrees]})
    wait_for(lambda: page.locator("#done tr").count() == 30)
    box = page.locator(".list .scroll")
    # A word that is broken has its letters on two lines: "agr" over "ees".
    words = page.locator("#done tr:last-child td:last-child, .list thead th:last-child").evaluate_all(LINES)
    assert words == [1, 1]
    assert box.evaluate("e => [e.scrollWidth - e.clientWidth, e.scrollHeight - e.clientHeight]") == [0, 0]


def test_a_tab_that_a_new_server_shuts_out_says_so_and_goes_on_trying(told):
    page, _, _ = told
    for address in ("**/events", "**/state"):
        page.route(address, lambda route: route.fulfill(status=401, body="open the page with the address printed"))
    page.reload()
    wait_for(lambda: page.locator("#lamp-link .is").inner_text().startswith("shut out: open the address"))
    page.unroute("**/events")
    wait_for(lambda: page.locator("#lamp-link .is").inner_text() == "live")


def test_without_stages_the_gain_view_says_what_is_missing_and_asks_for_nothing(told):
    page, hub, _ = told
    page.goto(page.url + "#gain")
    wait_for(lambda: page.locator("#gain-form").is_visible())
    assert not page.locator("#no-stages").is_visible()
    hub.publish("job", {**JOB, "stages": []})
    wait_for(lambda: page.locator("#no-stages").is_visible())
    assert not page.locator("#gain-form").is_visible()


def test_before_anything_is_measured_the_gain_view_says_what_comes_next(told):
    page, hub, _ = told
    page.click("nav [href='#gain']")
    wait_for(page.locator("#gain-first").is_visible)
    assert "connected with the power off" in page.locator("#gain-first").inner_text()
    hub.publish("gain", {"running": True, "progress": "With the power off: connect."})
    wait_for(lambda: page.locator("#gain-progress").inner_text().startswith("With the power off"))
    assert not page.locator("#gain-first").is_visible()
    hub.publish("job", {**JOB, "stages": []})
    wait_for(page.locator("#no-stages").is_visible)
    assert not page.locator("#gain-first").is_visible()


def test_words_of_a_box_to_tick_stand_beside_it_on_a_phone(told):
    page, _, _ = told
    page.set_viewport_size({"width": 390, "height": 800})
    for box in ("glow", "anew", "follow"):
        at = page.locator(f"#{box}").bounding_box()
        words = page.locator(f"label:has(#{box})").evaluate(
            "label => { const r = document.createRange(); r.selectNodeContents(label.lastChild);"
            " return r.getBoundingClientRect().x; }"
        )
        assert words >= at["x"] + at["width"]


def test_a_long_name_of_a_point_does_not_push_a_phone_sideways(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 390, "height": 800})
    name = "CATHODE_FOLLOWER_OUT_LEFT"
    hub.publish("step", {**STEP, "title": name, "prompt": f"Touch {name}, one hand."})
    wait_for(lambda: page.locator("#step-point").inner_text() == name)
    assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_the_answer_that_asks_for_a_tube_to_be_pulled_is_followed_on_the_page(told):
    page, hub, posted = told
    begun = {"as-found": {"mains_v": 231.0, "pulled": "C7", "read": True},
             "V4-out": {"mains_v": 230.0, "pulled": "C7 V4", "read": True}}  # fmt: skip
    hub.publish("job", {**JOB, "pulled": "C7", "passes": list(begun), "begun": begun})
    hub.publish("step", STEP)
    counted = "Counted together: as-found, V4-out."
    hub.publish("suspects", {**NOTHING_WEIGHED, "counted": [counted],
                              "pull": {"what": ["V4"], "pass": "C7-V4-out-2", "out": ["C7", "V4"]}})  # fmt: skip
    wait_for(lambda: page.locator("#pull").is_visible())
    assert counted in page.locator("#suspects").inner_text()
    assert page.locator("#pull").inner_text() == "Begin a pass with V4 out"
    page.click("#pull")
    assert page.locator("#start").is_visible()
    assert not page.locator("#work").is_visible()
    assert page.input_value("#pass") == "C7-V4-out-2", "the name that the terminal proposes too"
    assert page.input_value("#pulled") == "C7 V4"
    # The survey that runs goes on beneath, and its next point does not take the form away.
    hub.publish("step", {**STEP, "title": "V1 pin 3"})
    page.wait_for_timeout(300)
    assert page.locator("#start").is_visible()
    page.keyboard.press("Escape")
    page.click("#unchanged")
    wait_for(lambda: page.locator("#work").is_visible() and page.locator("#step-point").inner_text() == "V1 pin 3")
    page.click("#pull")
    page.click("#begin")
    wait_for(lambda: posted)
    ((action, body),) = posted
    assert (action, body["pass"], body["pulled"], body["mains_v"]) == ("start", "C7-V4-out-2", "C7 V4", "231")
    begun["C7-V4-out-2"] = {"mains_v": 231.0, "pulled": "C7 V4", "read": False}
    hub.publish("job", {**JOB, "pass": "C7-V4-out-2", "pulled": "C7 V4", "passes": list(begun), "begun": begun})
    hub.publish("step", {**STEP, "title": "V4 pin 5"})
    hub.publish("suspects", NOTHING_WEIGHED)
    wait_for(lambda: page.locator("#work").is_visible() and not page.locator("#pull").is_visible())


def test_a_pass_that_was_begun_brings_its_conditions_and_a_changed_part_a_pass_of_its_own(told):
    page, hub, _ = told
    begun = {"as-found": {"mains_v": 231.0, "pulled": "", "read": True},
             "low": {"mains_v": 207.0, "pulled": "V4", "read": True}}  # fmt: skip
    hub.publish("job", {**JOB, "passes": list(begun), "begun": begun})
    hub.publish("taken", {"readings": [{"point": "HT1", "function": "rail", "value": 249.0, "healthy": [],
                                        "verdict": None, "verdict_words": ""}]})  # fmt: skip
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#done tr").count() == 1)
    page.click("#another")
    assert page.input_value("#mains") == "", "as-found was read at 231 V; what the mains are now nobody has said"
    hub.publish("job", {**JOB, "mains_v": 231.0, "passes": list(begun), "begun": {**begun, "more": begun["low"]}})
    page.wait_for_timeout(300)
    assert page.input_value("#mains") == ""
    page.click("#unchanged")
    page.click("#another")
    page.fill("#pass", "low")
    page.press("#pass", "Tab")
    assert (page.input_value("#mains"), page.input_value("#pulled")) == ("207", "V4")
    page.fill("#pass", "as-found")
    page.press("#pass", "Tab")
    assert (page.input_value("#mains"), page.input_value("#pulled")) == ("231", "")
    page.fill("#changed", "C2=22n V1")
    page.press("#changed", "Tab")
    assert page.input_value("#pass") == "after-C2"
    page.fill("#pass", "by another name")
    page.fill("#changed", "C2")
    page.press("#changed", "Tab")
    assert page.input_value("#pass") == "by another name"
    # "Begin another pass" leaves the name to the person, who may begin with what was changed.
    page.click("#unchanged")
    page.click("#another")
    page.fill("#changed", "R5 V1")
    page.press("#changed", "Tab")
    assert page.input_value("#pass") == "after-R5"


def test_the_end_of_the_job_is_written_on_the_page_and_its_report_comes_as_a_file(told):
    page, hub, posted = told
    hub.publish("notes", {**NOTES, "sheet": {**NOTES["sheet"], "found": "C2 leaked"}})
    page.click("nav [href='#notes']")
    wait_for(lambda: page.input_value("#found") == "C2 leaked")
    page.fill("#advised", "new mains lead")
    page.click("#conclude-form .primary")
    wait_for(lambda: posted)
    assert posted == [("conclude", {"found": "C2 leaked", "advice": "new mains lead"})]
    page.click("#report")  # there is no job behind this page
    wait_for(lambda: "none.stagewalk" in page.locator("#report-words").inner_text())
    page.route("**/report", lambda route: route.fulfill(body="<!doctype html>", content_type="text/html"))
    with page.expect_download() as kept:
        page.click("#report")
    assert kept.value.suggested_filename == "five.html"
    wait_for(lambda: "downloads of this browser" in page.locator("#report-words").inner_text())


def test_what_switches_the_generator_on_is_no_key_of_the_survey(told):
    page, hub, posted = told
    hub.publish("gain", {"running": True, "waiting": True, "progress": "Connect."})
    page.click("nav [href='#gain']")
    page.click("#gain-confirm")
    page.keyboard.press("Space")
    wait_for(lambda: len(posted) == 2)
    assert posted == [("placed", {})] * 2


def test_a_watch_has_a_mark_and_an_end_for_keys_and_its_course_below_the_digits(told):
    page, hub, posted = told
    page.set_viewport_size({"width": 390, "height": 844})
    page.click("summary")
    page.fill("#watch-point", "V3.8")
    page.fill("#watch-minutes", "30")
    page.click("#watch")
    wait_for(lambda: posted)
    assert posted[0][1]["watch"] == {"point": "V3.8", "minutes": "30", "above": "", "below": ""}
    hub.publish("step", {**STEP, "watching": True, "marks": True})
    columns = [[k / 60, 7.6, 7.7, 7.8] for k in range(1, 60)]
    hub.publish("course", {"told": ["0:40 V3.8 stands at 7.70 V, agrees."], "columns": columns, "last": "7.70 V"})
    wait_for(lambda: page.locator("#course-plot svg").count() == 1)
    assert page.locator("#controls button:visible").all_inner_texts() == ["Space Set a mark", "End"]
    assert not page.locator("#phases").is_visible()
    assert not page.locator("#list").is_visible()
    assert page.locator("#course-told").inner_text() == "0:40 V3.8 stands at 7.70 V, agrees."
    assert page.locator("#course").bounding_box()["y"] < page.locator(".socket").bounding_box()["y"]
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.click("[data-act=end]")
    page.keyboard.press("Space")
    wait_for(lambda: len(posted) == 3)
    assert posted[1:] == [("end", {}), ("confirm", {})]
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#list").is_visible() and not page.locator("#course").is_visible())
    assert len(page.locator("#controls button:visible").all()) == 4
