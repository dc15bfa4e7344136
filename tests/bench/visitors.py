"""Who comes to a live page while its ride is measured: people who look at it, or a stranger who attacks it.

    python -m tests.bench.visitors watch|attack PORT [TOKEN]

A line ``come`` on standard input sends them there, a line ``leave`` takes them away, its end ends them. Each
line is answered: ``came`` once they are there, after ``leave`` what they met, as JSON.

They stand for programs on other machines, so here they take only what nobody else wants (SCHED_IDLE).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import resource
import secrets
import sys
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import AsyncExitStack, asynccontextmanager
from typing import Any

from emulator.console.access import TOPIC
from emulator.telemetry.signed import sealed

HOST = "127.0.0.1"
VIEWERS = 3
SIGNALS = "truth.roll_rad,line.offset_m"
CONNECTIONS = 1000
"""Of a stranger, at once; as many as this process may have open."""
SLOW, SLOW_S = 40, 0.5
"""Requests that never come to their end, and how often each goes on by a byte."""
PAUSE_S = 0.02
HUGE = b"X-Long: " + 8192 * b"x" + b"\r\n"
Met = Counter[str]


@asynccontextmanager
async def _connection(
    port: int, limit: int = 1 << 16
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """A connection that is cut when it is left, whatever is on its way."""
    reader, writer = await asyncio.open_connection(HOST, port, limit=limit)
    try:
        yield reader, writer
    finally:
        writer.transport.abort()


async def _answer(reader: asyncio.StreamReader, seconds: float = 3.0) -> str:
    """Status of an answer, or what became of it."""
    try:
        async with asyncio.timeout(seconds):  # wait_for of Python 3.11 may swallow that it is to leave
            line = await reader.readline()
    except (OSError, TimeoutError):
        return "dropped"
    return line.split(b" ")[1].decode("latin-1") if line.startswith(b"HTTP/") else "closed"


async def _ask(port: int, request: bytes) -> str:
    """Send a request as it is; the status of its answer, or what became of it."""
    try:
        async with _connection(port) as (reader, writer):
            writer.write(request)
            with contextlib.suppress(OSError):
                async with asyncio.timeout(3.0):
                    await writer.drain()
            return await _answer(reader)
    except OSError:
        return "refused by the system"


def _request(port: int, line: str, *more: str, body: bytes = b"") -> bytes:
    own = f"http://{HOST}:{port}"
    head = [f"{line} HTTP/1.1", f"Host: {HOST}:{port}", f"Origin: {own}", f"Content-Length: {len(body)}"]
    return "\r\n".join([*head, *more, "", ""]).encode() + body


# --- people ------------------------------------------------------------------------------------------------


async def _viewer(port: int, met: Met) -> None:
    async with _connection(port, 1 << 22) as (reader, writer):
        writer.write(f"GET /stream?signals={SIGNALS} HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        while line := await reader.readline():
            met["looks"] += line.startswith(b"event: now")


async def _whole(port: int, request: bytes) -> dict[str, Any]:
    """Body of an answer that is a JSON object."""
    async with _connection(port) as (reader, writer):
        writer.write(request.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n", 1))
        said = await reader.read()
    return dict(json.loads(said.partition(b"\r\n\r\n")[2]))


async def _operator(port: int, token: str, met: Met) -> None:
    """Takes the operator's seat, and says once a second that it is there, as its page does."""
    challenge = await _whole(port, _request(port, "GET /challenge"))
    item = {**challenge, "topic": TOPIC, "command": "operate", "id": secrets.token_hex(8)}
    taken = await _whole(port, _request(port, "POST /operator", body=sealed(token.encode(), item)))
    seat = json.dumps({"seat": taken["seat"]}).encode()
    try:
        while True:
            met["operator"] += (await _ask(port, _request(port, "POST /operator/here", body=seat))) == "200"
            await asyncio.sleep(1.0)
    finally:
        await _ask(port, _request(port, "POST /operator/leave", body=seat))


async def people(port: int, token: str, met: Met) -> None:
    """Three pages that look, and one that operates."""
    operating = [_operator(port, token, met)] if token else []
    await asyncio.gather(*(_viewer(port, met) for _ in range(VIEWERS)), *operating)


# --- a stranger --------------------------------------------------------------------------------------------


