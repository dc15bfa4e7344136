"""The scenario's events as one compiled table: which kinds there are, and what a row of them holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.events import (
    actuator_faults,
    bus_faults,
    frame_faults,
    gearbox_faults,
    gnss_faults,
    marks,
    power_faults,
    sample_faults,
    surface_events,
    unit_faults,
)
from emulator.events.declaration import Column, EventKind
from emulator.events.progress import NEVER

KINDS: tuple[EventKind, ...] = (
    sample_faults.KIND,
    frame_faults.KIND,
    actuator_faults.KIND,
    bus_faults.KIND,
    power_faults.KIND,
    surface_events.GRIP_KIND,
    surface_events.GUST_KIND,
    gearbox_faults.KIND,
    gnss_faults.KIND,
    marks.KIND,
    unit_faults.KIND,
)
"""Every kind of event; the index is its number in the table."""
FAULT, FRAME, ACTUATOR, BUS, RESTART, GRIP, GUST, GEARBOX, GNSS, MARK, ELECTRONICS = range(len(KINDS))
KIND_OF_NAME = {kind.name: kind for kind in KINDS}
"""The same as scenario files name them."""

_COMMON = (
    Column("kind", np.int64, MARK),
    Column("triggered", np.int64),  # 1: its trigger says start
    Column("duration", np.int64, NEVER),  # [ticks]
    Column("ramp", np.int64),  # [ticks] from nothing to full effect
    Column("probability", np.float64, 1.0),  # that it happens when it is triggered
    Column("share", np.float64, 1.0),  # of samples or frames it hits, each drawn
    Column("on_ticks", np.float64),  # it comes and goes: so long live, so long not; 0: always live
    Column("off_ticks", np.float64),
    Column("drawn", np.int64),  # 1: these are means of exponential distributions
    Column("repeats", np.int64),  # how often it comes again
    Column("every", np.int64),  # [ticks] from start to start; 0: when its trigger says so again
    Column("effect", np.int64),  # index into the effects of its kind
    Column("signal", np.int64, -1),  # what it acts on: output value, channel, device, identifier
    Column("value", np.float64, np.nan),  # parameter of the effect; NaN: not given
    Column("heading", np.float64, np.nan),  # [rad] from east, anticlockwise: where gust or bias go to
    Column("stream", np.int64),  # random stream of the effect
    Column("chance", np.int64),  # of whether, which and how long
    # what it remembers
    Column("state", np.int64),
    Column("started", np.int64, -1),  # tick it started at
    Column("starts", np.int64),  # how often it did
    Column("ends", np.int64),
    Column("live", np.int64),  # 1: active, and not in a pause of an intermittent one
    Column("turns", np.int64),  # tick at which live changes
    Column("next", np.int64, NEVER),  # tick it comes again at; NEVER: when triggered
    Column("requested", np.int64),  # 1: somebody asked for it during the ride
    Column("halted", np.int64),  # 1: somebody asked for its end
    Column("holds", np.int64),  # 1: the value at onset is known
    Column("held", np.float64, np.nan),  # value at onset
    Column("held_turning", np.float64, np.nan),  # [m/s] the same of the ring behind the pulse frames
    Column("wander_ns", np.int64, -1),  # loop's time a drawn bias was last moved at; -1: begins
)
_COLUMNS = (*_COMMON, *(column for kind in KINDS for column in kind.columns))
EVENT_DTYPE = np.dtype([(c.name, c.type, c.shape) for c in _COLUMNS])
"""One event; a table holds them in the order of the scenario file, which is the order they act in."""


def event_table(n: int) -> NDArray[np.void]:
    """(n,) events that wait, do nothing, and would last for ever."""
    table = np.zeros(n, EVENT_DTYPE)
    for column in _COLUMNS:
        table[column.name] = column.initial
    return table
