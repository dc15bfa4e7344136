"""How an event of the compiled table goes on from tick to tick: it waits, is active, is over; how strongly.

When it starts is the business of :mod:`emulator.events.trigger`; what it does to the ride that of its family.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import uniform
from emulator.core.signals import TICK_NS

WAITING, ACTIVE, OVER = range(3)
"""States of an event."""

NOTHING, STARTED, ENDED, SPARED = range(4)
"""What :func:`advance` returns; SPARED: it was to start, but was not drawn to."""

NEVER = 1 << 62
"""A tick or a number of ticks that no ride reaches."""


def ticks(seconds: float) -> int:
    """The nearest whole number of ticks."""
    return round(seconds / (TICK_NS * 1e-9))


@jit
def _span(e: Record, mean: float, streams: NDArray[np.uint64]) -> int:
    """Ticks until an intermittent event turns; at least one."""
    ticks = -mean * math.log(uniform(streams, e.chance)) if e.drawn != 0 else mean
    return int(max(1.0, np.rint(ticks)))


@jit
def _end(e: Record) -> None:
    """Over, or waiting for the next time."""
    e.triggered = e.requested = e.halted = e.live = 0
    e.state = OVER
    if e.repeats > 0:
        e.repeats -= 1
        e.state = WAITING
        if e.every > 0:
            e.next = e.started + e.every


@jit
def advance(e: Record, tick: int, streams: NDArray[np.uint64]) -> int:
    """Move an event to scenario ``tick``; tells what happened to it in this tick."""
    if e.state == WAITING:
        if e.triggered == 0 and tick < e.next:
            return NOTHING
        e.started, e.next = tick, NEVER
        if e.probability < 1.0 and uniform(streams, e.chance) >= e.probability:
            _end(e)
            return SPARED
        e.state, e.live = ACTIVE, 1
        e.starts += 1
        e.holds = 0
        e.held = e.held_turning = np.nan
        e.wander_ns = -1
        e.turns = tick + _span(e, e.on_ticks, streams) if e.on_ticks > 0.0 else NEVER
        return STARTED
    if e.state == ACTIVE:
        if e.halted != 0 or tick - e.started >= e.duration:
            e.ends += 1
            _end(e)
            return ENDED
        if tick >= e.turns:
            e.live = 1 - e.live
            e.turns = tick + _span(e, e.on_ticks if e.live != 0 else e.off_ticks, streams)
    return NOTHING


@jit
def hits(e: Record, streams: NDArray[np.uint64]) -> bool:
    """Whether a live event hits this sample or frame; draws if it hits only a share of them."""
    return bool(e.live != 0 and (e.share >= 1.0 or uniform(streams, e.chance) < e.share))


@jit
def strength(e: Record, tick: int) -> float:
    """Ramp 0..1 of an active event."""
    if e.ramp <= 0:
        return 1.0
    return float(min(1.0, (tick - e.started) / e.ramp))


@jit
def raised_cosine(e: Record, tick: int) -> float:
    """Share 0..1 of an active event that grows over its ramp and is gone at its end, by half waves of cosine.

    The end of its duration also ends it where events no longer move, after the ride.
    """
    elapsed = tick - e.started
    nearest = max(0, min(elapsed, e.duration - elapsed))
    return float(0.5 * (1.0 - math.cos(math.pi * min(1.0, nearest / max(1, e.ramp)))))
