"""The page answers its own host and origin only, queues what changes something, and its streams end."""

import asyncio
import json
import string

import pytest

from acquisition.errors import MissingReading
from analysis.app.page.guard import BODY_LIMIT_BYTES, Guard
from analysis.app.page.hub import CUE_LIMIT, Hub
from analysis.app.page.server import Views, guarded, listen, page_app, speak

HOST = "127.0.0.1:8000"


class Recorder:
    names = frozenset({"confirm", "note"})

    def __init__(self):
        self.posted = []

    def post(self, action, body):
        self.posted.append((action, body))


def no_history(point):
    raise MissingReading(f"{point} was not read", point=point, quantity="dc_v")


VIEWS = Views(
    base=lambda tube, pin: f"<svg>{pin}</svg>",
    drawing=lambda width_px, pass_name: f"<svg width='{width_px}'/>",
    compare=lambda before, after: {"before": before, "after": after},
    history=no_history,
    report=lambda: "<!doctype html><title>report</title>",
)


def call(app, method="GET", path="/", headers=None, body=b"", query=b""):
    """One request through the ASGI interface, without a socket."""
    lines = {"host": HOST, **(headers or {})}
    if method == "POST":
        lines.setdefault("origin", f"http://{HOST}")
        lines.setdefault("content-length", str(len(body)))
    scope = {
        "type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": query,
        "headers": [(k.encode(), v.encode("latin-1")) for k, v in lines.items() if v is not None],
        "scheme": "http", "server": ("127.0.0.1", 8000), "client": ("127.0.0.1", 1), "http_version": "1.1",
        "asgi": {"version": "3.0"}, "root_path": "",
    }  # fmt: skip
    sent = []
    messages = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive():
        if not messages:
            await asyncio.Event().wait()  # the client stays connected
        return messages.pop(0)

    async def send(message):
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    start = sent[0]
    return start["status"], dict(start["headers"]), b"".join(m.get("body", b"") for m in sent[1:])


@pytest.fixture
def actions():
    return Recorder()


@pytest.fixture
def page(actions):
    return Guard(page_app(Hub(), actions, VIEWS), {HOST})


def test_index_and_its_policy(page):
    status, headers, body = call(page)
    assert status == 200
    assert b"stagewalk" in body
    policy = headers[b"content-security-policy"].decode()
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"host": "evil.example"}, 421),
        ({"host": None}, 400),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": None}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"content-length": str(BODY_LIMIT_BYTES + 1)}, 413),
        ({"content-length": "x"}, 411),
        ({}, 202),
    ],
)
def test_what_changes_something_must_come_from_the_page(page, actions, change, status):
    given = {"host": HOST, "origin": f"http://{HOST}", "content-length": "2"}
    assert call(page, "POST", "/act/confirm", {**given, **change}, b"{}")[0] == status
    assert bool(actions.posted) == (status == 202)


def test_a_body_longer_than_it_says_is_cut_off(page, actions):
    body = b'{"text":"' + b"x" * (BODY_LIMIT_BYTES + 10) + b'"}'
    with pytest.raises(Exception):  # noqa: B017, PT011 - the client counts as gone
        call(page, "POST", "/act/note", {"content-length": "10"}, body)
    assert actions.posted == []


@pytest.mark.parametrize(
    "path", ["/static/..%2f..%2fserver.py", "/static/../server.py", "/static/none.js", "/etc/passwd"]
)
def test_no_file_outside_the_folder(page, path):
    assert call(page, path=path)[0] == 404


@pytest.mark.parametrize("body", [b"{", b"[]", b"\xff", b"[" * 5000])
def test_bad_bodies(page, actions, body):
    assert call(page, "POST", "/act/note", body=body)[0] == 400
    assert actions.posted == []


def test_unknown_action(page):
    assert call(page, "POST", "/act/reboot", body=b"{}")[0] == 404


def test_errors_of_the_program_are_one_line(page):
    status, _, body = call(page, path="/history", query=b"point=V9.9")
    assert (status, body) == (422, b"V9.9 was not read")


@pytest.mark.parametrize("pin", ["x", "-1", "100", "%C2%B2"])
def test_a_pin_that_is_no_number_is_one_line(page, pin):
    status, _, body = call(page, path="/base/12AX7", query=f"pin={pin}".encode())
    assert (status, body) == (400, b"pin must be a number")


def test_a_drawing_is_made_for_the_width_of_its_place(page):
    assert call(page, path="/drawing", query=b"width=1210")[2] == b"<svg width='1210'/>"
    assert call(page, path="/drawing")[2] == b"<svg width='0'/>", "as it is drawn, where nothing is said"
    assert call(page, path="/drawing", query=b"width=123456")[::2] == (400, b"width must be a number")


def test_token_on_a_network():
    page = Guard(page_app(Hub(), Recorder(), VIEWS), {HOST}, token="secret")
    assert call(page)[0] == 401
    assert call(page, query=b"token=wrong")[0] == 401
    status, headers, _ = call(page, query=b"token=secret")
    assert status == 200
    assert b"HttpOnly" in headers[b"set-cookie"]
    assert b"SameSite=Strict" in headers[b"set-cookie"]
    cookie = headers[b"set-cookie"].decode().partition(";")[0]
    assert call(page, headers={"cookie": cookie})[0] == 200
    assert call(page, headers={"cookie": cookie[:-1]})[0] == 401
    assert call(page, headers={"cookie": "\xe9=;;"})[0] == 401


