"""The web side of the bench page: routes over the hub, the worker's queue and the job file."""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from acquisition.errors import BenchError, ConfigError, Problem, unsteered

from .guard import App, Guard
from .hub import Hub

STATIC = Path(__file__).parent / "static"
TYPED, TYPED_LENGTH = "abcdefghjkmnpqrstuvwxyz23456789", 16
"""A token is typed from one screen into another: no capitals, nothing that looks like something else; 79 bits."""
SPOKEN_LIMIT = 200

Made = TypeVar("Made")


class Actions(Protocol):
    """What the server asks of the worker; `post` only queues, so that no request waits for an instrument."""

    names: frozenset[str]

    def post(self, action: str, body: Mapping[str, Any]) -> None:
        """Queue an action."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Views:
    """Pictures and tables made from the job file, each a plain function.

    Parameters
    ----------
    base : callable
        Tube type and pin number to the drawing of its base (SVG).
    drawing : callable
        Width of its place in pixels and a pass to the chassis with measured over expected volts (SVG).
    compare : callable
        Two pass names to a JSON-able mapping.
    history : callable
        Point to a JSON-able mapping of what it read in every pass.
    report : callable
        The report of the job, one HTML file.
    """

    base: Callable[[str, int], str]
    drawing: Callable[[int, str], str]
    compare: Callable[[str, str], Mapping[str, Any]]
    history: Callable[[str], Mapping[str, Any]]
    report: Callable[[], str]


def page_app(hub: Hub, actions: Actions, views: Views) -> Starlette:
    """Build the application, without the guard.

    Parameters
    ----------
    hub : Hub
        What the tabs see.
    actions : Actions
        Where requests that change something go.
    views : Views
        Pictures and tables.
    """

    async def index(_: Request) -> Response:
        return FileResponse(STATIC / "index.html")

    async def static(request: Request) -> Response:
        # A name from the folder's own list: no path from outside is ever joined.
        names = {path.name: path for path in STATIC.iterdir()}
        path = names.get(request.path_params["name"])
        if path is None:
            raise HTTPException(404, "no such file")
        return FileResponse(path)

    async def state(_: Request) -> Response:
        return JSONResponse(hub.state())

    async def events(_: Request) -> Response:
        subscriber = hub.subscribe()

        async def stream() -> AsyncIterator[bytes]:
            try:
                async for chunk in subscriber.stream():
                    yield chunk
            finally:
                hub.unsubscribe(subscriber)

        return StreamingResponse(stream(), media_type="text/event-stream")

    async def act(request: Request) -> Response:
        action = request.path_params["action"]
        if action not in actions.names:
            raise HTTPException(404, f"no action called {action}")
        try:
            body = json.loads(await request.body() or b"{}")
        except (ValueError, RecursionError) as error:
            raise HTTPException(400, "the body is not JSON") from error
        if not isinstance(body, dict):
            raise HTTPException(400, "the body must be a JSON object")
        actions.post(action, body)
        return JSONResponse({"queued": action}, status_code=202)

    async def base(request: Request) -> Response:
        pin = _number(request, "pin", 2)
        return await _svg(lambda: views.base(request.path_params["tube"], pin))

    async def drawing(request: Request) -> Response:
        width_px = _number(request, "width", 5)
        pass_name = request.query_params.get("pass", "")
        return await _svg(lambda: views.drawing(width_px, pass_name))

    async def compare(request: Request) -> Response:
        before, after = (request.query_params.get(key, "") for key in ("before", "after"))
        return await _json(lambda: views.compare(before, after))

    async def history(request: Request) -> Response:
        return await _json(lambda: views.history(request.query_params.get("point", "")))

    async def report(_: Request) -> Response:
        # A file to be kept, never a page of this server: its scripts are its own.
        headers = {"content-disposition": "attachment"}
        return Response(await _made(views.report), media_type="text/html", headers=headers)

    async def say(request: Request) -> Response:
        wave = await run_in_threadpool(speak, request.query_params.get("text", ""))
        return Response(wave, media_type="audio/wav") if wave else Response(status_code=204)

    async def refused(_: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        return PlainTextResponse(unsteered(str(getattr(error, "detail", error))), status_code=status)

    routes = [
        Route("/", index),
        Route("/static/{name}", static),
        Route("/state", state),
        Route("/events", events),
        Route("/act/{action}", act, methods=["POST"]),
        Route("/base/{tube}", base),
        Route("/drawing", drawing),
        Route("/compare", compare),
        Route("/history", history),
        Route("/report", report),
        Route("/say", say),
    ]
    return Starlette(routes=routes, exception_handlers={HTTPException: refused})


def _number(request: Request, name: str, digits: int) -> int:
    given = request.query_params.get(name, "0")
    if not given.isdecimal() or len(given) > digits:
        raise HTTPException(400, f"{name} must be a number")
    return int(given)


async def _made(make: Callable[[], Made]) -> Made:
    try:
        return await run_in_threadpool(make)
    except BenchError as error:
        raise HTTPException(422, str(error)) from error


async def _svg(make: Callable[[], str]) -> Response:
    return Response(await _made(make), media_type="image/svg+xml")


async def _json(make: Callable[[], Mapping[str, Any]]) -> Response:
    return JSONResponse(unsteered(await _made(make)))


def speak(text: str) -> bytes:
    """Speech from the host's own synthesiser, if there is one.

    Parameters
    ----------
    text : str
        What to say; cut to a sentence's length.

    Returns
    -------
    bytes
        A WAV file, or nothing.
    """
    program = shutil.which("espeak-ng")
    if not program or not text.strip():
        return b""
    # The text goes in by standard input, so that it can never be taken for an option.
    command = [program, "-v", "en", "-s", "165", "--stdin", "--stdout"]
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        # The command is fixed, found on the PATH by name.
        done = subprocess.run(command, input=text[:SPOKEN_LIMIT].encode(), capture_output=True, timeout=5)  # noqa: S603
        return done.stdout if done.returncode == 0 else b""
    return b""


class _Server(uvicorn.Server):
    """Ends the open streams on a signal, since they would otherwise hold the server for ever."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    def handle_exit(self, sig: int, frame: Any) -> None:
        self._hub.end()
        super().handle_exit(sig, frame)


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where the page listens.

    Parameters
    ----------
    listener : socket
        Bound and listening.
    url : str
        What to open, with the token on a network.
    token : str or None
        Needed on a network.
    """

    listener: socket.socket
    url: str
    token: str | None


def listen(port: int = 0, lan: bool = False) -> Address:
    """Open the listening socket: this machine only, unless a network is asked for.

    Parameters
    ----------
    port : int
        0 takes any free one.
    lan : bool
        Listen on the network, with a token.

    Raises
    ------
    ConfigError
        The port is taken.
    """
    host = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104 - only on request, and then with a token
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        problem = Problem("--port", 0, "", f"port {port} cannot be used: {error.strerror}")
        raise ConfigError.from_problems([problem], hint="choose another, or 0 for any free one") from error
    listener.listen(256)
    # A new one at each start: it crosses the network in the clear, and what was seen once opens nothing later.
    token = "".join(secrets.choice(TYPED) for _ in range(TYPED_LENGTH)) if lan else None
    shown = _lan_address() if lan else "127.0.0.1"
    url = f"http://{shown}:{listener.getsockname()[1]}/" + (f"?token={token}" if token else "")
    return Address(listener=listener, url=url, token=token)


def _lan_address() -> str:
    """The address other machines see: the one this machine would send from (no packet is sent)."""
    with (
        contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe,
        contextlib.suppress(OSError),
    ):
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: never a real host
        return str(probe.getsockname()[0])
    return "127.0.0.1"


def guarded(app: App, address: Address) -> Guard:
    """Put the guard before the application.

    Parameters
    ----------
    app : ASGI application
        From `page_app`.
    address : Address
        Decides which hosts are accepted.
    """
    port = address.listener.getsockname()[1]
    hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
    if address.token:
        hosts.add(f"{_lan_address()}:{port}")
    return Guard(app, hosts, address.token)


def serve(app: App, hub: Hub, address: Address) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    app : ASGI application
        Guarded.
    hub : Hub
        Ended when the server stops.
    address : Address
        Where to listen.
    """
    config = uvicorn.Config(
        app,
        log_level="warning",
        lifespan="off",
        timeout_graceful_shutdown=2,
        limit_concurrency=400,
        server_header=False,
    )
    server = _Server(config, hub)
    with contextlib.suppress(KeyboardInterrupt):  # uvicorn raises the signal again after its orderly end
        server.run(sockets=[address.listener])
