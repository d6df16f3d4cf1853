"""Make the pictures of README.md from the simulated bench: ``python -m tests.browser.make_pictures``.

Needs Chromium and what ``pip install '.[test]'`` brings; takes about two minutes. Nothing is drawn by hand.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

PICTURES = Path(__file__).resolve().parents[2] / ".pictures"
MOST_BYTES = 150_000
STAGEWALK = [sys.executable, "-c", "from analysis.app.entry import entry; entry()"]
SEEN_ENOUGH = 10
"""Rows of the list after which the leak has shown itself in cathode and plate, and a pin is still to come."""


def keep(picture: bytes, name: str) -> None:
    """Write a picture, and refuse one that would weigh on every clone."""
    if len(picture) > MOST_BYTES:
        raise SystemExit(f"{name}: {len(picture)} bytes, more than {MOST_BYTES}")
    (PICTURES / name).write_bytes(picture)
    print(f"{name}: {len(picture)} bytes")


def main() -> None:
    """Run the demonstration, open its report and the page, and photograph them."""
    from playwright.sync_api import sync_playwright

    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        demo = [*STAGEWALK, "demo", "--fast", "--out", str(folder)]
        subprocess.run(demo, check=True, stdout=subprocess.DEVNULL)
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium") or shutil.which("chromium-browser"),
            args=["--no-sandbox"] if os.geteuid() == 0 else [],
        )
        report = browser.new_page(viewport={"width": 1280, "height": 900})
        report.goto((folder / "quayside-five.html").as_uri())
        report.wait_for_selector(".svg-container")
        keep(report.locator(".drawing svg").first.screenshot(), "drawing.png")
        keep(report.locator("figure:has(#cap-survey)").screenshot(), "before-after.png")
        live = subprocess.Popen(
            [*STAGEWALK, "page", str(folder / "live.stagewalk"), "--simulated", "--no-browser"],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            assert live.stdout is not None
            address = live.stdout.readline().split()[1]
            page = browser.new_page(viewport={"width": 980, "height": 700})
            page.goto(address)
            page.wait_for_selector("#begin:enabled")
            page.fill("#mains", "231")  # without it no point of high voltage is named
            page.check("#glow")
            page.click("#begin")
            page.locator("#done tr").nth(SEEN_ENOUGH).wait_for(state="attached", timeout=240_000)
            # A pin with its base drawn, not a junction of parts.
            page.locator("#step-point", has_text=re.compile(r"V\d pin \d")).wait_for(timeout=60_000)
            page.locator("#base svg").wait_for(timeout=60_000)
            page.locator(".suspect").first.wait_for(timeout=60_000)
            keep(page.screenshot(), "page.png")
        finally:
            live.send_signal(signal.SIGINT)
            live.wait(timeout=30)
        browser.close()


if __name__ == "__main__":
    main()
