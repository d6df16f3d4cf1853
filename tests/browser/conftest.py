"""One browser for all tests of a file."""

import os

import pytest

from tests.browser.serving import CHROMIUM, JOB, served, wait_for


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    flags = ["--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    with sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=CHROMIUM, args=[*flags, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
        )
        yield chromium
        chromium.close()


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
        page.add_init_script(
            "window.locks = []; Object.defineProperty(navigator, 'wakeLock', {value: {request: async () => {"
            " const lock = new EventTarget(); locks.push(lock); lock.held = true;"
            " lock.release = () => { lock.held = false; lock.dispatchEvent(new Event('release')); };"
            " return lock; }}});"
        )
        # A browser told to stop requests while it runs lets the first ones pass: it is told before there are any.
        page.route("**/none", lambda route: route.abort())
        page.goto(address.url)
        wait_for(lambda: page.locator("#lamp-link .is").inner_text() == "live")
        yield page, hub, posted
        page.close()