async def _slowly(port: int, met: Met) -> None:
    """A request that never comes to its end."""
    async with _connection(port) as (reader, writer):
        writer.write(f"GET / HTTP/1.1\r\nHost: {HOST}:{port}\r\nX-Slow: ".encode())
        with contextlib.suppress(OSError):
            while not reader.at_eof():
                await asyncio.sleep(SLOW_S)
                writer.write(b"x")
                await writer.drain()
        met["slow: dropped"] += 1


async def _deaf(port: int, met: Met) -> None:
    """A viewer that takes nothing."""
    async with _connection(port, 1024) as (_, writer):
        writer.write(f"GET /stream?signals={SIGNALS} HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        await asyncio.sleep(15.0)
        met["deaf"] += 1


async def _many(port: int, met: Met) -> None:
    """As many connections as this process may have, all at once."""
    async with AsyncExitStack() as opened:
        readers = []
        for _ in range(_possible(CONNECTIONS)):
            try:
                connection = await opened.enter_async_context(_connection(port))
                readers.append(connection[0])
            except OSError:
                met["many: refused by the system"] += 1
        for reader in readers:
            met[f"many: {await _answer(reader, 0.05)}"] += 1


async def _upgrades(port: int, met: Met) -> None:
    """Web sockets, of which there are none here (RFC 6455 for the request)."""
    asked = _request(
        *(port, "GET /stream", "Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 13"),
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
    )
    met[f"web socket: {await _ask(port, asked)}"] += 1


async def _heads(port: int, met: Met) -> None:
    head = f"GET / HTTP/1.1\r\nHost: {HOST}:{port}\r\n".encode() + 40 * HUGE + b"\r\n"
    met[f"long head: {await _ask(port, head)}"] += 1


async def _bodies(port: int, met: Met) -> None:
    met[f"1 MB: {await _ask(port, _request(port, 'POST /operator', body=(1 << 20) * b'x'))}"] += 1


async def _noise(port: int, met: Met) -> None:
    noise = random.randbytes(4096) + b"\r\n\r\n"
    met[f"noise: {await _ask(port, noise)}"] += 1


async def _guesses(port: int, met: Met) -> None:
    challenge = {"nonce": "0" * 32, "time_s": 1.0, "topic": TOPIC, "id": secrets.token_hex(8)}
    body = sealed(secrets.token_bytes(16), {**challenge, "command": "operate"})
    met[f"wrong token: {await _ask(port, _request(port, 'POST /operator', body=body))}"] += 1


async def _ever(once: Callable[[int, Met], Awaitable[None]], port: int, met: Met) -> None:
    while True:
        with contextlib.suppress(OSError):
            await once(port, met)
        await asyncio.sleep(PAUSE_S)


async def stranger(port: int, _token: str, met: Met) -> None:
    """Everything at once, as long as it lasts."""
    each = (_many, _upgrades, _heads, _bodies, _noise, _guesses, _deaf)
    await asyncio.gather(*(_ever(one, port, met) for one in (*each, *[_slowly] * SLOW)))


def _possible(count: int) -> int:
    """So many connections, less where this process may not have as many files open."""
    return max(0, min(count, resource.getrlimit(resource.RLIMIT_NOFILE)[0] - 2 * SLOW - 64))


# --- coming and leaving ------------------------------------------------------------------------------------


async def visit(
    who: Callable[[int, str, Met], Coroutine[Any, Any, None]], port: int, token: str, seconds: float
) -> Met:
    """Be there for so long; what was met."""
    met: Met = Counter()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await who(port, token, met)
    await asyncio.sleep(0.05)  # connections that are cut are gone a turn later
    return met


async def _by_word(who: Callable[[int, str, Met], Coroutine[Any, Any, None]], port: int, token: str) -> None:
    words = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(words), sys.stdin)
    there: asyncio.Task[None] | None = None
    met: Met = Counter()
    while word := (await words.readline()).strip():
        if word == b"come" and there is None:
            met = Counter()
            there = asyncio.create_task(who(port, token, met))
            print("came", flush=True)
        elif word == b"leave" and there is not None:
            there.cancel()
            (ended,) = await asyncio.gather(there, return_exceptions=True)
            there = None
            if not isinstance(ended, asyncio.CancelledError):
                raise RuntimeError(f"they left by themselves: {ended!r}")
            print(json.dumps(met), flush=True)


def main() -> None:
    """Visitors by word of whoever started them."""
    who, port, *token = sys.argv[1:]
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = 4096 if hard == resource.RLIM_INFINITY else min(hard, 4096)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, most), hard))
    asyncio.run(_by_word({"watch": people, "attack": stranger}[who], int(port), "".join(token)))


if __name__ == "__main__":
    main()
