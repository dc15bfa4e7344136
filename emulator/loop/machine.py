"""What a machine is like for a 1 kHz loop: kernel, cores, clocks, permissions, CAN and serial devices.

Only reads. Everything the kernel tells lies in files; ``root`` puts others in their place.
"""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple, TypeAlias

from emulator.loop.host import IDLE_EXIT
from emulator.loop.interrupts import FEW, Served, out_of_the_way, quieter, served

State: TypeAlias = Literal["good", "poor", "plain"]

_CAP_IPC_LOCK, _CAP_SYS_NICE = 14, 23  # linux/capability.h
_ARPHRD_CAN = 280  # linux/if_arp.h
_GOOD_CLOCKS = ("tsc", "arch_sys_counter", "kvm-clock")

_MODES = {
    "full": "preemptible (mode full)",
    "lazy": "preemptible (mode lazy)",
    "voluntary": "preemptible only where it offers it (mode voluntary)",
    "none": "not preemptible (mode none)",
}
"""Modes of a kernel whose preemption is chosen at its start."""


class HostFinding(NamedTuple):
    """One thing about the machine: what was found, whether that is good, what it means, what to do."""

    topic: str
    found: str
    state: State
    means: str = ""
    command: str = ""


def inspect(root: Path | str = "/", core: int | None = None) -> list[HostFinding]:
    """Everything about this machine that decides how punctual a loop on it can be.

    root  where ``proc``, ``sys`` and ``dev`` lie
    core  of the loop; None: the highest this process may use, as ``auto`` does in a rig
    """
    base = Path(root)
    cores = os.sched_getaffinity(0)
    loop = max(cores) if core is None else core
    by_core = served(cores | {loop}, base)
    of_cores = partial(_cores, loop, by_core), partial(_interrupts, loop, by_core)
    topics = (_kernel, *of_cores, _governor, _clock, _throttle)
    return [finding for topic in (*topics, _permissions, _idle, _can, _serial) for finding in topic(base)]


def processor(root: Path | str = "/") -> str:
    """The processor's name as the kernel tells it; empty where it tells none."""
    lines = _read(Path(root) / "proc/cpuinfo").splitlines()
    return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "")


