"""What the browser tests of the page share: whether there is a browser, waiting, and a page told what to show."""

import contextlib
import importlib.util
import shutil
import threading
import time

import pytest
import uvicorn

from analysis.app.page.hub import Hub
from analysis.app.page.server import Views, guarded, listen, page_app
from analysis.app.page.views import views_of
from analysis.app.page.worker import BenchWorker

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
HAS_PLAYWRIGHT = importlib.util.find_spec("playwright") is not None
NEEDS_BROWSER = [
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (Debian package chromium)"),
    pytest.mark.skipif(not HAS_PLAYWRIGHT, reason="needs playwright (pip install playwright)"),
    pytest.mark.timeout(300),
]
ACTIONS = BenchWorker.names
NOTHING_TO_SEE = Views(
    base=lambda *_: "<svg/>", drawing=lambda *_: "<svg/>", compare=lambda *_: {}, history=lambda _: {},
    report=lambda: "",
)  # fmt: skip
"""Views of no job, for who looks at the stream alone."""


def wait_for(what):
    end = time.monotonic() + 200  # no limit of the thing tested: a busy machine makes no test fail
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.1)
    pytest.fail("waited in vain")


@contextlib.contextmanager
def served(path, passes=(), posted=None):
    """The page of a job, with a hub that says what this test wants; requests of the page go into ``posted``."""
    hub, address = Hub(), listen()
    hub.publish("job", {"name": "five", "chassis": "five", "pass": passes[-1] if passes else "as-found",
                        "passes": passes, "stages": [], "mains_v": None, "cautions": []})  # fmt: skip
    taken = [] if posted is None else posted
    actions = type("Actions", (), {"names": ACTIONS, "post": lambda _, *request: taken.append(request)})()
    app = guarded(page_app(hub, actions, views_of(path)), address)
    config = uvicorn.Config(app, log_level="warning", lifespan="off", timeout_graceful_shutdown=1)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [address.listener]})
    thread.start()
    try:
        yield hub, address
    finally:
        hub.end()
        server.should_exit = True
        thread.join(timeout=10)


STEP = {"running": True, "tube": None, "pin": None, "title": "V1 pin 2", "prompt": "Touch V1.2."}
STAGE = {"name": "first", "from": "V1.2", "to": "V1.1"}
JOB = {"name": "five", "chassis": "five", "pass": "as-found", "passes": ["as-found"], "stages": [STAGE],
       "mains_v": 231.0, "mains_words": "", "cautions": []}  # fmt: skip
SHEET = dict.fromkeys(["customer", "serial", "technician", "complaint", "found", "advice"], "")
NOTES = {"words": "", "sheet": SHEET,
         "names": ["C2"], "noted": [], "sockets": [], "lifted": ""}  # fmt: skip
NOTHING_WEIGHED = {"points": None, "settled": True, "suspects": [], "nothing_wrong": None, "advice": "",
                   "words": ""}  # fmt: skip
