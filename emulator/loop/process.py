"""The loop process: build and warm everything, take what the host gives, run the cycle, report.

The caller (``rig``) starts the process and says how to build its parts; this module knows the order.
"""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from types import FrameType
from typing import Any, NamedTuple

import numpy as np

from emulator.core.clock import Clock
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink, GnssLink, PulseLink
from emulator.core.signals import SIGNALS
from emulator.loop import host
from emulator.loop.bus_watch import BusRules, BusWatch
from emulator.loop.certificate import GNSS, OutputSpec, TimingAccounts
from emulator.loop.contract import CycleLimits, StopRequest, TickedPlant
from emulator.loop.runner import run_cycle
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.rings import TX
from emulator.shared_memory.status import Command, LoopState, Status
from emulator.wire.arbitration import WireTimes


class Parts(NamedTuple):
    """What the cycle runs on: built, connected and warm (every compiled function called once).

    times  how long frames are on the bus, see ``TimingAccounts``
    """

    plant: TickedPlant
    can: CanLink
    gnss: GnssLink
    outputs: Sequence[OutputSpec]
    limits: CycleLimits
    pulse: PulseLink | None = None
    times: WireTimes | None = None


@dataclass(frozen=True)
class HostSettings:
    """What to ask of the host; see ``host.apply``. ``late_after_ns`` as in ``TimingAccounts``."""

    cpu: int | None = None
    priority: int = 0
    lock_memory: bool = True
    idle_exit_us: int | None = None
    late_after_ns: int = 1_500_000


PARENT_DIED = signal.SIGUSR2
"""What the kernel is asked to send when the supervisor dies.

A signal of its own: it comes while the parent's number is still the old one.
"""


@contextlib.contextmanager
def stop_on_signals(request: StopRequest) -> Iterator[None]:
    """Turn SIGTERM, SIGINT and the parent's death into a request for an orderly stop; then as before."""

    def handle(number: int, _frame: FrameType | None) -> None:
        request.ask("supervisor gone" if number == PARENT_DIED else signal.Signals(number).name)

    before = {
        number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT, PARENT_DIED)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run_loop_process(
    build: Callable[[], Parts],
    snapshot: Snapshot,
    clock: Clock,
    settings: HostSettings,
    supervisor_pid: int = 0,
) -> dict[str, Any]:
    """Body of the loop process; returns ``{'outcome': ..., 'certificate': ...}`` as plain values.

    build           makes the parts; may take seconds (compiling) and may raise any EmulatorError
    supervisor_pid  the parent whose death means an orderly stop; 0 for none

    A signal that comes while building is honoured by the first tick. The links are closed on every way
    out, and the status block says ENDED, or FAILED if an error left this function.
    """
    status = snapshot.status
    status[Status.LOOP_PID] = os.getpid()
    status[Status.LOOP_STATE] = LoopState.BUILDING
    stop = StopRequest()
    ended = LoopState.FAILED
    with stop_on_signals(stop), contextlib.ExitStack() as links:
        try:
            if supervisor_pid and not host.die_with_parent(supervisor_pid, PARENT_DIED):
                stop.ask("supervisor gone")
            parts = build()
            links.callback(parts.gnss.close)
            links.callback(parts.can.close)
            if parts.pulse is not None:
                links.callback(parts.pulse.close)
            timing = TimingAccounts(
                parts.outputs,
                period_ns=parts.limits.period_ns,
                late_after_ns=settings.late_after_ns,
                lateness_counts=snapshot.lateness_counts,
                times=parts.times,
            )
            warm()
            report = host.apply(
                settings.cpu,
                settings.priority,
                lock_memory=settings.lock_memory,
                idle_exit_us=settings.idle_exit_us,
            )
            outcome = run_cycle(
                parts.plant,
                parts.can,
                parts.gnss,
                snapshot,
                clock,
                parts.limits,
                timing,
                stop,
                supervisor_pid,
                parts.pulse,
            )
            certificate = timing.certificate(report.as_dict())
            ended = LoopState.ENDED
        finally:
            status[Status.LOOP_STATE] = ended
    return {"outcome": outcome.as_dict(), "certificate": certificate}


def warm() -> None:
    """Compile what the cycle itself calls (not the plant) by calling it on stand-ins, so no tick has to."""
    frames = frame_buffer(1)
    with contextlib.closing(Snapshot.create(Sizes(2, 2, 2, 2))) as scratch:
        scratch.write_signals(0, np.zeros(len(SIGNALS)))
        scratch.write_frames(0, TX, frames, 0)
        scratch.write_event(0, 0, 0, 0.0, "")
        scratch.write_applied(0, Command.STOP, 0.0)
        scratch.write_gnss(0, b"$")
        scratch.post(Command.STOP)
        scratch.pop_command()
    timing = TimingAccounts([OutputSpec("gnss", GNSS, 1.0, 0)])
    timing.tick(0, 0)
    timing.frames(frames, 0, 0)
    timing.gnss(0, 0, 0, taken=True)
    timing.lateness_ns()
    BusWatch(BusRules(), np.zeros(1, np.int64)).frames(frames)