def _read(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _kernel(base: Path) -> Iterator[HostFinding]:
    version = _read(base / "proc/version")
    release = " ".join(version.split()[:3]) or "unknown"
    if _read(base / "sys/kernel/realtime") == "1" or "PREEMPT_RT" in version:
        yield HostFinding("kernel", f"{release}, fully preemptible", "good")
    else:
        yield HostFinding(
            "kernel",
            f"{release}, {_preemption(base, version)}",
            "poor",
            "the kernel's own work can hold the loop up, by a millisecond now and then",
            "apt install linux-image-rt-amd64 && reboot",
        )
    if " hypervisor" in _read(base / "proc/cpuinfo"):
        yield HostFinding(
            "hypervisor",
            "this is a virtual machine",
            "poor",
            "the hypervisor may stop all of it for milliseconds, and nothing in here can prevent that",
            "use a machine of its own for the bench",
        )


def _preemption(base: Path, version: str) -> str:
    """How far a kernel without real time lets itself be interrupted, as far as it tells.

    One of PREEMPT_DYNAMIC is told its mode at its start and may be told another later. Which one is in force
    stands, in brackets, in a file that at most root reads. The command line says what it was started with,
    the last word counting. Without either it is the one that it was built with, which nothing tells.
    Source: the kernel's own parameter list ("preempt=") and its scheduler's debug file, from memory.
    """
    if "PREEMPT_DYNAMIC" not in version:
        return "preemptible" if "PREEMPT" in version else "not preemptible"
    _, _, chosen = _read(base / "sys/kernel/debug/sched/preempt").partition("(")
    mode, _, _ = chosen.partition(")")
    if mode:
        return _MODES.get(mode, f"preemption mode {mode}")
    options = [
        o for o in _read(base / "proc/cmdline").partition(" -- ")[0].split() if o.startswith("preempt=")
    ]
    asked = options[-1].partition("=")[2] if options else ""
    if asked:
        return f"{_MODES.get(asked, f'preemption mode {asked}')}, as it was started"
    return "preemptible or not: chosen at its start, and not told here"


def _cores(loop: int, by_core: Mapping[int, Served], base: Path) -> Iterator[HostFinding]:
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        yield HostFinding(
            "cores",
            f"core {cores[0]} only",
            "poor",
            "robot, recorder and loop share it and wait for each other",
            "give the machine, the container (cpuset) or the shell (taskset) at least two",
        )
    else:
        yield HostFinding("cores", f"{len(cores)} to use: {_ranges(cores)}", "good")
    isolated = _read(base / "sys/devices/system/cpu/isolated")
    if isolated:
        yield HostFinding("isolated cores", isolated, "good", "name one of them in the rig (loop.cpu)")
    else:
        one = out_of_the_way(loop, by_core)
        yield HostFinding(
            "isolated cores",
            "none",
            "poor",
            "other programs are put on the loop's core, too",
            f"add isolcpus={one} nohz_full={one} rcu_nocbs={one} to the kernel's command line and reboot; "
            f"then loop: {{cpu: {one}}} in the rig",
        )


def _ranges(numbers: list[int]) -> str:
    """Rising numbers as in 0-3,6."""
    parts: list[list[int]] = []
    for n in numbers:
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    return ",".join(str(p[0]) if len(p) == 1 else f"{p[0]}-{p[-1]}" for p in parts)


def _interrupts(core: int, by_core: Mapping[int, Served], _base: Path) -> Iterator[HostFinding]:
    if core not in by_core:
        return
    here, better = by_core[core], quieter(core, by_core)
    found = f"core {core}: {here.a_second:.0f} a second since the start"
    if here.a_second < FEW:
        yield HostFinding("devices' interrupts", found, "good")
        return
    found += f", most for {here.most}"
    means = "each takes the core from the loop, for ten microseconds and more"
    if better is None:
        yield HostFinding("devices' interrupts", found, "plain", f"{means}; no other core has far fewer")
    elif here.movable:
        command = f"echo {better} > /proc/irq/{here.number}/smp_affinity_list (as root, after each start)"
        yield HostFinding("devices' interrupts", found, "poor", means, command)
    else:
        means += (
            f"; their driver keeps them there, and core {better} has {by_core[better].a_second:.0f} a second"
        )
        yield HostFinding("devices' interrupts", found, "poor", means, f"loop: {{cpu: {better}}} in the rig")


def _governor(base: Path) -> Iterator[HostFinding]:
    paths = sorted((base / "sys/devices/system/cpu").glob("cpu[0-9]*/cpufreq/scaling_governor"))
    kinds = sorted({_read(path) for path in paths} - {""})
    if not kinds:
        yield HostFinding(
            "frequency governor", "none", "plain", "the frequency is not the kernel's to choose"
        )
    elif kinds == ["performance"]:
        yield HostFinding("frequency governor", "performance", "good")
    else:
        yield HostFinding(
            "frequency governor",
            ", ".join(kinds),
            "poor",
            "a core that slept wakes slowly and computes slowly at first",
            "cpupower frequency-set --governor performance",
        )


def _clock(base: Path) -> Iterator[HostFinding]:
    folder = base / "sys/devices/system/clocksource/clocksource0"
    source = _read(folder / "current_clocksource") or "unknown"
    if source in _GOOD_CLOCKS:
        yield HostFinding("clock source", source, "good")
    else:
        yield HostFinding(
            "clock source",
            source,
            "poor",
            "reading the time takes a microsecond or more, and every tick reads it often",
            f"echo tsc > /sys/devices/system/clocksource/clocksource0/current_clocksource (offered: "
            f"{_read(folder / 'available_clocksource') or 'unknown'})",
        )


def _throttle(base: Path) -> Iterator[HostFinding]:
    runtime, period = (_read(base / f"proc/sys/kernel/sched_rt_{name}_us") for name in ("runtime", "period"))
    if runtime.isdecimal() and period.isdecimal() and int(runtime) < int(period):
        yield HostFinding(
            "real-time throttle",
            f"{int(runtime) / int(period):.0%} of the time",
            "plain",
            "far more than the loop needs; it guards the machine against a loop gone wild",
        )
    elif runtime:
        yield HostFinding(
            "real-time throttle", "off", "plain", "a loop gone wild would take the core for good"
        )


def _permissions(base: Path) -> Iterator[HostFinding]:
    status = _read(base / "proc/self/status")
    effective = next((line.split()[1] for line in status.splitlines() if line.startswith("CapEff")), "0")
    capabilities = int(effective, 16)
    most = resource.getrlimit(resource.RLIMIT_RTPRIO)[0]
    if capabilities >> _CAP_SYS_NICE & 1 or most != 0:
        yield HostFinding("real-time priority", "allowed", "good")
    else:
        yield HostFinding(
            "real-time priority",
            "refused",
            "poor",
            "every other program may go before the loop",
            "add '@bench - rtprio 95' to /etc/security/limits.d/bench.conf and log in again, or run as root",
        )
    locked = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0]
    if capabilities >> _CAP_IPC_LOCK & 1 or locked == resource.RLIM_INFINITY:
        yield HostFinding("locked memory", "allowed", "good")
    else:
        yield HostFinding(
            "locked memory",
            f"at most {locked // 1024} KiB",
            "poor",
            "a page that went to the disk stalls the loop until it is back",
            "add '@bench - memlock unlimited' to /etc/security/limits.d/bench.conf and log in again",
        )


