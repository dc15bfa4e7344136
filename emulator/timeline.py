"""The scenario's events as a compiled table: what starts when, and what is active now."""

from __future__ import annotations

import math

import numpy as np

from emulator.compiled import Record, jit

FAULT, GRIP, MARK, GUST, GEARBOX, GNSS = range(6)
"""Kinds of events."""

SHIFT_EFFECTS = ("missed", "false_neutral")
"""What a gearbox event does to gear changes."""

GNSS_EFFECTS = ("outage", "degraded", "multipath")
"""What a GNSS event does to the receiver: no signals; no better fix, fewer satellites; a bias."""
MULTIPATH = GNSS_EFFECTS.index("multipath")

WAITING, ACTIVE, OVER = range(3)
"""States of an event."""

EVENT_DTYPE = np.dtype(
    [
        ("kind", np.int64),
        ("at_tick", np.int64),  # start by scenario tick, or -1
        ("at_station", np.float64),  # [m] start when the bike passes it, laps added up; NaN if by tick
        ("duration", np.int64),  # [ticks]
        ("ramp", np.int64),  # [ticks] from nothing to full effect
        ("effect", np.int64),  # index into faults.sample.EFFECTS, SHIFT_EFFECTS (gearbox) or GNSS_EFFECTS
        ("signal", np.int64),  # index of the output value acted on (faults)
        ("value", np.float64),  # parameter of the effect, the grip factor, the gust's speed [m/s], a bias [m]
        ("heading", np.float64),  # [rad] where gust or bias go to, from east, anticlockwise; NaN: drawn
        ("stream", np.int64),  # random stream
        ("state", np.int64),
        ("started", np.int64),  # tick it started at
        ("held", np.float64),  # clean value at onset; NaN until the signal was sampled
        ("best_fix", np.int64),  # best rank a GNSS event leaves (sensors.fix.RANKS)
        ("satellites", np.int64),  # satellites it takes away
        ("correlation", np.float64),  # [s] of a drawn bias
        ("wander", np.float64, (3,)),  # its state, unit variance
        ("wander_ns", np.int64),  # loop's time it was last moved at; -1: begins
        ("held_turning", np.float64),  # [m/s] the same of the ring behind the pulse frames
    ]
)
"""One event; a table holds them in the order of the scenario file, which is the order they act in."""


@jit
def advance(e: Record, tick: int, station: float) -> int:
    """Move an event to scenario ``tick`` and ``station`` [m]; 1 if it started now, -1 if it ended, else 0."""
    if e.state == WAITING:
        # comparisons with NaN are false
        if (e.at_tick >= 0 and tick >= e.at_tick) or station >= e.at_station:
            e.state = ACTIVE
            e.started = tick
            return 1
    elif e.state == ACTIVE and tick >= e.started + e.duration:
        e.state = OVER
        return -1
    return 0


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
def swell(e: Record, tick: int) -> float:
    """Share 0..1 of an active event that grows over its ramp and is gone at its end, by half waves of cosine.

    The end of its duration also ends it where events no longer move, after the ride.
    """
    elapsed = tick - e.started
    nearest = max(0, min(elapsed, e.duration - elapsed))
    return float(0.5 * (1.0 - math.cos(math.pi * min(1.0, nearest / max(1, e.ramp)))))
