"""The page as everybody meets it: letters large enough, room for a thumb, letters set to twice the size."""

import pytest

from acquisition.configs import find_config
from acquisition.probing.wording import CAUTIONS
from acquisition.records import Reading
from acquisition.store import create_job
from tests.browser.serving import JOB, NEEDS_BROWSER, NOTES, STEP, served, wait_for

pytestmark = NEEDS_BROWSER


LEAST_PX = """() => Math.min(...[...document.querySelectorAll('#drawing text')].map(
    (words) => words.getAttribute('font-size') * words.getScreenCTM().a))"""


FETCHED = """() => performance.getEntriesByType('resource').map((one) => new URL(one.name))
    .filter((one) => one.pathname === '/drawing').at(-1)?.searchParams.get('width')"""
PRESSED = "nav a, button, select, textarea, input, label:has([type=checkbox])"
SMALL = """(pressed) => [...document.querySelectorAll(pressed)]
    .filter((one) => one.checkVisibility() && one.type !== 'checkbox')
    .map((one) => [one.id || one.textContent.trim(), one.getBoundingClientRect()])
    .filter(([_, box]) => box.width < 44 || box.height < 44).map(([name, box]) => [name, box.width, box.height])"""


@pytest.mark.parametrize("name", ["quayside-five", "harbour-twenty"])
def test_a_drawing_is_legible_at_a_desk_and_on_a_phone(browser, tmp_path, name):
    """Letters were 8 px high at a desk: all sections stood in one row, squeezed into the width there was."""
    text = find_config("chassis", name).read_text("utf-8")
    with create_job(tmp_path / "a.stagewalk", "Five", text) as job:
        job.start_pass("as-found", mains_v=230.0)
        job.add_reading("as-found", Reading(point="V1.1", quantity="dc_v", value=144.0, std=0.1))
    with served(tmp_path / "a.stagewalk", ("as-found",)) as (_, address):
        page = browser.new_page(viewport={"width": 390, "height": 800})
        page.goto(f"{address.url}#chassis")
        drawing = page.locator("#drawing")

        def drawn_for_its_place():
            asked = page.evaluate(FETCHED)
            return asked == drawing.evaluate("e => String(e.clientWidth - 16)") and drawing.locator("svg").count()

        for width in (390, 1280, 1920, 1280):  # set anew as the place grows
            page.set_viewport_size({"width": width, "height": 800})
            wait_for(drawn_for_its_place)
            wait_for(lambda: page.evaluate(LEAST_PX) > 11.9)  # what was asked for stands there a moment later
            assert drawing.evaluate("e => e.scrollWidth / e.clientWidth") < (1.25 if width > 600 else 2.5)
            assert page.evaluate("document.documentElement.scrollWidth") == width
        page.focus("#drawing [data-point='V1.1']")
        page.set_viewport_size({"width": 1600, "height": 800})
        wait_for(drawn_for_its_place)
        page.wait_for_timeout(300)
        assert page.evaluate("document.activeElement.dataset.point") == "V1.1", "keys stay at the point in hand"
        page.close()


@pytest.mark.parametrize(("width", "height"), [(390, 844), (844, 390), (1280, 800)])
def test_what_is_pressed_is_large_enough_for_a_thumb(told, width, height):
    """WCAG 2.2, 2.5.5: 44 by 44 CSS px; a box to tick counts with its words."""
    page, hub, _ = told
    page.set_viewport_size({"width": width, "height": height})
    hub.publish("notes", {**NOTES, "sockets": [{"name": "V1", "tube": "EL84", "out": False}]})
    hub.publish("gain", {"running": False, "waiting": True, "notices": []})
    for view in ("survey", "gain", "notes"):
        page.goto(f"{page.url.partition('#')[0]}#{view}")
        wait_for(lambda view=view: page.locator(f"#{view}").is_visible())
        assert page.evaluate(SMALL, PRESSED) == [], view
    page.goto(f"{page.url.partition('#')[0]}#survey")
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    assert page.evaluate(SMALL, PRESSED) == []


@pytest.mark.parametrize("view", ["survey", "gain", "compare", "notes"])
def test_letters_twice_as_large_push_nothing_off_a_screen(told, view):
    """WCAG 2.2, 1.4.4 and 1.4.10, of a person who has set letters of twice the size in the browser."""
    page, hub, _ = told
    page.context.new_cdp_session(page).send("Page.setFontSizes", {"fontSizes": {"standard": 32, "fixed": 26}})
    hub.publish(
        "step", {**STEP, "healthy": "Healthy: 225.2 V to 241.8 V", "function": "cathode and suppressor of V2"}
    )
    hub.publish("meter", {"text": "-21.041", "unit": "V", "state": "open", "link": "good", "words": "reading"})
    hub.publish("notes", NOTES)
    page.goto(f"{page.url.partition('#')[0]}#{view}")
    wait_for(lambda: page.locator(f"#{view}").is_visible())
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_timeout(100)
        assert page.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)") == 32
        assert page.evaluate("document.documentElement.scrollWidth") == width
        if view == "survey":
            keys = page.locator("[data-act]:visible").all()
            assert all(key.evaluate("e => e.scrollWidth <= e.clientWidth + 1") for key in keys)
            assert all(
                box["x"] >= 0 and box["x"] + box["width"] <= width and box["height"] >= 44
                for box in (key.bounding_box() for key in keys)
            )


def test_a_round_begins_with_its_first_point_in_sight(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 390, "height": 600})
    page.locator("#begin").scroll_into_view_if_needed()
    assert page.evaluate("scrollY") > 50
    hub.publish("step", STEP)
    wait_for(lambda: page.locator("#work").is_visible())
    assert page.evaluate("scrollY") == 0
    page.evaluate("scrollTo(0, 120)")
    hub.publish("step", {**STEP, "title": "V1 pin 3"})
    wait_for(lambda: page.locator("#step-point").inner_text() == "V1 pin 3")
    assert page.evaluate("scrollY") == 120, "who looks at the list goes on looking at it"


def test_the_whole_form_that_begins_a_round_is_in_sight_on_a_small_desk(told):
    page, hub, _ = told
    page.set_viewport_size({"width": 1280, "height": 800})
    hub.publish("job", {**JOB, "cautions": list(CAUTIONS), "mains_words": "Drawing: 230 V."})
    wait_for(lambda: page.locator("#cautions li").count() == len(CAUTIONS))
    box = page.locator("#begin").bounding_box()
    assert box["y"] + box["height"] < 800


@pytest.mark.parametrize("width", [930, 980, 1280])
def test_all_keys_stand_in_one_row_at_a_desk(told, width):
    page, hub, _ = told
    page.set_viewport_size({"width": width, "height": 800})
    hub.publish("step", {**STEP, "tube": "EL84", "pin": 2})
    wait_for(lambda: page.locator("#base svg").is_visible())
    assert len({key.bounding_box()["y"] for key in page.locator("[data-act]:visible").all()}) == 1
