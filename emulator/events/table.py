"""The scenario's events as a compiled table: what waits, what is active now, and how strongly.

When an event starts is the business of :mod:`emulator.events.trigger`; what it does to the ride that of the
part of the plant it acts on.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import uniform

FAULT, GRIP, MARK, GUST, GEARBOX, GNSS, FRAME, ACTUATOR, BUS, RESTART = range(10)
"""Kinds of events."""
EVENT_NAMES = (
    *("fault", "grip", "mark", "gust", "gearbox", "gnss"),
    *("frame", "actuator", "bus", "restart"),
)
"""The same as scenario files name them."""

SHIFT_EFFECTS = ("missed", "false_neutral")
"""What a gearbox event does to gear changes."""

GNSS_EFFECTS = ("outage", "degraded", "multipath", "jump", "time_jump", "stale")
"""What a GNSS event does to the receiver: no signals; no better fix, fewer satellites; a bias that wanders or
stands; another position; another time; the same epoch again and again."""
OUTAGE, DEGRADED, MULTIPATH, JUMP, TIME_JUMP, STALE = range(len(GNSS_EFFECTS))

BUS_EFFECTS = ("bus_off", "overload")
"""What a bus event does: our controller is off the bus; frames that win the bus take a share of it."""
BUS_OFF, OVERLOAD = range(len(BUS_EFFECTS))

WAITING, ACTIVE, OVER = range(3)
"""States of an event."""

NOTHING, STARTED, ENDED, SPARED = range(4)
"""What :func:`advance` returns; SPARED: it was to start, but was not drawn to."""

NEVER = 1 << 62
"""A tick or a number of ticks that no ride reaches."""

EVENT_DTYPE = np.dtype(
    [
        ("kind", np.int64),
        ("triggered", np.int64),  # 1: its trigger says start
        ("duration", np.int64),  # [ticks]
        ("ramp", np.int64),  # [ticks] from nothing to full effect
        ("probability", np.float64),  # that it happens when it is triggered
        ("share", np.float64),  # of samples or frames it hits, each drawn
        ("on_ticks", np.float64),  # it comes and goes: so long live, so long not; 0: always live
        ("off_ticks", np.float64),
        ("drawn", np.int64),  # 1: these are means of exponential distributions
        ("repeats", np.int64),  # how often it comes again
        ("every", np.int64),  # [ticks] from start to start; 0: when its trigger says so again
        ("effect", np.int64),  # index into the effects of its kind
        ("signal", np.int64),  # output value acted on (fault), channel (actuator), sensor (restart)
        ("value", np.float64),  # parameter of the effect; NaN: not given
        ("low", np.float64),  # limits of a saturation
        ("high", np.float64),
        ("delay", np.int64),  # [samples] of a fault's delay
        ("delay_ticks", np.int64),  # the same for what happens every tick
        ("heading", np.float64),  # [rad] where gust or bias go to, from east, anticlockwise; NaN: drawn
        ("stream", np.int64),  # random stream of the effect
        ("chance", np.int64),  # of whether, which and how long
        ("from_m", np.float64),  # where a grip event acts; NaN: everywhere
        ("to_m", np.float64),
        ("left_m", np.float64),
        ("right_m", np.float64),
        ("edge_m", np.float64),
        ("best_fix", np.int64),  # best rank a GNSS event leaves (sensors.fix.RANKS)
        ("satellites", np.int64),  # satellites it takes away
        ("correlation", np.float64),  # [s] of a drawn bias
        # what it remembers
        ("state", np.int64),
        ("started", np.int64),  # tick it started at
        ("starts", np.int64),  # how often it did
        ("ends", np.int64),
        ("live", np.int64),  # 1: active, and not in a pause of an intermittent one
        ("turns", np.int64),  # tick at which live changes
        ("next", np.int64),  # tick it comes again at; NEVER: when triggered
        ("requested", np.int64),  # 1: somebody asked for it during the ride
        ("halted", np.int64),  # 1: somebody asked for its end
        ("holds", np.int64),  # 1: the value at onset is known
        ("held", np.float64),  # value at onset
        ("held_turning", np.float64),  # [m/s] the same of the ring behind the pulse frames
        ("wander", np.float64, (3,)),  # state of a drawn bias, unit variance
        ("wander_ns", np.int64),  # loop's time it was last moved at; -1: begins
        ("past_n", np.int64),  # samples in its part of the history
        ("past_turning_n", np.int64),
    ]
)
"""One event; a table holds them in the order of the scenario file, which is the order they act in."""

PAST = 1024
"""Samples a fault's delay can go back."""


def event_table(n: int) -> NDArray[np.void]:
    """(n,) events that wait, do nothing, and would last for ever."""
    table = np.zeros(n, EVENT_DTYPE)
    table["kind"], table["signal"] = MARK, -1
    table["duration"], table["next"] = NEVER, NEVER
    table["probability"] = table["share"] = 1.0
    table["started"], table["wander_ns"] = -1, -1
    for name in ("value", "low", "high", "heading", "held", "held_turning", "from_m"):
        table[name] = np.nan
    return table


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
def gust(e: Record, tick: int) -> float:
    """Speed [m/s] of an active gust: one wave of the cosine over its duration, 0 at both ends."""
    part = (tick - e.started) / max(1, e.duration)
    return float(e.value * 0.5 * (1.0 - math.cos(2.0 * math.pi * part)))


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
