"""A scenario's hook in a process of its own: started, shown the ride, heard, and stopped if it misbehaves.

A step is one message each way over pipes: tick and row of signals there, what the hook asks for back. Whoever
waits does so for a bounded time, and a hook that raises, prints, leaves or takes too long has failed.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import select
import signal
import struct
import subprocess
import sys
import time
import traceback
import types
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.config.scenario.hook import FORMER_MODULE, Hook, Ride
from emulator.core.errors import EmulatorError
from emulator.core.signals import SIGNALS, TICK_NS
from emulator.events.progress import ticks
from emulator.shared_memory.status import Command

if TYPE_CHECKING:  # the hook's process would load all that reads files, two seconds of computing
    from emulator.assembly.session import Session

START_TIMEOUT_S = 20.0
HANG_S = 5.0
"""How long a step may take on the stepped clock, where nothing waits for it but a person."""

_HEAD = struct.Struct("<q")
_BYTES = _HEAD.size + 8 * len(SIGNALS)


class HookFailed(EmulatorError):
    """A hook raised, printed, left or took too long; the text holds its traceback."""


class Ask(NamedTuple):
    """What a hook asks for: ``what`` is start or end, ``event`` its name."""

    what: str
    event: str


class HookHost:
    """The process of one hook.

    file, name  module and class
    events      names of the events it may ask for
    Raises HookFailed if it can't be made.
    """

    def __init__(self, file: str, name: str, events: Sequence[str]) -> None:
        self._where = f"hook {name} of {file}"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "emulator.stages.bench.hook_host", file, name, json.dumps(list(events))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self._buffer = b""
        try:
            self._answer(START_TIMEOUT_S, "to be made")
        except HookFailed:
            self.close()
            raise

    def look(self, tick: int, row: NDArray[np.float64], timeout_s: float = HANG_S) -> list[Ask]:
        """One step at scenario ``tick``. Raises HookFailed; then the process is gone."""
        assert self._process.stdin is not None
        try:
            try:
                self._process.stdin.write(_HEAD.pack(tick) + row.tobytes())
                self._process.stdin.flush()
            except (OSError, ValueError):  # its pipe is broken, or closed because it failed before
                raise HookFailed(f"{self._where} has left") from None
            return [Ask(*asked) for asked in self._answer(timeout_s, f"at {tick * TICK_NS * 1e-9:.3f} s")]
        except HookFailed:
            self.close()
            raise

    def _answer(self, timeout_s: float, when: str) -> list[list[str]]:
        assert self._process.stdout is not None
        fd, deadline = self._process.stdout.fileno(), time.monotonic() + timeout_s
        while b"\n" not in self._buffer:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([fd], [], [], left)[0]:
                raise HookFailed(f"{self._where} took more than {timeout_s * 1e3:g} ms {when}")
            part = os.read(fd, 65536)
            if not part:
                raise HookFailed(f"{self._where} has left {when}")
            self._buffer += part
        line, self._buffer = self._buffer.split(b"\n", 1)
        item: dict[str, Any] = json.loads(line)
        if "error" in item:
            raise HookFailed(f"{self._where} failed {when}:\n{item['error']}")
        asked: list[list[str]] = item["asked"]
        return asked

    def close(self) -> None:
        """End the process, whatever it is doing. Safe to call twice."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


class HookSteps:
    """When a hook looks, and what becomes of what it asks for.

    host    its process
    every   ticks between two looks
    events  number of each event it may ask for, by name
    """

    def __init__(self, host: HookHost, every: int, events: Mapping[str, int]) -> None:
        self.host, self.every, self._events = host, every, events
        self.next = 0
        """Scenario tick from which on it looks again."""

    def due(self, tick: int) -> bool:
        """Whether it is to look at scenario ``tick`` of a running ride; then not again before its time."""
        if tick < self.next:
            return False
        self.next = tick - tick % self.every + self.every
        return True

    def look(self, tick: int, row: NDArray[np.float64], timeout_s: float) -> list[tuple[Command, float]]:
        """What is to be commanded. Raises HookFailed."""
        return [
            (Command.START_EVENT if a.what == "start" else Command.END_EVENT, float(self._events[a.event]))
            for a in self.host.look(tick, row, timeout_s)
        ]


@contextlib.contextmanager
def hook_of(session: Session) -> Iterator[HookSteps | None]:
    """The hook of a session's scenario, if it has one; its process ends with the context.

    Raises HookFailed if it can't be made; nothing has started then.
    """
    hook = session.scenario.hook
    if hook is None:
        yield None
        return
    events = session.asked_events
    host = HookHost(session.paths["hook"], hook.name, tuple(events))
    try:
        yield HookSteps(host, ticks(hook.every_ms * 1e-3), events)
    finally:
        host.close()


# ---- in the process --------------------------------------------------------------------------------------


class _NoPrinting:
    """Stands where standard output was."""

    encoding = "utf-8"

    def write(self, _text: str) -> int:
        raise RuntimeError("a hook does not print; a mark event that it starts puts words into the record")

    def flush(self) -> None:
        """Nothing waits."""


def _made(file: str, name: str) -> Hook:
    spec = importlib.util.spec_from_file_location("hook_of_the_scenario", Path(file).resolve())
    if spec is None or spec.loader is None:
        raise RuntimeError(f"{file} is no Python file")
    # a file of the version before imports it from there; the scenario's check has warned of that
    sys.modules[FORMER_MODULE.rpartition(".")[0]] = types.ModuleType(FORMER_MODULE.rpartition(".")[0])
    sys.modules[FORMER_MODULE] = sys.modules[Hook.__module__]
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    cls = getattr(module, name, None)
    if not (isinstance(cls, type) and issubclass(cls, Hook)):
        raise RuntimeError(f"{file} has no class {name!r} that is a Hook (from emulator import Hook)")
    made: Hook = cls()
    return made


def _run(file: str, name: str, events: list[str]) -> None:
    out = os.fdopen(os.dup(1), "wb", buffering=0)
    sys.stdout = sys.stderr = _NoPrinting()

    def say(item: dict[str, Any]) -> None:
        out.write(json.dumps(item).encode() + b"\n")

    try:
        hook, ride = _made(file, name), Ride(events)
        say({"asked": []})
        while len(message := sys.stdin.buffer.read(_BYTES)) == _BYTES:
            (tick,) = _HEAD.unpack_from(message)
            ride.show(tick * TICK_NS * 1e-9, np.frombuffer(message, np.float64, offset=_HEAD.size).tolist())
            hook.look(ride)
            say({"asked": ride.pop()})
    except BaseException:  # also SystemExit: a hook that leaves has failed
        say({"error": traceback.format_exc()})


if __name__ == "__main__":
    _run(sys.argv[1], sys.argv[2], json.loads(sys.argv[3]))
