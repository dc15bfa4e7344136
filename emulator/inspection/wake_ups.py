"""What the processes of the lateness test do: in a module of its own, since each of them reads it in anew."""

from __future__ import annotations

import os
import time
from multiprocessing.synchronize import Event

import numpy as np

from emulator.core.clock import MonotonicClock, first_deadline
from emulator.core.signals import TICK_NS
from emulator.loop import host


def wake(  # type: ignore[no-untyped-def]
    pipe, ticks: int, cpu: int, priority: int, spin_us: float, idle_exit_us: int | None
) -> None:
    """Wake every millisecond, work as long as a tick; send how late that was [us] and what was granted."""
    late = np.zeros(max(1, ticks))
    granted = host.apply(cpu, priority, lock_memory=True, idle_exit_us=idle_exit_us)
    clock = MonotonicClock(round(spin_us * 1e3))
    deadline = first_deadline(clock.now_ns() + 9 * TICK_NS, TICK_NS)
    for n in range(len(late)):
        late[n] = (clock.sleep_until(deadline) - deadline) * 1e-3
        _work(_TICK_s)
        deadline += TICK_NS
        if late[n] >= TICK_NS * 1e-3:  # what was missed is not waited for
            deadline += int(late[n] * 1e3) // TICK_NS * TICK_NS
    pipe.send((late, granted))
    pipe.close()


_TICK_s, _BUSY_s = 120e-6, 500e-6
"""About what the loop computes in a tick, and the other processes of a ride in a millisecond."""


def _work(seconds: float) -> None:
    until = time.perf_counter() + seconds
    touched = np.zeros(10_000)
    while time.perf_counter() < until:
        touched += 1.0


def be_busy(core: int, over: Event) -> None:
    """Work half of each millisecond on a core, until it is over."""
    os.sched_setaffinity(0, {core})
    while not over.is_set():
        _work(_BUSY_s)
        time.sleep(TICK_NS * 1e-9 - _BUSY_s)
