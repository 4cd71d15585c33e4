"""Who may talk to the page's server: this computer's browser that was given the address, and no other page.

The server listens on the loopback address only.  A page of the net can still make a browser ask it (by a
form, an image, or a name that resolves to 127.0.0.1: DNS rebinding), so every request must name our own host,
every change must come from our own page, and everything but the first visit needs the cookie that visit gave.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LOOPBACK = "127.0.0.1"
MAX_BODY = 64 * 1024
MAX_ADDRESSES = 16  # given out and not yet used
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


class AccessKeys:
    """Addresses that let a browser in once each, and the cookies of those that are in."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookie_name = f"evenfall_{port}"  # cookies do not tell ports apart
        self._lock = threading.Lock()
        self._unused: list[str] = []
        self._cookies: set[str] = set()

    def new_address(self) -> str:
        """An address that opens the page once; after that its browser has the cookie."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._unused = [*self._unused, token][-MAX_ADDRESSES:]
        return f"http://{LOOPBACK}:{self.port}/?token={token}"

    def use(self, token: str) -> str | None:
        """The cookie for a token that was not used yet; None for any other."""
        with self._lock:
            for known in self._unused:
                if hmac.compare_digest(known.encode(), token.encode()):
                    self._unused.remove(known)
                    cookie = secrets.token_urlsafe(32)
                    self._cookies.add(cookie)
                    return cookie
        return None

    def knows(self, cookie: str | None) -> bool:
        if not cookie:
            return False
        with self._lock:
            return any(hmac.compare_digest(c.encode(), cookie.encode()) for c in self._cookies)


class AccessControl:
    """Wraps an application: refuses what is not ours before it is looked at, adds headers to all answers."""

    def __init__(self, app: App, keys: AccessKeys) -> None:
        self.app = app
        self.keys = keys
        self.hosts = {f"{LOOPBACK}:{keys.port}", f"localhost:{keys.port}"}
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            return
        headers: dict[str, str] = {}
        for name, value in scope["headers"]:
            key = name.decode("latin-1")
            if key in headers and key in ("host", "origin", "content-length"):
                await self._refuse(send, 400, f"the header {key} came twice")
                return
            headers[key] = value.decode("latin-1")
        refused = self._why_refused(scope, headers)
        if refused:
            await self._refuse(send, *refused)
            return
        cookie = _cookie(headers.get("cookie", ""), self.keys.cookie_name)
        if not self.keys.knows(cookie):
            await self._let_in(scope, send)
            return
        if (
            scope["path"] == "/" and scope["query_string"]
        ):  # in already: the token must not stay in the address
            await self._answer(send, 303, "", {"location": "/"})
            return
        await self.app(scope, receive, self._with_headers(send))

    def _why_refused(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        if headers.get("host") not in self.hosts:
            return 421, "this page answers only at its own address on this computer"
        origin = headers.get("origin")
        if origin is not None and origin not in self.origins:
            return 403, "another page asked; only the bench screen itself may"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return 403, "another page asked; only the bench screen itself may"
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return 405, "only GET and POST are answered"
        if origin is None:
            return 403, "a change must come from the page itself (no Origin was sent)"
        if headers.get("content-type", "").split(";")[0].strip() != "application/json":
            return 415, "a change is sent as JSON"
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdigit()) or int(length) > MAX_BODY:
            return 413, f"a request holds at most {MAX_BODY} bytes, and says how many"
        return None

    async def _let_in(self, scope: Scope, send: Send) -> None:
        token = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        cookie = self.keys.use(token) if scope["path"] == "/" and scope["method"] == "GET" and token else None
        if cookie is None:
            why = "this address was used already or is not of this start" if token else "no key"
            text = f"Not let in: {why}. Press Enter where `evenfall screen` runs: it prints a new address."
            await self._refuse(send, 403, text)
            return
        set_cookie = f"{self.keys.cookie_name}={cookie}; HttpOnly; SameSite=Strict; Path=/"
        await self._answer(send, 303, "", {"location": "/", "set-cookie": set_cookie})

    async def _refuse(self, send: Send, status: int, why: str) -> None:
        await self._answer(send, status, why + "\n", {})

    async def _answer(self, send: Send, status: int, text: str, more: dict[str, str]) -> None:
        body = text.encode()
        all_headers = {**HEADERS, "content-type": "text/plain; charset=utf-8", **more}
        all_headers["content-length"] = str(len(body))
        raw = [(k.encode(), v.encode()) for k, v in all_headers.items()]
        await send({"type": "http.response.start", "status": status, "headers": raw})
        await send({"type": "http.response.body", "body": body})

    def _with_headers(self, send: Send) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = {k for k, _ in message["headers"]}
                extra = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in present]
                message["headers"] = [*message["headers"], *extra]
            await send(message)

        return sending


def _cookie(header: str, name: str) -> str | None:
    for part in header.split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return value
    return None
