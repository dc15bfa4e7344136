"""What this host can promise: an inspection, and tests of how late a loop wakes here."""

from __future__ import annotations

import math
import multiprocessing
import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.core.errors import StartFailed
from emulator.core.signals import TICK_NS
from emulator.inspection.host_history import (
    BROKEN_RIDES,
    HOLE_us,
    HostPromise,
    HostTest,
    Standstills,
    machine_text,
    promise_of,
    standstills_of,
)
from emulator.inspection.wake_ups import be_busy, wake
from emulator.loop import host
from emulator.loop.machine import HostFinding, processor
from emulator.report.terminal_table import terminal_table

_SIGNS = {"good": ("✓", "green"), "poor": ("!", "yellow"), "plain": ("·", "")}


@dataclass(frozen=True)
class Lateness:
    """How late a bare loop woke; all [us].

    late_us   (n,) of each wake-up
    wakes     how many there were
    overruns  wakes later than a whole period: that many ticks or more were missed
    refused   what the host did not grant, with advice
    """

    late_us: NDArray[np.float64]
    wakes: int
    p50: float
    p99: float
    p999: float
    greatest: float
    overruns: int
    cpu: int | None
    priority: int
    idle_exit_us: int | None = None
    refused: tuple[str, ...] = ()


def measure_lateness(
    seconds: float, cpu: int | None, priority: int, spin_us: float, idle_exit_us: int | None
) -> Lateness:
    """Wake a process of its own every millisecond, as the loop does, and see how late it is.

    It works as long as a tick does, and every other core is busy for half of the time, as in a ride.

    cpu       core to run on; None: the highest this process may use, as ``auto`` does in a rig
    priority  of SCHED_FIFO, 0 for ordinary scheduling
    spin_us, idle_exit_us  as ``loop`` in a rig has them
    Raises StartFailed if the process ended without a result.
    """
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    cores = os.sched_getaffinity(0)
    core = max(cores) if cpu is None else cpu
    over = context.Event()
    busy = [context.Process(target=be_busy, args=(other, over)) for other in sorted(cores - {core})]
    for one in busy:
        one.start()
    asked = (there, round(seconds * 1e3), core, priority, spin_us, idle_exit_us)
    process = context.Process(target=wake, args=asked)
    process.start()
    there.close()
    try:
        late_us, granted = here.recv()
    except EOFError:
        raise StartFailed(
            "the process that should wake every millisecond ended without a result",
            advice="see whether something ends programs here (a memory limit, an operator)",
        ) from None
    finally:
        over.set()
        for one in (process, *busy):
            one.join()
        here.close()
    return summary(late_us, granted)


def summary(late_us: NDArray[np.float64], granted: host.HostReport) -> Lateness:
    """The figures of a test; late_us (n,) [us], at least one."""
    # nearest rank: a wake-up that came, not one between two
    ranks = np.quantile(late_us, (0.5, 0.99, 0.999, 1.0), method="inverted_cdf")
    p50, p99, p999, greatest = (float(rank) for rank in ranks)
    return Lateness(
        late_us=late_us,
        wakes=len(late_us),
        p50=p50,
        p99=p99,
        p999=p999,
        greatest=greatest,
        overruns=int(np.sum(late_us >= TICK_NS / 1e3)),
        cpu=granted.cpu,
        priority=granted.priority,
        idle_exit_us=granted.idle_exit_us,
        refused=tuple(granted.refused),
    )


def machine_of(late: Lateness, spin_us: float, findings: Sequence[HostFinding]) -> str:
    """What a test is about: another processor, kernel or setting is another machine, and begins anew."""
    return machine_text(
        {
            "processor": processor() or platform.machine(),
            "kernel": platform.release(),
            "cores": str(os.cpu_count()),
            "core": str(late.cpu),
            "priority": str(late.priority),
            "spin_us": f"{spin_us:g}",
            "idle_exit_us": str(late.idle_exit_us),
            **{f.topic: f.state for f in findings if f.topic in _SETTINGS},
        }
    )


_SETTINGS = ("kernel", "isolated cores", "frequency governor", "clock source", "real-time throttle")
"""Findings that decide how late a loop wakes; devices do not, permissions show in what was granted."""


def is_slow_to_wake(late: Lateness, spin_us: float) -> bool:
    """Whether a test says so little of what this core could do that one awake all along should follow."""
    return late.p99 >= _SLOW_us and spin_us < LONGEST_SPIN_us


