"""A live page served in a thread, over a block of shared memory that the test writes as a loop would."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import secrets
import ssl
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from emulator.console.access import TOPIC, OperatorDesk, Watchers
from emulator.console.app import Service
from emulator.console.facts import facts_of
from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer
from emulator.console.pages import Pages
from emulator.console.process import Beside
from emulator.console.server import Address, listen, serve
from emulator.console.stream import Stream
from emulator.core.signals import INDEX, RUNNING, SIGNALS
from emulator.criteria.limits import DistanceFromLine, NoFall
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import LoopState, Status
from emulator.telemetry.signed import sealed

TOKEN = "operator token of the tests"
EVENTS = {"gust": 0, "wet patch": 1}
CRITERIA = (NoFall(kind="no_fall"), DistanceFromLine(kind="distance_from_line", limit_m=1.5))
MANIFEST: dict[str, Any] = {
    "scenario": {
        "name": "made-up lap",
        "purpose": "something to look at",
        "start": {"station_m": 0.0},
        "laps": 1,
        "events": [
            {"kind": "gust", "name": "gust", "at": {"on_request": True}},
            {
                "kind": "surface",
                "name": "wet patch",
                "at": {"first_of": [{"station_m": 300.0}, {"on_request": True}]},
            },
            {"kind": "mark", "name": "half way", "at": {"station_m": 200.0}},
        ],
    },
    "rig": {"name": "made-up rig", "timing": {"hole_ms": 45.0}},
    "vehicle": {"name": "made-up bike"},
    "line": {
        "x_m": [0.0, 100.0, 100.0, 0.0],
        "y_m": [0.0, 0.0, 100.0, 100.0],
        "station_m": [0.0, 100.0, 200.0, 300.0],
        "length_m": 400.0,
        "closed": True,
    },
    "patches": [{"name": "puddle", "from_m": 250.0, "to_m": 270.0, "grip": 0.5}],
    "files": {"rig": "77ab" * 16},
}


def row(**values: float) -> np.ndarray:
    """A row of a ride that goes well; ``truth__speed_m_s=3.0`` for what is otherwise."""
    usual = {
        "bench.state": RUNNING,
        "bench.trip_reason": 0.0,
        "bench.permissives_missing": 0.0,
        "bench.events_active": 0.0,
        "truth.speed_m_s": 20.0,
        "truth.roll_rad": 0.3,
        "truth.support": 0.0,
        "truth.fallen": 0.0,
        "line.station_m": 180.0,
        "line.offset_m": 0.6,
    }
    filled = np.zeros(len(SIGNALS))
    for name, value in (usual | {k.replace("__", "."): v for k, v in values.items()}).items():
        filled[INDEX[name]] = value
    return filled


class Served:
    """What a test has of the page: its address, the block, what the supervisor would have been told."""

    def __init__(
        self, runs: Path, watch_token: str | None, token: str | None, certified: Path | None = None
    ) -> None:
        self.snapshot = Snapshot.create()
        self.told: list[Mapping[str, Any]] = []
        self.entrance = listen("127.0.0.1", 0)
        files = [None if certified is None else str(certified / f"broker.{end}") for end in ("pem", "key")]
        self.address = Address("127.0.0.1", self.entrance.getsockname()[1], (), *files)
        self.tls = None if certified is None else ssl.create_default_context(cafile=certified / "ca.pem")
        self.tick = 0
        began_s = time.monotonic()
        self.desk = OperatorDesk(None if token is None else token.encode(), secrets.token_hex(16), EVENTS)
        self.beside = Beside(self.desk, began_s)
        margins = LiveMargins(CRITERIA, MANIFEST)
        facts = facts_of(MANIFEST, None, margins.facts(), name="made-up")
        self.stream = Stream(Observer(self.snapshot, margins), self.beside)
        self.service = Service(
            Pages([runs], MANIFEST, facts),
            facts,
            self.stream,
            self.desk,
            Watchers(watch_token),
            self._take,
            began_s,
            self.address.secure,
        )
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _take(self, message: Mapping[str, Any]) -> None:
        if message.get("do") == "acknowledge":
            self.beside.acknowledged = True
        self.told.append(message)

    def _run(self) -> None:
        async def over() -> None:
            await self._over.wait()

        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(
            serve(self.service, self.entrance, self.address, [self.stream.run(), over()])
        )
        self._loop.close()

    def close(self) -> None:
        """End the service; safe to call twice."""
        if not self._thread.is_alive():
            return
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(20.0)
        assert not self._thread.is_alive()
        self.entrance.close()
        self.snapshot.close()

    def cycle(self, ticks: int = 20, **values: float) -> None:
        """Rows as a loop that comes round would write them."""
        status = self.snapshot.status
        status[Status.LOOP_STATE] = LoopState.CYCLING
        same = row(**values)
        for _ in range(ticks):
            self.snapshot.write_signals(self.tick, same)
            self.tick += 1
        status[Status.LOOP_HEARTBEAT] += ticks
        status[Status.TICK] = self.tick

    # --- asking

    def _connection(self) -> http.client.HTTPConnection:
        if self.tls is None:
            return http.client.HTTPConnection("127.0.0.1", self.address.port, timeout=20.0)
        return http.client.HTTPSConnection("127.0.0.1", self.address.port, timeout=20.0, context=self.tls)

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> tuple[int, bytes, dict[str, str]]:
        """Status, body and headers of an answer; a POST comes from a page of this service unless told."""
        own = {"Origin": self.address.url().rstrip("/")} if method == "POST" else {}
        connection = self._connection()
        with contextlib.closing(connection):
            connection.request(method, path, body, {**own, **(headers or {})})
            answer = connection.getresponse()
            return answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}

    def why(self, *asked: Any, **more: Any) -> tuple[int, str]:
        """Status and words of a refusal."""
        status, body, _ = self.ask(*asked, **more)
        return status, json.loads(body)["why"]

    def signed(self, command: str, token: str = TOKEN, **more: Any) -> bytes:
        """A message as the operator's page sends it."""
        challenge = json.loads(self.ask("GET", "/challenge")[1])
        item = {**challenge, "topic": TOPIC, "command": command, "id": secrets.token_hex(8)}
        return sealed(token.encode(), item | more)

    def operate(self) -> str:
        """Take the operator's seat."""
        status, body, _ = self.ask("POST", "/operator", self.signed("operate"))
        assert status == 200, body
        seat: str = json.loads(body)["seat"]
        return seat

    @contextmanager
    def watching(self, query: str = "") -> Iterator[Iterator[tuple[str, Any]]]:
        """The stream as one viewer gets it: (event, data) one after the other."""
        connection = self._connection()
        with contextlib.closing(connection):
            connection.request("GET", f"/stream{query}")
            answer = connection.getresponse()
            assert answer.status == 200, answer.read()

            def messages() -> Iterator[tuple[str, Any]]:
                name = ""
                while line := answer.readline():
                    key, _, value = line.decode().rstrip("\n").partition(": ")
                    if key == "event":
                        name = value
                    elif key == "data":
                        yield name, json.loads(value)

            yield messages()


@contextmanager
def served(
    runs: Path, *, watch_token: str | None = None, token: str | None = TOKEN, certified: Path | None = None
) -> Iterator[Served]:
    """The page while a test lasts; ``certified``: over TLS, with the certificate in that folder."""
    page = Served(runs, watch_token, token, certified)
    try:
        yield page
    finally:
        page.close()
