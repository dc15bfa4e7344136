"""Twenty looks a second for all viewers together; each takes the newest one when it is ready for it.

There is no queue: a viewer that is slow misses looks, and is told how many. Nothing of a viewer that leaves
stays behind.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from emulator.console.moments import Observer, Rows, strips

LOOKS_HZ = 20.0
UNWATCHED_HZ = 2.0
"""Looks a second while nobody watches: margins and events are followed all the same."""
MOST_VIEWERS = 20
MOST_SIGNALS = 8
"""Signals that one viewer can follow."""


class Stream:
    """One ride, watched by many.

    observer  looks at the ride
    beside    what else every viewer is told with each look, such as who operates
    """

    def __init__(self, observer: Observer, beside: Callable[[float], dict[str, Any]]) -> None:
        self._observer, self._beside = observer, beside
        self._number = 0
        self._now = b""
        self._rows: Rows | None = None
        self._fresh = asyncio.Event()
        self._over = False
        self.viewers = 0

    async def run(self) -> None:
        """Look until cancelled."""
        clock = asyncio.get_running_loop()
        due = clock.time()
        while True:
            self.look(time.monotonic())
            period = 1.0 / (LOOKS_HZ if self.viewers else UNWATCHED_HZ)
            due = max(due + period, clock.time())
            await asyncio.sleep(due - clock.time())

    def look(self, now_s: float) -> None:
        """One look; whoever waits for it is woken."""
        moment, self._rows = self._observer.look(now_s)
        told = {**moment, **self._beside(now_s), "viewers": self.viewers}
        self._now = json.dumps(told, separators=(",", ":"), allow_nan=False).encode()
        self._number += 1
        fresh, self._fresh = self._fresh, asyncio.Event()
        fresh.set()

    def end(self) -> None:
        """Every viewer's messages end."""
        self._over = True
        self._fresh.set()

    @contextmanager
    def viewer(self) -> Iterator[None]:
        """Counts one viewer in, and out however it leaves."""
        self.viewers += 1
        try:
            yield
        finally:
            self.viewers -= 1

    async def messages(self, signals: Sequence[str]) -> AsyncIterator[bytes]:
        """Server-sent events for one viewer: ``now``, ``strips`` if it follows signals, new ``events``.

        Source: WHATWG HTML, 9.2 Server-sent events.
        """
        seen, events = self._number, 0
        while True:
            while self._number == seen and not self._over:
                await self._fresh.wait()
            if self._over:
                return
            missed, seen = self._number - seen - 1, self._number
            parts = [b"event: now\ndata: ", self._now, b"\n\n"]
            if missed:
                parts.append(_event("missed", missed))
            if signals and self._rows is not None and len(self._rows.time_s):
                parts.append(_event("strips", strips(self._rows, signals)))
            events, new = self._observer.events_since(events)
            if new:
                parts.append(_event("events", new))
            yield b"".join(parts)


def _event(name: str, item: object) -> bytes:
    return f"event: {name}\ndata: {json.dumps(item, separators=(',', ':'), allow_nan=False)}\n\n".encode()