def awake_words(late: Lateness, awake: Lateness) -> str:
    """What it helped to be awake as long ahead as a rig may ask for; one test beside one proves no cause."""
    ahead = f"{LONGEST_SPIN_us:g}"
    if awake.p99 > late.p99 / _HELPS:
        return f"Awake {ahead} us ahead it came no better this time."
    return (
        f"Awake {ahead} us ahead it came better this time: waking this core may be what takes long. "
        f"→ emulator host --spin-us {ahead} again, and if it stays so loop: {{spin_us: {ahead}}} in the rig, "
        "where the loop has a core of its own: it will have most of its time."
    )


LONGEST_SPIN_us = 800.0
"""Longest ``loop.spin_us`` of a rig."""
_SLOW_us, _HELPS = 10.0, 3.0
"""99 % of wake-ups later than that are worth a second test; p99 so many times smaller helps. Own choice."""


def promise_words(promise: HostPromise) -> str:
    """What a loop of 1 kHz can promise here, in a sentence or two."""
    if math.isfinite(promise.lateness_us):
        ages = (
            f"In {1.0 - BROKEN_RIDES:.0%} of rides 99 % of ticks come within "
            f"{promise.lateness_us / 1e3:g} ms of their time: closer than that no age can "
            "be promised (timing.age_p99_ms)."
        )
    else:
        ages = "More than 1 % of a ride's ticks may be 5 ms late: no age can be promised (timing.age_p99_ms)."
    hole_ms = HOLE_us / 1e3
    if promise.fit:
        return (
            f"{ages} Standstills of {hole_ms:g} ms are not proven to come oftener than once in ten minutes."
        )
    return (
        f"{ages} Standstills of {hole_ms:g} ms come oftener than once in ten minutes: rides will end as "
        "invalid by them (timing.hole_ms)."
    )


def standstill_words(holes: Standstills) -> str:
    """How many standstills were seen, and what follows: bounds of their rate, and rides that meet one."""
    return (
        f"standstills of {HOLE_us / 1e3:g} ms: {holes.seen}, so {_per_hour(holes.least)} to "
        f"{_per_hour(holes.most)} an hour (each bound with 95 % confidence); at least "
        f"{-math.expm1(-60.0 * holes.least):.0%} of rides of a minute meet one"
    )


def tables(
    findings: Sequence[HostFinding],
    late: Lateness,
    tests: Sequence[HostTest],
    spin_us: float,
    awake: Lateness | None = None,
) -> RenderableType:
    """All parts for a terminal; ``tests`` of this machine, the one just made last.

    spin_us  [us] that the test was awake ahead; ``awake`` the one that followed, LONGEST_SPIN_us ahead
    """
    rows = []
    for f in findings:
        sign, style = _SIGNS[f.state]
        advice = f.means + (f"\n→ {f.command}" if f.command and f.state != "good" else "")
        rows.append((Text(sign, style), f.topic, f.found, advice))
    table = terminal_table("This machine", ("", "what", "found", "means, and what to do"), rows)
    how = f"core {late.cpu}" if late.cpu is not None else "any core"
    how += f", FIFO {late.priority}" if late.priority else ", ordinary scheduling"
    heads = ("awake ahead", "p50", "p99", "p99.9", "max", "a tick late or more")
    figures = [
        (
            f"{ahead:g}",
            *(f"{v:.1f}" for v in (one.p50, one.p99, one.p999, one.greatest)),
            f"{one.overruns:,}",
        )
        for ahead, one in ((spin_us, late), (LONGEST_SPIN_us, awake))
        if one is not None
    ]
    title = f"Woken every millisecond, {late.wakes:,} times ({how}): late by / us"
    wake = terminal_table(title, heads, figures, right=heads)
    parts: list[RenderableType] = [table, wake]
    if awake is not None:
        parts.append(Text(awake_words(late, awake)))
    parts += [Text(f"refused: {line}", "yellow") for line in late.refused]
    holes = standstills_of(tests)
    since = (
        "this test alone" if len(tests) == 1 else f"{len(tests)} tests since {tests[0].made:%Y-%m-%d %H:%M}"
    )
    known = (
        f"known of it in this setting: {since}, {_duration(holes.seconds)} of wake-ups; "
        f"{standstill_words(holes)}"
    )
    return Group(*parts, Text(known), Text(promise_words(promise_of(tests)), "bold"))


def _duration(seconds: int) -> str:
    return (
        f"{seconds} s"
        if seconds < 120
        else f"{seconds / 60:.0f} min"
        if seconds < 7200
        else f"{seconds / 3600:.1f} h"
    )


def _per_hour(rate: float) -> str:
    return f"{rate * 3600.0:.2g}" if rate * 3600.0 < 10.0 else f"{rate * 3600.0:.0f}"