def _idle(base: Path) -> Iterator[HostFinding]:
    limit = base / IDLE_EXIT.lstrip("/")
    if not limit.exists():
        yield HostFinding(
            "idle cores",
            "not to be limited",
            "plain",
            f"there is no {IDLE_EXIT}: cores sleep as the host has it",
        )
    elif os.access(limit, os.W_OK):
        yield HostFinding("idle cores", "may be kept awake", "good")
    else:
        yield HostFinding(
            "idle cores",
            f"{IDLE_EXIT}: refused",
            "poor",
            "a core that sleeps deeply wakes late, and so does the loop",
            "the udev rule of emulator host --setup, or run as root",
        )


def _can(base: Path) -> Iterator[HostFinding]:
    folder = base / "sys/class/net"
    interfaces = [
        (path.name, _read(path / "operstate") or "unknown")
        for path in (sorted(folder.iterdir()) if folder.is_dir() else [])
        if _read(path / "type") == str(_ARPHRD_CAN)
    ]
    if not interfaces:
        yield HostFinding(
            "CAN interfaces",
            "none",
            "plain",
            "rigs with bus: {kind: loopback} or serial still work",
            "ip link add dev vcan0 type vcan && ip link set vcan0 up (needs the kernel's vcan module)",
        )
    for name, state in interfaces:
        # a virtual interface knows no other state than unknown
        if state == "down":
            yield HostFinding(
                f"CAN interface {name}",
                "down",
                "poor",
                "no frame passes",
                f"ip link set {name} up type can bitrate 500000",
            )
        else:
            yield HostFinding(f"CAN interface {name}", "up", "good")


def _serial(base: Path) -> Iterator[HostFinding]:
    folder = base / "dev"
    for path in sorted([*folder.glob("ttyUSB*"), *folder.glob("ttyACM*")]):
        if os.access(path, os.R_OK | os.W_OK):
            yield HostFinding(f"serial {path.name}", "may be used", "good")
        else:
            yield HostFinding(
                f"serial {path.name}",
                "not for this user",
                "poor",
                "neither an adapter nor a GNSS line can be opened there",
                "usermod --append --groups dialout $USER, and log in again",
            )
