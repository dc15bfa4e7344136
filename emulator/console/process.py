"""The process that serves a live page beside a bench run. ``python -m emulator.console.process``.

Below everything else of a run in priority. It reads what the loop publishes and can command nothing itself:
what a page asks for is one line of JSON on standard output, which the supervisor takes or not
(emulator.console.beside). The job comes as the first line of standard input; then what became of the ride.
When standard input ends without a farewell, the supervisor is gone, and the page goes on to say so.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import shutil
import socket
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import uvloop
from pydantic import TypeAdapter

from emulator.console.access import OperatorDesk, Watchers
from emulator.console.app import Service
from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer
from emulator.console.pages import Pages
from emulator.console.server import Address, serve
from emulator.console.stream import Stream
from emulator.criteria.base import Criterion
from emulator.criteria.kinds import AnyCriterion
from emulator.shared_memory.block import Snapshot

NICENESS = 5
"""Below every process of a run, and still looking on a machine that others load."""
_ORPHANED_S = 600.0
"""How long a page says that its supervisor is gone."""
_UNWATCHED_S = 30.0
_LONGEST_LINE = 1 << 24


def criteria_of(dumped: list[Mapping[str, Any]]) -> list[Criterion]:
    """Criteria from their dumps."""
    adapter: TypeAdapter[Criterion] = TypeAdapter(AnyCriterion)
    return [adapter.validate_json(json.dumps(one)) for one in dumped]


class Beside:
    """What every look tells beside the ride: who operates, what became of supervisor and ride."""

    def __init__(self, desk: OperatorDesk, began_s: float) -> None:
        self._desk, self._began_s = desk, began_s
        self.supervisor = "there"
        self.result: Mapping[str, Any] | None = None
        self.acknowledged = False

    def __call__(self, now_s: float) -> dict[str, Any]:
        """As it is now; ``now_s`` of the monotonic clock."""
        return {
            "operator": self._desk.shown(now_s - self._began_s),
            "supervisor": self.supervisor,
            "result": self.result,
            "acknowledged": self.acknowledged,
        }


def main() -> None:
    """Serve until the supervisor says farewell, or for a while after it is gone."""
    os.nice(NICENESS)
    uvloop.run(_serve())


async def _serve() -> None:
    told = asyncio.StreamReader(limit=_LONGEST_LINE)
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(told), sys.stdin.buffer
    )
    job = json.loads(await told.readline())
    if cpus := job["cpus"]:
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, cpus)
    with contextlib.closing(Snapshot.attach(job["fd"])) as snapshot:
        await _serve_ride(job, snapshot, told)


async def _serve_ride(job: Mapping[str, Any], snapshot: Snapshot, told: asyncio.StreamReader) -> None:
    began_s = time.monotonic()
    token = job["operator_token"]
    desk = OperatorDesk(None if token is None else token.encode(), secrets.token_hex(16), job["events"])
    beside = Beside(desk, began_s)
    margins = LiveMargins(criteria_of(job["criteria"]), job["manifest"])
    stream = Stream(Observer(snapshot, margins), beside)
    stream.look(began_s)  # the first one loads compiled code, seconds of computing: nobody has to wait for it
    os.set_blocking(1, False)

    def tell(message: Mapping[str, Any]) -> None:
        if message.get("do") == "acknowledge":
            beside.acknowledged = True
        # a supervisor that does not read is told less; nobody here waits for it
        with contextlib.suppress(OSError):
            os.write(1, json.dumps(message).encode() + b"\n")

    service = Service(
        pages=Pages([Path(path) for path in job["runs"]], job["manifest"], job["facts"]),
        facts=job["facts"],
        stream=stream,
        desk=desk,
        watchers=Watchers(job["watch_token"]),
        tell=tell,
        began_s=began_s,
        secure=job["address"]["certificate"] is not None,
    )
    address = Address(**{**job["address"], "names": tuple(job["address"]["names"])})
    tell({"ready": True})
    await serve(
        service,
        socket.socket(fileno=job["socket"]),
        address,
        [stream.run(), _silence(desk, tell, began_s), _supervised(beside, stream, told, job["token_folder"])],
    )


async def _silence(desk: OperatorDesk, tell: Any, began_s: float) -> None:
    """Tell the supervisor once of an operator's page that has fallen silent."""
    while True:
        await asyncio.sleep(0.5)
        if desk.turns_silent(time.monotonic() - began_s):
            tell({"do": "silent"})


async def _supervised(
    beside: Beside, stream: Stream, told: asyncio.StreamReader, token_folder: str | None
) -> None:
    """Take what the supervisor tells; end with its farewell, or when nobody looks after it is gone.

    token_folder  of the token made for this run, which nobody else takes away then
    """
    while line := await told.readline():
        message = json.loads(line)
        if message.get("farewell"):
            beside.supervisor = "left"
            stream.look(time.monotonic())
            await asyncio.sleep(0.5)  # so that every page has it
            return
        beside.result = message.get("result", beside.result)
    beside.supervisor = "gone"
    if token_folder is not None:
        shutil.rmtree(token_folder, ignore_errors=True)
    gone_s = watched_s = time.monotonic()
    while (now_s := time.monotonic()) - gone_s < _ORPHANED_S and now_s - watched_s < _UNWATCHED_S:
        await asyncio.sleep(0.5)
        if stream.viewers:
            watched_s = now_s


if __name__ == "__main__":
    main()
