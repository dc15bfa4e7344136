"""The virtual bus's process: a turn a millisecond at least, until told to end or left alone.

It imports neither numpy nor compiled code: it is there in a moment, small, and nothing of it ever waits for a
collection of garbage.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from emulator.links.loopback import BusServer
from emulator.shared_memory.stalls import PERIOD_NS, Role, StallWriter
from emulator.shared_memory.status import LoopState, Status

_TURN_S = 0.001
_LOOK_EVERY = 256  # turns between two looks at the supervisor


def run_bus(
    server: BusServer,
    stalls: StallWriter,
    status: memoryview,
    supervisor_pid: int,
    asked_to_end: Callable[[], bool],
    *,
    awake: bool = False,
) -> str:
    """Serve until asked to end; returns why it ended.

    awake  be awake when the loop's frames come, at the price of processor time

    A supervisor that dies does not end it: the loop then takes the signals to rest, and whoever is on the
    bus has to hear that. It ends when the loop has.
    """
    turns, expecting = 0, not awake
    while not asked_to_end():
        stalls.turn(server.turn(_TURN_S))
        turns += 1
        if not expecting and (ticked_ns := status[Status.TICK_ZERO_NS]):
            server.expect(status[Status.LOOP_PID], ticked_ns, PERIOD_NS[Role.LOOP])
            expecting = True
        if turns % _LOOK_EVERY == 0 and os.getppid() != supervisor_pid and not _loop_runs(status):
            stalls.end()
            return "the supervisor is gone and the loop has ended"
    stalls.end()
    return "asked to end"


def _loop_runs(status: memoryview) -> bool:
    if status[Status.LOOP_STATE] not in (LoopState.BUILDING, LoopState.CYCLING):
        return False
    try:
        stat = Path(f"/proc/{status[Status.LOOP_PID]}/stat").read_text()
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] not in ("Z", "X")
