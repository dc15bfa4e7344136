"""The GNSS receiver's mouth: the epoch that is due, as NMEA sentences, and when they are handed over."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import UNTIMED
from emulator.core.signals import (
    TICK_NS,
    V_GNSS_COURSE,
    V_GNSS_FIX,
    V_GNSS_IN_USE,
    V_GNSS_SATELLITES,
    V_GNSS_SPEED,
    V_GNSS_X,
    V_GNSS_Y,
    V_GNSS_Z,
)
from emulator.events.frame_faults import GNSS_LINE, burst_faults
from emulator.events.progress import NEVER
from emulator.sensors.burst_line import NOTHING, BurstLine, next_ns, pop, put
from emulator.sensors.gnss_fix import dilution_factor
from emulator.wire.geodesy import Frame, enu_to_geodetic
from emulator.wire.nmea import LONGEST_BURST, encode
from emulator.wire.utc import day_and_time


class ReceiverConfig(NamedTuple):
    """What a receiver says besides its measurements.

    satellites         in use when nothing is in the way; dilutions and sigmas are those of so many
    hdop, vdop         dilutions; vdop NaN: not said
    sigma_m            (Q, 2) one sigma it states for east and north, and for up, by the quality it has
    sentences          as ``wire.nmea.chosen`` gives them
    separation_m       mean sea level above the ellipsoid
    corrections_age_s  least age of corrections; they come with each second of UTC
    station            where they come from
    leap_ms            when a leap second begins, as in ``wire.utc``
    """

    satellites: int
    hdop: float
    vdop: float
    sigma_m: NDArray[np.float64]
    sentences: int
    separation_m: float
    corrections_age_s: float
    station: int
    leap_ms: int


START_ns, LINE_ns, VALID_ns = range(3)
"""Elements of ``Receiver.taken``: when the burst was due to be handed over, how long it is on the line, its
time of validity or UNTIMED; scenario time."""


class Receiver(NamedTuple):
    """The receiver behind its delay line.

    config, frame  see :func:`sentences`
    utc_ns    of scenario time 0, since 1970-01-01
    lead_ns   how much earlier than due the delay line releases an epoch
    line      what its bursts are handed to
    written   (LONGEST_BURST,)  room for the sentences of an epoch
    burst     (LONGEST_BURST,)  those last taken
    taken     (3,)              START_ns, LINE_ns, VALID_ns of them
    """

    config: ReceiverConfig
    frame: Frame
    utc_ns: int
    lead_ns: int
    line: BurstLine
    written: NDArray[np.uint8]
    burst: NDArray[np.uint8]
    taken: NDArray[np.int64]


def receiver(config: ReceiverConfig, frame: Frame, utc_ns: int, lead_ns: int, line: BurstLine) -> Receiver:
    """One that has sent nothing yet."""
    written, burst = np.zeros((2, LONGEST_BURST), np.uint8)
    return Receiver(config, frame, utc_ns, lead_ns, line, written, burst, np.zeros(3, np.int64))


@jit
def take_burst(
    r: Receiver,
    run: NDArray[np.void],
    memory: NDArray[np.void],
    frame_faults: NDArray[np.void],
    events: NDArray[np.void],
    streams: NDArray[np.uint64],
) -> int:
    """The burst to hand to the link in the tick just computed, into ``r.burst``; its length, 0: none.

    The others are the plant's. What is asked for twice in a tick is there once.
    """
    w = run[0]
    ready = w.gnss_ready
    if ready == 0:
        return 0
    w.gnss_ready = 0
    tick = w.tick - 1  # run.tick is one ahead of the tick that was computed
    shift_ns = (tick - w.scenario_tick) * TICK_NS
    line = r.line
    if ready & 1:
        reported_ns = w.gnss_reported_ns + w.gnss_time_shift_ns
        length = sentences(memory[0].gnss, r.utc_ns + reported_ns - shift_ns, r.frame, r.config, r.written)
        due_ns = w.gnss_due_ns + r.lead_ns
        copies, delay = burst_faults(w, frame_faults, events, streams, GNSS_LINE, r.written, length)
        for copy in range(copies):
            untimed = copy > 0 or delay > 0
            put(line, r.written, length, due_ns + delay * TICK_NS, UNTIMED if untimed else w.gnss_valid_ns)
    row = pop(line, tick * TICK_NS)
    following = next_ns(line, NEVER)
    w.gnss_held_tick = NEVER if following == NEVER else max(tick + 1, -(-following // TICK_NS))
    if row == NOTHING:
        return 0
    r.taken[START_ns], r.taken[LINE_ns] = line.start_ns[row] - shift_ns, line.line_ns[row]
    valid_ns = line.valid_ns[row]
    r.taken[VALID_ns] = UNTIMED if valid_ns == UNTIMED else valid_ns - shift_ns
    n = line.length[row]
    for i in range(n):
        r.burst[i] = line.data[row, i]
    return int(n)


@jit
def sentences(
    epoch: NDArray[np.float64],
    utc_ns: int,
    frame: Frame,
    config: ReceiverConfig,
    out: NDArray[np.uint8],
) -> int:
    """The sentences of one epoch; returns their length.

    epoch       (G,) values V_GNSS_* as the receiver has them; NaN in position or quality: no fix
    utc_ns      time of validity since 1970-01-01, a leap second of the ride counted
    frame       ``wire.geodesy.Origin.frame`` of the scenario's origin
    config      what does not change from epoch to epoch
    out         (LONGEST_BURST,) bytes, out

    Satellites, dilutions and sigmas follow the fix in use; quality and modes are V_GNSS_FIX, which a fault
    may have changed.
    """
    x, y, z = epoch[V_GNSS_X], epoch[V_GNSS_Y], epoch[V_GNSS_Z]
    quality = epoch[V_GNSS_FIX]
    latitude, longitude, height = math.nan, math.nan, math.nan
    fixed = not (math.isnan(x) or math.isnan(y) or math.isnan(quality))
    if fixed:
        latitude, longitude, height = enu_to_geodetic(frame, x, y, z)
    speed = epoch[V_GNSS_SPEED]
    row = min(max(int(epoch[V_GNSS_IN_USE]), 0), config.sigma_m.shape[0] - 1)
    in_use = int(epoch[V_GNSS_SATELLITES])
    dilution = dilution_factor(config.satellites, in_use)
    counted_ms = (utc_ns + 500_000) // 1_000_000
    day, ms = day_and_time(counted_ms, config.leap_ms)
    return encode(
        out,
        day,
        ms,
        latitude,
        longitude,
        height - config.separation_m,
        config.separation_m,
        int(quality) if fixed else 0,
        in_use if fixed else 0,
        config.hdop * dilution,
        0.0 if math.isnan(speed) else speed,
        math.nan if math.isnan(speed) else epoch[V_GNSS_COURSE],
        config.vdop * dilution,
        config.sigma_m[row, 0] * dilution,
        config.sigma_m[row, 1] * dilution,
        config.corrections_age_s + counted_ms % 1000 * 1e-3,
        config.station,
        config.sentences,
    )
