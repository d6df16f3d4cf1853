"""The page's real server under visitors that should not be there: many, slow, stalled, oversized, crooked."""

import contextlib
import json
import socket
import threading
import urllib.request

import psutil
import pytest
import uvicorn

from analysis.app.page.hub import Hub
from analysis.app.page.server import guarded, listen, page_app
from tests.browser.serving import NOTHING_TO_SEE


class NoActions:
    names = frozenset({"note"})

    def post(self, action, body):
        pass


@pytest.fixture
def served():
    hub, address = Hub(), listen()
    hub.publish("step", {"running": False})
    app = guarded(page_app(hub, NoActions(), NOTHING_TO_SEE), address)
    config = uvicorn.Config(
        app, log_level="error", lifespan="off", timeout_graceful_shutdown=1, limit_concurrency=400
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [address.listener]})
    thread.start()
    yield hub, address.listener.getsockname()[1]
    hub.end()
    server.should_exit = True
    thread.join(timeout=10)
    assert not thread.is_alive()


def raw(port, data, seconds=5.0):
    """Send bytes as they are; the first line of the answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=seconds) as client:
        client.sendall(data)
        return client.recv(4096).split(b"\r\n")[0]


def answers(port):
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/state", timeout=30) as answer:
        return json.load(answer)


def test_two_hundred_visitors_that_say_nothing_or_half(served):
    _, port = served
    with contextlib.ExitStack() as stack:
        for number in range(200):
            client = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=5))
            if number % 2:
                client.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        assert answers(port) == {"step": {"running": False}}


def test_a_reader_that_stalls_holds_up_nobody_and_costs_no_memory(served):
    hub, port = served
    with socket.create_connection(("127.0.0.1", port), timeout=5) as client:
        client.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert client.recv(12) == b"HTTP/1.1 200"
        before = psutil.Process().memory_info().rss
        for number in range(100_000):
            hub.publish("meter", {"text": str(number), "words": "x" * 100})
        assert answers(port)["meter"]["text"] == "99999"
        assert psutil.Process().memory_info().rss - before < 30e6


@pytest.mark.parametrize(
    ("request_line", "status"),
    [
        (b"GET /static/../guard.py HTTP/1.1", b"404"),
        (b"GET /static/%2e%2e%2fguard.py HTTP/1.1", b"404"),
        (b"GET //etc/passwd HTTP/1.1", b"404"),
        (b"PUT /act/note HTTP/1.1", b"403"),
        (b"GET /" + b"a" * 100_000 + b" HTTP/1.1", b"4"),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03 HTTP/1.1", b"400"),
    ],
)
def test_crooked_requests(served, request_line, status):
    _, port = served
    answer = raw(port, request_line + f"\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    assert answer.split(b" ")[1].startswith(status)
    assert answers(port)


def test_a_name_pointed_at_this_machine_is_refused(served):
    _, port = served
    assert b"421" in raw(port, f"GET / HTTP/1.1\r\nHost: rebound.example:{port}\r\n\r\n".encode())


def test_an_endless_body_is_refused(served):
    _, port = served
    head = f"POST /act/note HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
    assert b"413" in raw(port, f"{head}Content-Length: 99999999\r\n\r\n".encode())
    assert b"411" in raw(port, f"{head}Transfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n".encode())
