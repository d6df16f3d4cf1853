"""One browser for all tests of a file."""

import os

import pytest

from tests.browser.serving import CHROMIUM


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
