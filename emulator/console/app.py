"""The live page's addresses: what each shows or does."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from emulator.console.access import Asked, OperatorDesk, Refused, Watchers
from emulator.console.guard import REPORT_RULES
from emulator.console.pages import Pages
from emulator.console.stream import MOST_SIGNALS, MOST_VIEWERS, Stream

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import Receive, Scope, Send

Tell = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True)
class Service:
    """What the addresses work with.

    facts   of the ride, for pages; None: there is no ride, only records
    tell    what the supervisor is told of: see emulator.console.beside
    secure  whether it is asked over TLS
    """

    pages: Pages
    facts: Mapping[str, Any] | None
    stream: Stream | None
    desk: OperatorDesk
    watchers: Watchers
    tell: Tell
    began_s: float
    secure: bool = False

    def now_s(self) -> float:
        """Seconds since this service began, by a clock that nobody sets."""
        return time.monotonic() - self.began_s


def app_of(service: Service) -> Starlette:
    """The application; who may ask it is `emulator.console.guard`'s business."""
    get, post = _Get(service), _Post(service)
    return Starlette(
        routes=[
            Route("/", get.front),
            Route("/ride", get.ride),
            Route("/stream", _StreamTo(service), methods=["GET"]),
            Route("/challenge", get.challenge),
            Route("/stop", post.stop, methods=["POST"]),
            Route("/operator", post.operator, methods=["POST"]),
            Route("/operator/here", post.here, methods=["POST"]),
            Route("/operator/leave", post.leave, methods=["POST"]),
            Route("/sign-in", get.sign_in, methods=["GET"]),
            Route("/sign-in", post.sign_in, methods=["POST"]),
            Route("/runs", get.runs),
            Route("/runs/{run}/{page}", get.report),
            Route("/configuration", get.configuration),
            Route("/guide/{path:path}", get.guide),
            Route("/assets/{name}", get.asset),
        ],
        exception_handlers={404: _not_here, 405: _not_here},
    )


