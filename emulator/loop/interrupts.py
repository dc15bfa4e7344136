"""Which cores serve a machine's devices: each interrupt takes its core from whatever runs there, a loop at
any priority, too.

Source: proc(5), ``/proc/interrupts``; Linux kernel documentation, SMP IRQ affinity (``/proc/irq``).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import NamedTuple

FEW = 10.0
"""Interrupts a second that nobody needs to move: at some 20 us each a loop of 1 kHz has one tick in 5,000
begin late by them. Own choice."""


class Served(NamedTuple):
    """What one core has done for devices since the machine started.

    a_second  interrupts, on average
    most      the device with most of them, as the kernel names it; empty without any
    number    of that device's interrupt
    movable   whether root may have another core serve it; some drivers decide for themselves
    """

    a_second: float
    most: str
    number: int
    movable: bool


def served(cores: Collection[int], root: Path | str = "/") -> dict[int, Served]:
    """By core, of those of ``cores`` that the kernel tells of; empty where it tells nothing.

    root  where ``proc`` lies
    """
    base = Path(root) / "proc"
    try:
        since_boot_s = float((base / "uptime").read_text().split()[0])
        lines = (base / "interrupts").read_text().splitlines()
    except OSError:
        return {}
    columns = {int(head.removeprefix("CPU")): i for i, head in enumerate(lines[0].split(), start=1)}
    found = {}
    for core in sorted(set(cores) & set(columns)):
        # a number before the colon is a device's; the kernel's own (timer, calls between cores) have names
        each = [
            (int(words[columns[core]]), _device(words[1 + len(columns) :]), int(words[0][:-1]))
            for words in map(str.split, lines[1:])
            if len(words) > len(columns) and words[0][:-1].isdecimal()
        ]
        count, most, number = max(each, default=(0, "", -1))
        movable = number >= 0 and _root_may_write(base / f"irq/{number}/smp_affinity_list")
        total = sum(count for count, _, _ in each)
        found[core] = Served(total / since_boot_s, most if count else "", number, movable)
    return found


def quieter(core: int, by_core: Mapping[int, Served]) -> int | None:
    """Core with the fewest interrupts, if it has less than half of ``core``'s; else None."""
    least = min(by_core, key=lambda other: by_core[other].a_second)
    return least if by_core[least].a_second < by_core[core].a_second / 2.0 else None


def out_of_the_way(core: int, by_core: Mapping[int, Served]) -> int:
    """``core``, or the one to go to where many interrupts come there that cannot be moved."""
    here = by_core.get(core)
    if here is None or here.a_second < FEW or here.movable:
        return core
    better = quieter(core, by_core)
    return core if better is None else better


def _device(words: list[str]) -> str:
    """Behind the controller and the kind of signal, as in ``PCI-MSIX-0000:00:02.0 1-edge name``."""
    kinds = [i for i, word in enumerate(words) if word.lower().endswith(("edge", "level", "eoi"))]
    return " ".join(words[kinds[0] + 1 :] if kinds else words[-1:])


def _root_may_write(path: Path) -> bool:
    # asked of the file itself, since root is let through by the permissions and refused by the kernel
    return path.exists() and bool(path.stat().st_mode & 0o200)
