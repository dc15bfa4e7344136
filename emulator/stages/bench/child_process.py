"""A child of the supervisor, from outside: started, heard, told to leave."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections import deque
from pathlib import Path
from typing import IO, Any

from emulator.core import errors
from emulator.core.clock import Clock
from emulator.core.errors import StartFailed
from emulator.stages.bench.stopping import StopAsked

READY_TIMEOUT_S = 180.0  # a child may have to compile
LEAVE_TIMEOUT_S = 10.0
_LONGEST_MESSAGE = 1 << 24
_MOST_NOTICES = 1000
ENVIRONMENT = {"loop": {"GLIBC_TUNABLES": "glibc.malloc.hugetlb=1", "PYTHONMALLOC": "malloc"}}
"""What a role's process starts with, unless the user's own environment says otherwise.

The loop has all its memory from one allocator and on large pages: a tick touches some hundred small ones, and
finding each of them costs a processor that others have used meanwhile more than reading it. Where the system
has no large pages nothing changes (emulator/guide/decisions/0225-loop-on-large-pages.md).
"""


class ChildProcess:
    """One child process and what it said; ``module``: run with its role as argument."""

    def __init__(
        self, role: str, log: IO[bytes], path: Path, clock: Clock, module: str = "emulator.stages.bench.child"
    ) -> None:
        self.role, self._log, self._path, self._clock = role, log, path, clock
        self._module = module
        self.process: Process | None = None
        self.messages: dict[str, Any] = {}
        self.notices: deque[dict[str, Any]] = deque(maxlen=_MOST_NOTICES)
        self.left_ns: int | None = None  # when it was seen to have ended [CLOCK_MONOTONIC]
        self._reader: asyncio.Task[None] | None = None
        self._news = asyncio.Event()

    async def start(self, job: dict[str, Any], *fds: int, more_later: bool = False) -> None:
        """Start it with its job on standard input; it inherits these descriptors.

        more_later  the rest of the job comes with ``hand_over``
        """
        self.process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            self._module,
            self.role,
            stdin=PIPE,
            stdout=PIPE,
            stderr=self._log,
            pass_fds=fds,
            env={**ENVIRONMENT.get(self.role, {}), **os.environ},
            start_new_session=True,  # Ctrl-C is the supervisor's to handle
            limit=_LONGEST_MESSAGE,
        )
        await self._write(job)
        if not more_later:
            self._close_input()
        self._reader = asyncio.create_task(self._read())

    async def hand_over(self, rest: dict[str, Any]) -> None:
        """What was not known of its job when it was started. One that is gone does not get it."""
        with contextlib.suppress(ConnectionError):
            await self._write(rest)
        self._close_input()

    async def _write(self, part: dict[str, Any]) -> None:
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(part).encode() + b"\n")
        await self.process.stdin.drain()

    def _close_input(self) -> None:
        if self.process is not None and self.process.stdin is not None:
            self.process.stdin.close()

    async def _read(self) -> None:
        assert self.process is not None
        assert self.process.stdout is not None
        while line := await self.process.stdout.readline():
            with contextlib.suppress(ValueError):
                news = json.loads(line)
                if "notice" in news:
                    self.notices.append(news)
                else:
                    self.messages.update(news)
            self._news.set()
        await self.process.wait()
        self.left_ns = self._clock.now_ns()
        self._news.set()

    @property
    def gone(self) -> bool:
        """Whether it has ended."""
        return self.process is not None and self.process.returncode is not None

    def left_before(self, stop: StopAsked) -> bool:
        """Whether it had ended when a person first asked for a stop; False if nobody has."""
        return self.left_ns is not None and self.left_ns < stop.hand_ns

    async def ready(self, stop: StopAsked) -> None:
        """Wait until it is ready. Raises what it reported, or StartFailed; also if a stop is asked for."""
        clock = asyncio.get_running_loop()
        deadline = clock.time() + READY_TIMEOUT_S
        while "ready" not in self.messages:
            broke = "error" in self.messages or self.gone
            if broke and (not stop or self.left_before(stop)):  # who asks twice ends it: no error of its own
                self.raise_its_error()
            stop.raise_if_asked()
            if clock.time() > deadline:
                raise StartFailed(
                    f"the {self.role} process was not ready after {READY_TIMEOUT_S:.0f} s",
                    advice=f"look into {self._path}",
                )
            self._news.clear()
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(self._news.wait(), 0.5)

    def raise_its_error(self) -> None:
        """Raise what it said was wrong, or StartFailed with the end of its log."""
        kind = getattr(errors, str(self.messages.get("error", "")), None)
        if kind is errors.ConfigError or kind is None:
            tail = "\n".join(self.tail())
            raise StartFailed(
                f"the {self.role} process ended before it was ready (exit {self.returncode})"
                + (f"\n{tail}" if tail else ""),
                advice="see its message above; please report it if it is a traceback",
            )
        raise kind(self.messages["what"], advice=self.messages["advice"])

    @property
    def returncode(self) -> int | None:
        """Its exit status; None while it runs or was never started."""
        return self.process.returncode if self.process else None

    def tail(self, lines: int = 12) -> list[str]:
        """The last lines of its log."""
        try:
            return self._path.read_text(errors="replace").splitlines()[-lines:]
        except OSError:
            return []

    def signal(self, number: int) -> None:
        """Send it a signal if it is there."""
        if self.process is not None and not self.gone:
            with contextlib.suppress(ProcessLookupError):
                self.process.send_signal(number)

    async def leave(self, timeout: float = LEAVE_TIMEOUT_S) -> bool:
        """Wait for it to end, then insist. False if it had to be killed."""
        if self.process is None:
            return True
        self._close_input()  # one that still waits for the rest of its job gets none
        try:
            await asyncio.wait_for(self.process.wait(), timeout)
            polite = True
        except TimeoutError:
            self.signal(signal.SIGKILL)
            await self.process.wait()
            polite = False
        if self._reader is not None:
            await self._reader
        return polite

    def close(self) -> None:
        """Close its log; an empty one is taken away."""
        self._log.close()
        if self._path.exists() and self._path.stat().st_size == 0:
            self._path.unlink()