async def _not_here(_request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    why = "there is nothing at this address" if status == 404 else "this address is not asked in that way"
    return JSONResponse({"done": False, "why": why}, status)


def _refusal(refused: Refused) -> Response:
    return JSONResponse({"done": False, "why": refused.why}, refused.status)


class _Get:
    """What is shown."""

    def __init__(self, service: Service) -> None:
        self._service = service

    async def front(self, _request: Request) -> Response:
        if self._service.facts is None:
            return RedirectResponse("/runs", 303)
        return HTMLResponse(self._service.pages.live())

    async def ride(self, _request: Request) -> Response:
        if self._service.facts is None:
            return _refusal(Refused(404, "no ride is on"))
        return JSONResponse(self._service.facts)

    async def challenge(self, _request: Request) -> Response:
        desk = self._service.desk
        return JSONResponse({"nonce": desk.nonce, "time_s": round(self._service.now_s(), 3)})

    async def sign_in(self, _request: Request) -> Response:
        return HTMLResponse(self._service.pages.sign_in())

    async def runs(self, _request: Request) -> Response:
        return HTMLResponse(await asyncio.to_thread(self._service.pages.runs))

    async def report(self, request: Request) -> Response:
        names = request.path_params
        page = await asyncio.to_thread(self._service.pages.report, names["run"], names["page"])
        if page is None:
            return _refusal(Refused(404, "there is no such page of a run"))
        return Response(page, media_type="text/html", headers={"content-security-policy": REPORT_RULES})

    async def configuration(self, _request: Request) -> Response:
        return HTMLResponse(await asyncio.to_thread(self._service.pages.configuration))

    async def guide(self, request: Request) -> Response:
        shown = self._service.pages.guide(request.path_params["path"])
        if shown is None:
            return _refusal(Refused(404, "the guide has no such page"))
        content, kind = shown
        return Response(content, media_type=kind)

    async def asset(self, request: Request) -> Response:
        found = self._service.pages.asset(request.path_params["name"])
        if found is None:
            return _refusal(Refused(404, "there is no such file"))
        content, kind = found
        return Response(content, media_type=kind)


class _Post:
    """What is done. None of it can arm a bench, or let a ride start."""

    def __init__(self, service: Service) -> None:
        self._service = service

    async def stop(self, _request: Request) -> Response:
        """Anybody who watches may stop the ride."""
        if self._service.stream is None:
            return _refusal(Refused(409, "no ride is on"))
        self._service.tell({"do": "stop"})
        return JSONResponse({"done": True})

    async def operator(self, request: Request) -> Response:
        asked = self._service.desk.ask(await request.body(), self._service.now_s())
        if isinstance(asked, Refused):
            return _refusal(asked)
        if isinstance(asked, Asked):
            self._service.tell({"do": asked.what, "event": asked.event})
            return JSONResponse({"done": True})
        self._service.tell({"say": "a page operates this bench now"})
        return JSONResponse({"done": True, "seat": asked})

    async def here(self, request: Request) -> Response:
        return await self._with_seat(
            request, lambda seat: self._service.desk.here(seat, self._service.now_s())
        )

    async def leave(self, request: Request) -> Response:
        answer = await self._with_seat(request, self._service.desk.leave)
        if answer.status_code == 200:
            self._service.tell({"say": "no page operates this bench any more"})
        return answer

    async def _with_seat(self, request: Request, do: Callable[[str], bool]) -> Response:
        seat = _text_of(await request.body(), "seat")
        if seat is None:
            return _refusal(Refused(400, "expected a JSON object with seat, a text"))
        if not do(seat):
            return _refusal(Refused(409, "this page is not the operator's (any more)"))
        return JSONResponse({"done": True})

    async def sign_in(self, request: Request) -> Response:
        token = _text_of(await request.body(), "token")
        if token is None:
            return _refusal(Refused(400, "expected a JSON object with token, a text"))
        address = request.client.host if request.client else ""
        secret = self._service.watchers.sign_in(token, address, self._service.now_s())
        if isinstance(secret, Refused):
            return _refusal(secret)
        response = JSONResponse({"done": True})
        response.set_cookie(
            Watchers.COOKIE, secret, httponly=True, secure=self._service.secure, samesite="strict"
        )
        return response


def _text_of(body: bytes, key: str) -> str | None:
    """A text in a JSON object; None if it is none or not there."""
    try:
        item = json.loads(body)
    except (ValueError, RecursionError):
        return None
    text = item.get(key) if isinstance(item, dict) else None
    return text if isinstance(text, str) and text.isprintable() else None


class _StreamTo:
    """The stream of looks to one viewer; written to the server directly, so that nothing is queued."""

    def __init__(self, service: Service) -> None:
        self._service = service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        stream = self._service.stream
        if stream is None:
            await _refusal(Refused(404, "no ride is on"))(scope, receive, send)
            return
        if stream.viewers >= MOST_VIEWERS:
            full = Refused(503, f"{MOST_VIEWERS} pages watch already: close one")
            await _refusal(full)(scope, receive, send)
            return
        signals = _signals_in(scope)
        with stream.viewer():
            await send(
                {
                    "type": "http.response.start",
                    "status": 200,
                    "headers": [(b"content-type", b"text/event-stream")],
                }
            )
            writing = asyncio.ensure_future(_write(stream, signals, send))
            leaving = asyncio.ensure_future(_until_gone(receive))
            try:
                await asyncio.wait((writing, leaving), return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in (writing, leaving):
                    task.cancel()
                await asyncio.gather(writing, leaving, return_exceptions=True)


async def _write(stream: Stream, signals: list[str], send: Send) -> None:
    async for message in stream.messages(signals):
        await send({"type": "http.response.body", "body": message, "more_body": True})
    await send({"type": "http.response.body", "body": b""})


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _signals_in(scope: Scope) -> list[str]:
    """Signals that a viewer wants to follow, as the address names them."""
    named = parse_qs(scope["query_string"].decode("latin-1")).get("signals", [""])[0]
    return named.split(",")[:MOST_SIGNALS] if named else []
