"""From a reading to a changed page: delay at 20 readings/s, memory after an hour's worth, start-up. Run by hand.

``python -m tests.speed.page_latency`` needs Chromium and playwright. The peer is a bare server-sent-event stream of
the same rate from the standard library, read by the same browser in the same run.
"""

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar

import psutil
from playwright.sync_api import sync_playwright

from analysis.app.page.hub import Hub
from analysis.app.page.server import guarded, listen, page_app, serve
from tests.browser.serving import NOTHING_TO_SEE

RATE_HZ, SECONDS, HOUR = 20.0, 20.0, 72_000
WATCH = """(id) => { window.seen = []; const place = document.getElementById(id);
  new MutationObserver(() => window.seen.push([place.textContent, performance.timeOrigin + performance.now()]))
    .observe(place, {childList: true, characterData: true, subtree: true}); }"""


class NoActions:
    names = frozenset()

    def post(self, action, body):
        pass


class Peer(BaseHTTPRequestHandler):
    """The least that can stream: one page, one stream."""

    sent: ClassVar[dict[str, float]] = {}

    def do_GET(self):
        self.send_response(200)
        stream = self.path == "/events"
        self.send_header("content-type", "text/event-stream" if stream else "text/html")
        self.end_headers()
        if not stream:
            self.wfile.write(
                b"<p id=value></p><script>new EventSource('/events').onmessage="
                b"e=>document.getElementById('value').textContent=e.data</script>"
            )
            return
        for number in range(int(RATE_HZ * SECONDS)):
            self.sent[f"{number}.0"] = 1e3 * time.time()
            self.wfile.write(f"data: {number}.0\n\n".encode())
            self.wfile.flush()
            time.sleep(1 / RATE_HZ)

    def log_message(self, *_):
        pass


def panel(number):
    return {"text": f"{number}.0", "unit": "V", "state": "settling", "link": "good", "words": "reading"}


def figures(sent, seen):
    delays = [at - sent[text] for text, at in seen if text in sent]
    ordered = sorted(delays)
    return statistics.median(ordered), ordered[int(0.95 * len(ordered))], len(ordered)


def main():
    hub, address = Hub(), listen()
    hub.publish("step", {"running": True, "title": "V1 pin 6", "count": "", "prompt": ""})
    server = threading.Thread(
        target=serve, args=(guarded(page_app(hub, NoActions(), NOTHING_TO_SEE), address), hub, address), daemon=True
    )
    server.start()
    peer = ThreadingHTTPServer(("127.0.0.1", 0), Peer)
    threading.Thread(target=peer.serve_forever, daemon=True).start()
    flags = ["--disable-gpu", "--disable-background-networking", *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=flags)
        page = browser.new_page()
        page.goto(address.url)
        page.wait_for_timeout(500)
        page.evaluate(WATCH, "value")
        sent = {}
        for number in range(int(RATE_HZ * SECONDS)):
            sent[f"{number}.0"] = 1e3 * time.time()
            hub.publish("meter", panel(number))
            page.wait_for_timeout(1e3 / RATE_HZ)
        ours = figures(sent, page.evaluate("() => window.seen"))
        other = browser.new_page()
        other.goto(f"http://127.0.0.1:{peer.server_port}/")
        other.evaluate(WATCH, "value")
        other.wait_for_timeout(1e3 * (SECONDS + 1))
        bare = figures(Peer.sent, other.evaluate("() => window.seen"))
        other.close()
        process = psutil.Process()
        before = process.memory_info().rss, page.evaluate("() => performance.memory.usedJSHeapSize")
        for number in range(HOUR):
            hub.publish("meter", panel(number))
            if number % 200 == 0:
                page.wait_for_timeout(1)
        page.wait_for_timeout(1000)
        after = process.memory_info().rss, page.evaluate("() => performance.memory.usedJSHeapSize")
        browser.close()
    hub.end()
    for name, (p50, p95, count) in (("page", ours), ("bare stream", bare)):
        print(f"{name:12s} reading to changed page: p50 {p50:.1f} ms, p95 {p95:.1f} ms, {count} readings")
    print(f"ratio of p50: {ours[0] / bare[0]:.2f}, of p95: {ours[1] / bare[1]:.2f}")
    grown = [(new - old) / 1e6 for new, old in zip(after, before, strict=True)]
    print(
        f"after {HOUR} readings: server {after[0] / 1e6:.0f} MB ({grown[0]:+.1f}), "
        f"tab {after[1] / 1e6:.1f} MB ({grown[1]:+.1f})"
    )
    print(f"start-up of the command until its address is printed: {start_up():.2f} s")


def start_up():
    with tempfile.TemporaryDirectory() as folder:
        code = "import sys; from analysis.app.cli import main; sys.exit(main(sys.argv[1:]))"
        began = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-c", code, "page", "a.stagewalk", "--simulated", "--no-browser"],
            cwd=folder, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
        process.stdout.readline()
        took = time.perf_counter() - began
        process.terminate()
        process.communicate()
    return took


if __name__ == "__main__":
    main()
