"""Who may talk to the page: own host names only, own origin for every request that changes something.

A page on this machine is reachable by every web site open in the same browser, so each request is checked before it
is answered: the Host header against a list (a name pointed at this machine by someone else is refused), Origin and
Fetch Metadata (W3C Fetch Metadata Request Headers) on everything that changes state, the size of bodies, and on a
network the token. Headers sent with every answer forbid scripts, styles and connections from elsewhere
(Content Security Policy Level 3) and script injection through strings (Trusted Types).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from analysis.tubes.base_svg import STYLE as BASE_STYLE

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "stagewalk_token"
BODY_LIMIT_BYTES = 64_000
"""Far more than anybody types: a note or a complaint is refused whole, and never cut."""


def _hash(text: str) -> str:
    """Source expression of an inline block that may stand in the page (Content Security Policy Level 3, 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        f"style-src 'self' {_hash(BASE_STYLE)}",
        "img-src 'self' data:",
        "connect-src 'self'",
        "media-src 'self' blob:",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types stagewalk-svg",
    )
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


class Guard:
    """ASGI wrapper that refuses what must not reach the page.

    Parameters
    ----------
    app : ASGI application
        What is protected.
    hosts : set of str
        Accepted Host headers, with port, in lower case.
    token : str, optional
        Needed on every request when given: as ``?token=`` once, then as a cookie.
    """

    def __init__(self, app: App, hosts: set[str], token: str | None = None) -> None:
        self.app = app
        self.hosts = hosts
        self.token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # the page has no web sockets: nothing to answer
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal:
            status, text = refusal
            await _answer(send, status, text)
            return
        extra = list(HEADERS)
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if self.token and given and hmac.compare_digest(given.encode(), self.token.encode()):
            cookie = f"{_cookie(headers)}={self.token}; HttpOnly; SameSite=Strict; Path=/"
            extra.append((b"set-cookie", cookie.encode()))

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *extra]
            await send(message)

        await self.app(scope, _limited(receive), send_with_headers)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "").lower()
        if not host:
            return 400, "no Host header"
        if host not in self.hosts:
            return 421, "this page answers to its own address only"
        if headers.get("sec-fetch-site", "same-origin") in {"cross-site", "same-site"}:
            return 403, "requests from other sites are refused"
        if scope["method"] not in {"GET", "HEAD"}:
            if headers.get("origin", "").lower() not in {f"http://{host}"}:
                return 403, "requests that change something must come from the page itself"
            length = headers.get("content-length", "")
            if not length.isdigit():
                return 411, "a body must state its length"
            if int(length) > BODY_LIMIT_BYTES:
                most = f"{BODY_LIMIT_BYTES // 1000} 000 letters at once"
                return 413, f"Not written down, it is too long: at most {most}; stagewalk note takes longer ones"
        if self.token and not self._has_token(scope, headers):
            return 401, "open the page with the address printed in the terminal: it carries the token"
        return None

    def _has_token(self, scope: Scope, headers: dict[str, str]) -> bool:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if not given:
            try:
                morsel = SimpleCookie(headers.get("cookie", "")).get(_cookie(headers))
            except CookieError:
                morsel = None
            given = morsel.value if morsel else ""
        return hmac.compare_digest(given.encode(), (self.token or "").encode())


def _cookie(headers: dict[str, str]) -> str:
    """Name of the cookie: browsers keep one set for all ports of a host, and no second page locks the first out."""
    return f"{COOKIE}_{headers['host'].rpartition(':')[2]}"


def _limited(receive: Receive) -> Receive:
    """Count the body as it comes: a stated length may be a lie."""
    seen = 0

    async def counted() -> MutableMapping[str, Any]:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > BODY_LIMIT_BYTES:
            return {"type": "http.disconnect"}
        return message

    return counted


async def _answer(send: Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
