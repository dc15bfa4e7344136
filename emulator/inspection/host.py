"""What this host can promise: an inspection, and a test of how late a loop wakes here."""

from __future__ import annotations

import math
import multiprocessing
import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.core.clock import MonotonicClock
from emulator.core.errors import StartFailed
from emulator.core.signals import TICK_NS
from emulator.loop import host
from emulator.loop.machine import HostFinding
from emulator.report.terminal_table import terminal_table

_SHARP_us = 50.0
_SIGNS = {"good": ("✓", "green"), "poor": ("!", "yellow"), "plain": ("·", "")}


@dataclass(frozen=True)
class Lateness:
    """How late a bare loop woke; all [us].

    wakes     how many there were
    overruns  wakes later than a whole period: that many ticks or more were missed
    refused   what the host did not grant, with advice
    """

    wakes: int
    p50: float
    p99: float
    p999: float
    greatest: float
    overruns: int
    cpu: int | None
    priority: int
    refused: tuple[str, ...] = ()


def measure_lateness(seconds: float, cpu: int | None, priority: int, spin_us: float) -> Lateness:
    """Wake a process of its own every millisecond, as the loop does, and see how late it is.

    cpu       core to run on; None: the highest this process may use, as ``auto`` does in a rig
    priority  of SCHED_FIFO, 0 for ordinary scheduling
    Raises StartFailed if the process ended without a result.
    """
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    core = max(os.sched_getaffinity(0)) if cpu is None else cpu
    process = context.Process(target=_wake, args=(there, round(seconds * 1e3), core, priority, spin_us))
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
        process.join()
        here.close()
    return summary(late_us, granted)


def summary(late_us: NDArray[np.float64], granted: host.HostReport) -> Lateness:
    """The figures of a test; late_us (n,) [us], at least one."""
    # nearest rank: a wake-up that came, not one between two
    ranks = np.quantile(late_us, (0.5, 0.99, 0.999, 1.0), method="inverted_cdf")
    p50, p99, p999, greatest = (float(rank) for rank in ranks)
    return Lateness(
        wakes=len(late_us),
        p50=p50,
        p99=p99,
        p999=p999,
        greatest=greatest,
        overruns=int(np.sum(late_us >= TICK_NS / 1e3)),
        cpu=granted.cpu,
        priority=granted.priority,
        refused=tuple(granted.refused),
    )


def _wake(pipe, ticks: int, cpu: int, priority: int, spin_us: float) -> None:  # type: ignore[no-untyped-def]
    late = np.zeros(max(1, ticks))
    granted = host.apply(cpu, priority, lock_memory=True)
    clock = MonotonicClock(round(spin_us * 1e3))
    deadline = clock.now_ns() + 10 * TICK_NS
    for n in range(len(late)):
        late[n] = (clock.sleep_until(deadline) - deadline) * 1e-3
        deadline += TICK_NS
        if late[n] >= TICK_NS * 1e-3:  # what was missed is not waited for
            deadline += int(late[n] * 1e3) // TICK_NS * TICK_NS
    pipe.send((late, granted))
    pipe.close()


def promise(late: Lateness) -> str:
    """What a loop of 1 kHz can promise here, in a sentence or two."""
    worst_ms = late.greatest / 1e3
    if late.overruns:
        return (
            f"Not punctual: {late.overruns} of {late.wakes:,} wake-ups ({late.overruns / late.wakes:.2%}) "
            f"came a whole tick or more late, at worst {worst_ms:.1f} ms. Runs with hardware will end as "
            "invalid now and then; a limit below that in the rig (limits.overrun_limit_ms) would trip."
        )
    if late.p999 <= _SHARP_us and late.greatest <= 5 * _SHARP_us:
        return (
            f"Punctual: 99.9 % of wake-ups within {late.p999:.0f} us, the worst {late.greatest:.0f} us. "
            "Latencies of a millisecond can be kept to a tenth."
        )
    return (
        f"Fairly punctual: 99.9 % of wake-ups within {late.p999:.0f} us, the worst {late.greatest:.0f} us, "
        f"none a whole tick late. Promise ages to {math.ceil(10 * worst_ms) / 10:.1f} ms "
        "(timing.age_p99_ms), not closer."
    )


def tables(findings: list[HostFinding], late: Lateness) -> RenderableType:
    """Both parts for a terminal."""
    rows = []
    for f in findings:
        sign, style = _SIGNS[f.state]
        advice = f.means + (f"\n→ {f.command}" if f.command and f.state != "good" else "")
        rows.append((Text(sign, style), f.topic, f.found, advice))
    table = terminal_table("This machine", ("", "what", "found", "means, and what to do"), rows)
    how = f"core {late.cpu}" if late.cpu is not None else "any core"
    how += f", FIFO {late.priority}" if late.priority else ", ordinary scheduling"
    heads = ("p50", "p99", "p99.9", "max", "a tick late or more")
    figures = (*(f"{v:.1f}" for v in (late.p50, late.p99, late.p999, late.greatest)), f"{late.overruns:,}")
    title = f"Woken every millisecond, {late.wakes:,} times ({how}): late by / us"
    wake = terminal_table(title, heads, [figures], right=heads)
    parts: list[RenderableType] = [table, wake]
    parts += [Text(f"refused: {line}", "yellow") for line in late.refused]
    return Group(*parts, Text(promise(late), "bold"))
