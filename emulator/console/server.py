"""The service itself: a socket, the server behind it, and the tasks that go with a live page."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Coroutine, Iterable
from dataclasses import dataclass
from typing import Any

from emulator.console.app import Service, app_of
from emulator.console.guard import Guard, bounded
from emulator.core.errors import StartFailed

_BACKLOG = 64
_SEND_BUFFER_BYTES = 64 << 10
"""What the kernel keeps for a reader: a second or two of looks, so that nobody sees old ones."""
_LONGEST_HEADER = 16 << 10
_KEPT_OPEN_S = 5
_LEAVE_S = 1


@dataclass(frozen=True)
class Address:
    """Where a service is asked.

    host, port   that it listens on
    names        by which it is asked, beside the host itself; of one on every address all of them
    certificate, key  PEM files; None: without TLS
    """

    host: str
    port: int
    names: tuple[str, ...] = ()
    certificate: str | None = None
    key: str | None = None

    @property
    def secure(self) -> bool:
        """Whether it is asked over TLS."""
        return self.certificate is not None

    def hosts(self) -> list[str]:
        """What may stand in the Host of a request."""
        named = [self.host, *self.names]
        if self.host in ("127.0.0.1", "::1", "localhost"):
            named += ["127.0.0.1", "localhost", "[::1]"]
        usual = 443 if self.secure else 80
        return [f"{name}:{self.port}" for name in named] + (named if self.port == usual else [])

    def url(self) -> str:
        """What is typed into a browser."""
        name = self.names[0] if self.names else self.host
        return f"{'https' if self.secure else 'http'}://{name}:{self.port}/"


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; port 0 takes any free one. Raises StartFailed in words."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    entrance = socket.socket(family, socket.SOCK_STREAM)
    try:
        entrance.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        entrance.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
        entrance.bind((host, port))
        entrance.listen(_BACKLOG)
    except OSError as error:
        entrance.close()
        raise StartFailed(
            f"the live page can't be opened at {host}:{port}: {error.strerror or error}",
            advice="end what has that port, or name another one (console.port in the rig, --port)",
        ) from error
    return entrance


async def serve(
    service: Service,
    entrance: socket.socket,
    address: Address,
    beside: Iterable[Coroutine[Any, Any, None]],
) -> None:
    """Answer until a signal asks to leave, or until the first of the tasks beside it has ended."""
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    app = Guard(app_of(service), address.hosts(), service.watchers, secure=address.secure)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            http=bounded(H11Protocol),
            ws="none",
            lifespan="off",
            log_config=None,
            # what a stranger sends is refused and not written down: a disk is full sooner than he is tired
            log_level="error",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ssl_certfile=address.certificate,
            ssl_keyfile=address.key,
            timeout_keep_alive=_KEPT_OPEN_S,
            timeout_graceful_shutdown=_LEAVE_S,
            h11_max_incomplete_event_size=_LONGEST_HEADER,
        )
    )
    tasks = [asyncio.create_task(task) for task in beside]
    answering = asyncio.create_task(server.serve(sockets=[entrance]))
    try:
        await asyncio.wait([*tasks, answering], return_when=asyncio.FIRST_COMPLETED)
    finally:
        if service.stream is not None:
            service.stream.end()
        server.should_exit = True
        for task in tasks:
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await answering
        for result in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(result, Exception):
                raise result
