"""The page and the report in Firefox: a whole survey, every view, two widths. Run by hand:

    python -m tests.browser.in_firefox [FOLDER]

Needs Debian's firefox-esr and `pip install marionette-driver`. Pictures go to FOLDER. Exit code 1 where something
runs off the side or the page complains.
"""

from __future__ import annotations

import base64
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

STAGEWALK = [sys.executable, "-c", "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))"]
VIEWS = ("survey", "gain", "compare", "chassis", "notes")
LISTEN = """
window.complaints = [];
window.addEventListener("error", (e) => window.complaints.push(e.message));
window.addEventListener("unhandledrejection", (e) => window.complaints.push(String(e.reason)));
"""
BEYOND = "return document.documentElement.scrollWidth - innerWidth"


class Look:
    """One window; notes what is wrong."""

    def __init__(self, folder: Path) -> None:
        from marionette_driver.marionette import Marionette  # not among what the tests install

        self.folder, self.wrong = folder, 0
        program = shutil.which("firefox-esr") or shutil.which("firefox")
        self.window = Marionette(bin=program, headless=True, gecko_log=str(folder / "gecko.log"))
        self.window.start_session()

    def at(self, name: str) -> None:
        """Look at both widths; a headless window is never narrower than 500 px."""
        for width in (1280, 500):
            self.window.set_window_rect(width=width, height=900)
            time.sleep(1.0)
            picture = base64.b64decode(self.window.screenshot(full=False))
            (self.folder / f"{name}-{width}.png").write_bytes(picture)
            beyond = self.window.execute_script(BEYOND)
            print(f"{name} at {width}: {max(0, beyond)} px beyond the side")
            self.wrong += beyond > 0


def survey(look: Look, url: str) -> None:
    window = look.window
    window.navigate(url)
    window.execute_script(LISTEN, sandbox=None)
    window.find_element("id", "mains").send_keys("231")
    window.find_element("id", "glow").click()
    window.find_element("id", "begin").click()
    end = time.monotonic() + 120
    while window.find_element("id", "step-count").text != "Survey over" and time.monotonic() < end:
        time.sleep(0.5)
    time.sleep(5)
    first = window.find_element("css selector", ".suspect b").text
    print(f"first suspect: {first}")
    look.wrong += first != "C2 leaky"
    for view in VIEWS:
        window.execute_script(f"location.hash = '{view}'")
        look.at(view)
    complaints = window.execute_script("return window.complaints", sandbox=None)
    print(f"complaints: {complaints}")
    look.wrong += len(complaints)


def main() -> int:
    """Run the page on the simulated bench, then write and open its report."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()).absolute()
    folder.mkdir(exist_ok=True)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])}
    look = Look(folder)
    try:
        command = [*STAGEWALK, "page", "amp.stagewalk", "--simulated", "--no-browser"]
        page = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, text=True, env=environment)
        try:
            survey(look, page.stdout.readline().split()[1])
        finally:
            page.send_signal(signal.SIGINT)
            page.communicate(timeout=30)
        subprocess.run([*STAGEWALK, "report", "amp.stagewalk"], cwd=folder, check=True, env=environment)
        look.window.navigate((folder / "amp.html").as_uri())
        look.at("report")
    finally:
        look.window.quit()
    print(f"pictures in {folder}")
    return 1 if look.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
