"""When events start: conditions that compose, as a compiled table of nodes.

A node is met once; from then on it stays met, and so many ticks of delay later it is *done* and counts for
the node above it. The node that stands above all others of an event starts that event. Nodes stand in the
table below their parents' places, children first, so one pass a tick carries everything up.

Signals and other events are those of the tick before: an event that waits for another's start begins one
tick after it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

AT_TICK, AT_STATION, CROSSING, EVENT_STARTED, EVENT_ENDED, ON_REQUEST, SOME_OF = range(7)
"""Kinds of nodes: a time; a station passed; a signal that crosses a level; another event's start or end;
being requested during the ride; so many of its children (one: first of; as many as there are: all of)."""

TRIGGER_DTYPE = np.dtype(
    [
        ("kind", np.int64),
        ("event", np.int64),  # the event it belongs to
        ("parent", np.int64),  # node above, -1: it starts the event
        ("need", np.int64),  # children that have to be done
        ("tick", np.int64),
        ("station", np.float64),  # [m] laps added up
        ("lap", np.float64),  # [m] added when it is to be met again
        ("signal", np.int64),  # column of the recorded signals
        ("sign", np.float64),  # 1: upwards, -1: downwards
        ("level", np.float64),
        ("hysteresis", np.float64),  # how far back it has to have been before
        ("other", np.int64),  # event waited for
        ("delay", np.int64),  # [ticks]
        # what it remembers
        ("ready", np.int64),  # the signal was on the other side
        ("since", np.int64),  # tick it was met in
        ("met", np.int64),
        ("met_children", np.int64),
        ("seen", np.int64),  # starts or ends of the other event that count no more
        ("done", np.int64),
    ]
)


@jit
def evaluate(
    triggers: NDArray[np.void],
    events: NDArray[np.void],
    tick: int,
    station: float,
    row: NDArray[np.float64],
) -> None:
    """One tick of all conditions: ``events[i].triggered`` is set where they are met.

    tick     scenario tick
    station  [m]  of the bike, laps added up
    row      (len(SIGNALS),) recorded signals of the tick before
    """
    for k in range(triggers.shape[0]):
        t = triggers[k]
        if t.done != 0:
            continue
        if t.met == 0:
            if t.kind == AT_TICK:
                t.met = 1 if tick >= t.tick else 0
            elif t.kind == AT_STATION:
                t.met = 1 if station >= t.station else 0
            elif t.kind == CROSSING:
                value = t.sign * row[t.signal]  # comparisons with NaN are false
                if t.ready == 0:
                    t.ready = 1 if value < t.sign * t.level - t.hysteresis else 0
                elif value >= t.sign * t.level:
                    t.met = 1
            elif t.kind == EVENT_STARTED:
                t.met = 1 if events[t.other].starts > t.seen else 0
            elif t.kind == EVENT_ENDED:
                t.met = 1 if events[t.other].ends > t.seen else 0
            elif t.kind == ON_REQUEST:
                t.met = 1 if events[t.event].requested != 0 else 0
            else:
                t.met = 1 if t.met_children >= t.need else 0
            t.since = tick
        if t.met != 0 and tick - t.since >= t.delay:
            t.done = 1
            if t.parent < 0:
                events[t.event].triggered = 1
            else:
                triggers[t.parent].met_children += 1


@jit
def again(triggers: NDArray[np.void], events: NDArray[np.void], i: int) -> None:
    """Event ``i`` waits for its conditions anew: stations a lap on, crossings from the other side again.

    A time that has passed stays met.
    """
    for k in range(triggers.shape[0]):
        t = triggers[k]
        if t.event != i:
            continue
        if t.kind == AT_STATION:
            t.station += t.lap
        elif t.kind == EVENT_STARTED:
            t.seen = events[t.other].starts
        elif t.kind == EVENT_ENDED:
            t.seen = events[t.other].ends
        t.met = t.done = t.ready = t.met_children = 0