def test_a_second_page_on_the_network_does_not_lock_the_first_one_out():
    """RFC 6265, 8.5: cookies do not tell ports apart; that of the second amplifier's page was sent to the first."""
    port = HOST.rpartition(":")[0] + ":9"
    jar = {}
    for host, token in ((HOST, "secret"), (port, "other")):
        page = Guard(page_app(Hub(), Recorder(), VIEWS), {host}, token=token)
        _, headers, _ = call(page, headers={"host": host}, query=f"token={token}".encode())
        name, _, value = headers[b"set-cookie"].decode().partition(";")[0].partition("=")
        jar[name] = value
    cookie = "; ".join(f"{name}={value}" for name, value in jar.items())
    first = Guard(page_app(Hub(), Recorder(), VIEWS), {HOST}, token="secret")
    assert call(first, headers={"cookie": cookie})[0] == 200


def test_what_is_too_long_is_told_in_words(page, actions):
    given = {"host": HOST, "origin": f"http://{HOST}", "content-length": str(BODY_LIMIT_BYTES + 1)}
    words = call(page, "POST", "/act/note", given, b"{}")[2].decode()
    assert (
        words
        == "Not written down, it is too long: at most 64 000 letters at once; stagewalk note takes longer ones"
    )


def test_listens_on_this_machine_only_unless_asked():
    here = listen()
    there = listen(lan=True)
    try:
        assert here.listener.getsockname()[0] == "127.0.0.1"
        assert here.token is None
        assert there.token
        assert there.token in there.url
        assert len(there.token) == 16, "short enough to be typed on a tablet"
        assert set(there.token) <= set(string.ascii_lowercase + string.digits) - set("0o1li")
        app = guarded(page_app(Hub(), Recorder(), VIEWS), here)
        assert app.hosts == {f"{name}:{here.listener.getsockname()[1]}" for name in ("127.0.0.1", "localhost")}
    finally:
        here.listener.close()
        there.listener.close()


def events(chunks):
    for chunk in chunks:
        name, data = chunk.decode().strip().split("\n")
        yield name.removeprefix("event: "), json.loads(data.removeprefix("data: "))


def test_a_slow_tab_gets_the_newest_panel_and_every_cue():
    async def run():
        hub = Hub()
        hub.publish("meter", {"text": "0"})
        subscriber = hub.subscribe()
        for value in range(100):
            hub.publish("meter", {"text": str(value)})
        hub.cue("taken", point="V1.1")
        hub.cue("lift")
        hub.end()
        return [chunk async for chunk in subscriber.stream()]

    seen = list(events(asyncio.run(run())))
    assert seen == [
        ("meter", {"text": "99"}),
        ("cue", {"kind": "taken", "point": "V1.1"}),
        ("cue", {"kind": "lift"}),
        ("end", {}),
    ]


def test_a_server_that_is_held_up_is_called_once_and_not_for_every_digit(monkeypatch):
    """Each call waited in memory until it was heard: 23 MB for a hundred thousand digits."""

    async def run():
        hub, loop = Hub(), asyncio.get_running_loop()
        call, calls = loop.call_soon_threadsafe, []
        monkeypatch.setattr(loop, "call_soon_threadsafe", lambda *what: (calls.append(what), call(*what)))
        chunks = hub.subscribe().stream(keep_alive_s=60.0)
        for round_trip in ("first", "second"):
            for value in range(100):
                hub.publish("meter", {"text": f"{round_trip} {value}"})
            assert b"99" in await anext(chunks)
        asking = asyncio.ensure_future(anext(chunks))
        await asyncio.sleep(0)  # it waits, and hears of the next
        hub.publish("meter", {"text": "third"})
        assert b"third" in await asking
        hub.end()
        assert b"end" in await anext(chunks)
        return len(calls)

    assert asyncio.run(run()) <= 4


def test_cues_are_bounded_and_a_new_tab_sees_the_state():
    async def run():
        hub = Hub()
        hub.publish("step", {"title": "V1 pin 1"})
        subscriber = hub.subscribe()
        for index in range(10 * CUE_LIMIT):
            hub.cue("touched", index=index)
        hub.end()
        return hub.state(), [chunk async for chunk in subscriber.stream()]

    state, chunks = asyncio.run(run())
    assert state == {"step": {"title": "V1 pin 1"}}
    assert len(chunks) == CUE_LIMIT + 2


def test_numbers_that_json_cannot_hold_are_refused():
    with pytest.raises(ValueError, match="JSON"):
        Hub().publish("meter", {"value": float("nan")})


def test_speech_is_the_hosts_own_or_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert speak("V1 pin 6") == b""
    program = tmp_path / "espeak-ng"
    program.write_text('#!/bin/sh\nprintf "%s|" "$@"\n/bin/cat\n')
    program.chmod(0o755)
    # The words go in by standard input: a note that looks like an option stays words.
    assert speak("--phonout=/tmp/x") == b"-v|en|-s|165|--stdin|--stdout|--phonout=/tmp/x"
    assert len(speak("long " * 1000)) < 300
    assert speak("  ") == b""


def test_the_report_is_a_file_and_no_page_of_the_server(page):
    status, headers, body = call(page, path="/report")
    assert (status, body) == (200, b"<!doctype html><title>report</title>")
    assert headers[b"content-disposition"] == b"attachment"
    assert b"default-src 'none'" in headers[b"content-security-policy"]
