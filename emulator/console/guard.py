"""What every request passes before a page sees it: where it was sent, whose page sent it, how large it is.

A page of somebody else's that an engineer has open can send requests to this machine, too. It is told from
ours by the Host it asks for (a name that was bent to this machine is none of ours) and by its Origin.

Source: WHATWG Fetch for Origin and Sec-Fetch-Site; RFC 9110 for Host and statuses.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Any

from emulator.console.access import Refused, Watchers

if TYPE_CHECKING:
    from asyncio import Transport

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 4096
"""No request of a page of ours is longer."""
BODY_S = 5.0
"""How long one may take to arrive."""
MOST_CONNECTIONS = 64
FIRST_REQUEST_S = 5.0
"""How long a connection may be there without a request."""
SLOW_S = 10.0
"""How long a reader may take nothing at all before it is dropped."""
OPEN_TO_ALL = ("/sign-in", "/assets/page.css", "/assets/console.css", "/assets/sign_in.js")
"""What is shown before anybody has signed in."""

_PAGE_RULES = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
REPORT_RULES = (
    "sandbox allow-scripts allow-downloads; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; frame-ancestors 'none'"
)
"""Of reports, which carry their scripts in themselves: they run, but reach nothing of this service."""
_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware.

    names     hosts by which this service is asked for, with their port where it is not the scheme's own
    secure    whether it is asked over TLS
    watchers  who may look
    """

    def __init__(self, app: ASGIApp, names: Iterable[str], watchers: Watchers, *, secure: bool) -> None:
        self._app, self._watchers = app, watchers
        self._names = frozenset(name.lower() for name in names)
        scheme = "https" if secure else "http"
        self._origins = frozenset(f"{scheme}://{name}" for name in self._names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with a refusal in words."""
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        refused = self._refused(scope, headers)
        body = b""
        if refused is None and scope["method"] == "POST":
            got = await _whole_body(receive, headers)
            if isinstance(got, Refused):
                refused = got
            else:
                body = got
        if refused is not None:
            await answer(send, refused)
            return
        await self._app(scope, _given(body, receive), _with_headers(send))

    def _refused(self, scope: Scope, headers: dict[str, str]) -> Refused | None:
        method, origin = scope["method"], headers.get("origin")
        if headers.get("host", "").lower() not in self._names:
            return Refused(421, "this service is not asked for by that name: see console.names of the rig")
        if method not in ("GET", "HEAD", "POST"):
            return Refused(405, "expected GET or POST")
        if origin is not None and origin.lower() not in self._origins:
            return Refused(403, "asked by a page of another origin")
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none") and not _is_followed(headers):
            return Refused(403, "asked by a page of another site")
        if method == "POST" and origin is None:
            return Refused(403, "expected an Origin: only a page of this service may ask for that")
        if scope["path"] not in OPEN_TO_ALL and not self._watchers.admits(_cookie(headers)):
            return Refused(401, "sign in first, at /sign-in")
        return None


def _is_followed(headers: dict[str, str]) -> bool:
    """Whether somebody followed a link here, which shows a page and does nothing."""
    return headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"


def _cookie(headers: dict[str, str]) -> str | None:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(Watchers.COOKIE)
    except CookieError:
        return None
    return None if morsel is None else morsel.value


async def _whole_body(receive: Receive, headers: dict[str, str]) -> bytes | Refused:
    """The body, if it is short and arrives soon."""
    too_long = Refused(413, f"longer than the {MOST_BODY_BYTES} bytes that a page of this service sends")
    length = headers.get("content-length", "0")
    if not length.isdecimal() or len(length) > 9 or int(length) > MOST_BODY_BYTES:
        return too_long
    body: bytes = b""
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return Refused(400, "the request broke off")
                body += message.get("body", b"")
                if len(body) > MOST_BODY_BYTES:
                    return too_long
                if not message.get("more_body", False):
                    break
    except TimeoutError:
        return Refused(408, f"the request took longer than {BODY_S:g} s to arrive")
    return body


def _given(body: bytes, receive: Receive) -> Receive:
    """The body once, then what comes: that the other side has gone."""
    given = False

    async def once() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return once


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name for name, _ in message["headers"]}
            added = {"content-security-policy": _PAGE_RULES, **_HEADERS}
            message["headers"] = [
                *message["headers"],
                *((k.encode(), v.encode()) for k, v in added.items() if k.encode() not in there),
            ]
        await send(message)

    return sent


async def answer(send: Send, refused: Refused) -> None:
    """A refusal in words, as JSON; the connection ends with it, since the rest of a body may follow."""
    content = json.dumps({"done": False, "why": refused.why}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(content)).encode()),
        (b"connection", b"close"),
    ]
    await _with_headers(send)({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": content})


def bounded(protocol: type[Any]) -> type[Any]:
    """The server's own HTTP protocol, with bounds on what a connection may do by being there.

    Too many are refused in words, one that never asks is closed, one that does not read is dropped: nobody
    waits for it and nothing is kept for it but what the kernel holds.
    """

    class Bounded(protocol):  # type: ignore[misc]
        def connection_made(self, transport: Transport) -> None:
            super().connection_made(transport)
            self._slow: asyncio.TimerHandle | None = None
            self._first: asyncio.TimerHandle | None = None
            if len(self.connections) > MOST_CONNECTIONS:
                words = b"too many connections to this live page; close some and try again\n"
                transport.write(
                    b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: text/plain\r\nconnection: close\r\n"
                    b"content-length: %d\r\n\r\n%s" % (len(words), words)
                )
                transport.close()
                return
            self._first = self.loop.call_later(FIRST_REQUEST_S, self._never_asked)

        def _never_asked(self) -> None:
            if self.cycle is None:
                self.transport.close()

        def pause_writing(self) -> None:
            super().pause_writing()
            self._slow = self.loop.call_later(SLOW_S, self.transport.abort)

        def resume_writing(self) -> None:
            super().resume_writing()
            if self._slow is not None:
                self._slow.cancel()
                self._slow = None

        def connection_lost(self, error: Exception | None) -> None:
            for timer in (self._slow, self._first):
                if timer is not None:
                    timer.cancel()
            super().connection_lost(error)

    return Bounded
