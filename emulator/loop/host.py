"""What the loop asks of the operating system, and what it got.

Nothing here raises: a desk without privileges still runs, late and honestly so. Everything refused is
reported in words, with what to do about it, and goes into the run's timing certificate.
"""

from __future__ import annotations

import ctypes
import os
import signal
import struct
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from emulator.core.collector import stop_collector
from emulator.core.outside.c_library import c_call

IDLE_EXIT = "/dev/cpu_dma_latency"
"""The kernel's limit of idle states' exit latency; it holds while the file is open.

Source: the kernel's documentation, power/pm_qos_interface.
"""
# Numbers from the Linux headers: sys/mman.h, linux/prctl.h.
_MCL_CURRENT, _MCL_FUTURE = 1, 2
_PR_SET_PDEATHSIG, _PR_SET_TIMERSLACK = 1, 29


@dataclass
class HostReport:
    """What was obtained, what was refused (with advice), and what the host is like."""

    cpu: int | None = None
    priority: int = 0
    memory_locked: bool = False
    idle_exit_us: int | None = None
    garbage_collector_off: bool = False
    timer_slack_ns: int | None = None
    realtime_kernel: bool = False
    isolated_cpus: str = ""
    refused: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values."""
        return asdict(self)


def apply(
    cpu: int | None, priority: int, *, lock_memory: bool, idle_exit_us: int | None = None
) -> HostReport:
    """Pin this process, raise it, lock its memory, sharpen its timers and stop the garbage collector.

    cpu           core to run on; None leaves the choice to the kernel
    priority      1..99 for SCHED_FIFO, 0 for ordinary scheduling
    lock_memory   keep all pages in memory, now and later
    idle_exit_us  [us] longest that any core of this host may take to come back from idling, until this
                  process ends; None leaves it

    Call it last, when everything is built: compiling at real-time priority would starve the machine.
    """
    report = HostReport(
        realtime_kernel=_read("/sys/kernel/realtime") == "1",
        isolated_cpus=_read("/sys/devices/system/cpu/isolated"),
    )
    if cpu is not None:
        allowed = sorted(os.sched_getaffinity(0))
        if _tried(
            report,
            lambda: os.sched_setaffinity(0, {cpu}),
            f"core {cpu}",
            f"this process may use cores {allowed}: name one of them, or widen the container's cpuset",
        ):
            report.cpu = cpu
    if lock_memory:
        report.memory_locked = _tried(
            report,
            lambda: c_call("mlockall", _MCL_CURRENT | _MCL_FUTURE),
            "locked memory",
            "raise 'memlock' for the user in /etc/security/limits.conf (in a container: ulimits memlock; an "
            "added capability does nothing there for a user who is not root), or run as root",
        )
    if idle_exit_us is not None and _tried(
        report,
        lambda: _limit_idle_exit(idle_exit_us),
        f"{IDLE_EXIT} of {idle_exit_us} us",
        "let the user write it (emulator host --setup has a rule; in a container: devices), or run as root, "
        "or set loop.idle_exit_us: null; until then cores may sleep deeply, and wake late",
    ):
        report.idle_exit_us = idle_exit_us
    if _tried(report, lambda: _process_control(_PR_SET_TIMERSLACK, 1), "timer slack of 1 ns", ""):
        report.timer_slack_ns = 1
    report.garbage_collector_off = stop_collector()
    # Last of all: locking and collecting take long, and another loop on this core must not wait for them.
    if priority > 0 and _tried(
        report,
        lambda: os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority)),
        f"real-time priority {priority}",
        "set 'rtprio' for the user in /etc/security/limits.conf (in a container: ulimits rtprio; an added "
        "capability does nothing there for a user who is not root), or run as root; the range is 1 to 99",
    ):
        report.priority = priority
    return report


def die_with_parent(parent_pid: int, number: int = signal.SIGTERM) -> bool:
    """Have the kernel send this process a signal when its parent dies; False if it is dead already.

    The kernel means the parent's *thread* that started us: start processes from the main thread. The
    number of the parent is compared because it may have died before this call, which then would never fire.
    Where the kernel refuses, the cycle's own look at the parent's number still finds out within 8 ms.
    """
    _tried(
        HostReport(),
        lambda: _process_control(_PR_SET_PDEATHSIG, int(number)),
        "parent-death signal",
        "",
    )
    return os.getppid() == parent_pid


def _process_control(option: int, first: int) -> None:
    """Raises OSError if refused."""
    words = (ctypes.c_ulong(word) for word in (first, 0, 0, 0))  # it takes any number of them, as long ones
    c_call("prctl", option, *words)


def _limit_idle_exit(limit_us: int) -> None:
    """Raises OSError if refused; never closed, since the kernel forgets it then."""
    held = os.open(IDLE_EXIT, os.O_WRONLY)
    try:
        os.write(held, struct.pack("=i", limit_us))
    except OSError:
        os.close(held)
        raise


def _tried(report: HostReport, action: Callable[[], object], what: str, advice: str) -> bool:
    """True if the action worked; otherwise what was refused, and why, goes into the report."""
    try:
        action()
    except (OSError, ValueError, OverflowError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        report.refused.append(f"{what}: {reason}" + (f"; {advice}" if advice else ""))
        return False
    return True


def _read(path: str) -> str:
    try:
        return Path(path).read_text().strip()
    except OSError:
        return ""
