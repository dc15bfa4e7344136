"""A CAN bus on the stepped clock: whose frame goes when several wait, and when it is over.

By the rules of the standard: a frame that has begun is never broken off; when the bus is free, of all frames
that wait the one that wins the arbitration begins (``can_timing.right_of_way``); frames of one identifier go
in the order they were handed over. Every sender offers its most urgent frame first, as the worst response
times of ``can_timing`` assume. A frame takes the time of its own bits (``stuffing``), interframe space
included, and has arrived at its end.

Not in it: errors and repetitions, remote frames, the acknowledgement, a sender's own delay. Two frames of one
identifier from two senders would collide on a wire; here they go one behind the other.

A sender's room is bounded, and a frame that has not begun within ``GIVE_UP_ns`` is given up: else a bus that
is asked for more than it has would grow older without end.

Source: ISO 11898-1:2015, medium access control (from memory, standard not opened).
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import NO_ARRIVAL, FrameBuffer, frame_buffer
from emulator.wire.can_timing import CLASSICAL_BYTES, BitRates, right_of_way
from emulator.wire.stuffing.frame_bits import frame_bits

GIVE_UP_ns = 1_000_000_000
"""How long a sender waits for a frame to begin. Our own choice, no source: longer than any rig lets a command
be old, short enough that a record can wait for it."""

_SECOND_ns = 1_000_000_000

BENCH, PLANTED, ROBOT = range(3)
"""Senders: the bench's outputs; what the scenario's faults put on the bus besides, also a frame of the bench
that they hold back; the robot."""
ROOMS = (1024, 64, 256)
"""Frames that can wait, by sender; one more is refused. The planted one's is small: who babbles sends as much
as the bus takes, and remembers nothing."""

_REMEMBERED = 1 << 16  # arrivals, by number; more than are handed over within GIVE_UP_ns
WAITING = NO_ARRIVAL + 1
"""``Bus.arrival_ns`` of a frame that still waits."""

# Columns of Bus.terms
_RANK, _NUMBER, SENDER, SINCE_ns, ORIGIN_ns, COUNTS = range(6)
# Places of Bus.state
_FREE_ns, _HANDED_OVER, _DISTURBED = range(3)
# Columns of Bus.counts
_WAITING, REFUSED, GIVEN_UP = range(3)


class WireTimes(NamedTuple):
    """What says how long frames are on a bus.

    fd_ids  (K,)  identifiers whose frames are CAN FD; others only if they are longer than 8 bytes
    bits    (3,)  time [ns] of so many bits at the nominal and at the data rate, and how many those are;
                  all 0: not known
    """

    fd_ids: NDArray[np.int64]
    bits: NDArray[np.int64]


def wire_times(rates: BitRates | None, fd_ids: Collection[int] = ()) -> WireTimes:
    """At these bit rates; None: they are not known. fd_ids: bit 31 set for 29-bit identifiers."""
    bits = np.zeros(3, np.int64)
    if rates is not None:
        many = math.lcm(rates.nominal, rates.data)
        whole = math.gcd(many, _SECOND_ns)
        bits[:] = *(many // rate * (_SECOND_ns // whole) for rate in rates), many // whole
    return WireTimes(np.array(sorted(fd_ids), np.int64), bits)


@jit
def frame_ns(times: WireTimes, can_id: int, data: NDArray[np.uint8], length: int) -> int:
    """Time of a frame on the bus [ns], rounded up; 0 where the bit rate is not known.

    can_id  bit 31 set for 29-bit identifiers; data (>= length,). A payload that CAN FD has no length for is
            filled up with zeros.
    """
    bits = times.bits
    if bits[2] == 0:
        return 0
    fd = length > CLASSICAL_BYTES
    for k in range(times.fd_ids.shape[0]):
        if times.fd_ids[k] == can_id:
            fd = True
    nominal, fast = frame_bits(can_id, fd, data, length)
    return int((nominal * bits[0] + fast * bits[1] + bits[2] - 1) // bits[2])


class Bus(NamedTuple):
    """Frames that wait for the bus, for R in all, and what is remembered; loop's time throughout.

    times
    waiting     (R,)    frames; time_ns is when each was due, valid_ns its time of validity
    terms       (R, 6)  of each: rank, number, sender, since when it waits [ns], scenario time 0 [ns] when it
                        was handed over, 1 if it counts in the certificate
    state       (3,)    when the wire is free [ns]; frames handed over; 1: planted ones went before, and the
                        bus has not been idle since
    room        (S,)    frames that can wait, by sender
    counts      (S, 3)  that wait now; refused for want of room; given up
    arrival_ns  (N,)    scenario time of arrival by number modulo N; WAITING, NO_ARRIVAL if it never will
    numbers     (R,)    of the frames last handed over by the bench, -1 for those refused
    """

    times: WireTimes
    waiting: FrameBuffer
    terms: NDArray[np.int64]
    state: NDArray[np.int64]
    room: NDArray[np.int64]
    counts: NDArray[np.int64]
    arrival_ns: NDArray[np.int64]
    numbers: NDArray[np.int64]


def idle_bus(times: WireTimes) -> Bus:
    """A bus on which nothing waits."""
    rows, state = sum(ROOMS), np.zeros(3, np.int64)
    state[_FREE_ns] = -(1 << 62)
    return Bus(
        times,
        frame_buffer(rows),
        np.zeros((rows, 6), np.int64),
        state,
        np.array(ROOMS, np.int64),
        np.zeros((len(ROOMS), 3), np.int64),
        np.full(_REMEMBERED, NO_ARRIVAL, np.int64),
        np.full(rows, -1, np.int64),
    )


_rank = jit(right_of_way)


@jit
def known(bus: Bus) -> bool:
    """Whether its bit rate is known; else frames take no time on it, and it is not used."""
    return bool(bus.times.bits[2] > 0)


@jit
def disturbed(bus: Bus) -> bool:
    """Whether what waits now waits behind planted frames, or did since the bus was last idle."""
    return bool(bus.state[_DISTURBED] != 0)


@jit
def hand_over(
    bus: Bus, sender: int, frames: FrameBuffer, i: int, now_ns: int, origin_ns: int, counts: bool
) -> int:
    """Row ``i`` of ``frames`` waits for the bus from now on; returns its number, -1 if there was no room.

    origin_ns  scenario time 0; counts: whether it counts in the certificate
    """
    if bus.counts[sender, _WAITING] >= bus.room[sender]:
        bus.counts[sender, REFUSED] += 1
        return -1
    w, n, number = bus.waiting, bus.waiting.count[0], bus.state[_HANDED_OVER]
    w.can_id[n], w.length[n] = frames.can_id[i], frames.length[i]
    w.time_ns[n], w.valid_ns[n] = frames.time_ns[i], frames.valid_ns[i]
    for k in range(frames.length[i]):
        w.data[n, k] = frames.data[i, k]
    bus.terms[n, _RANK], bus.terms[n, _NUMBER] = _rank(frames.can_id[i]), number
    bus.terms[n, SENDER], bus.terms[n, SINCE_ns] = sender, now_ns
    bus.terms[n, ORIGIN_ns], bus.terms[n, COUNTS] = origin_ns, 1 if counts else 0
    w.count[0] = n + 1
    bus.counts[sender, _WAITING] += 1
    bus.arrival_ns[number % bus.arrival_ns.shape[0]] = WAITING
    bus.state[_HANDED_OVER] = number + 1
    return int(number)


@jit
def next_to_begin(bus: Bus, until_ns: int) -> tuple[int, int]:
    """Row of the frame that begins next, and when [ns]; -1 if none does before ``until_ns``.

    Everything that is handed over before ``until_ns`` has to wait already.
    """
    n, terms = bus.waiting.count[0], bus.terms
    if n == 0:
        return -1, 0
    first = terms[0, SINCE_ns]
    for j in range(1, n):
        first = min(first, terms[j, SINCE_ns])
    start = max(bus.state[_FREE_ns], first)
    if start >= until_ns:
        return -1, 0
    best = -1
    for j in range(n):
        if terms[j, SINCE_ns] > start:
            continue
        if (
            best < 0
            or terms[j, _RANK] < terms[best, _RANK]
            or (terms[j, _RANK] == terms[best, _RANK] and terms[j, _NUMBER] < terms[best, _NUMBER])
        ):
            best = j
    if first >= bus.state[_FREE_ns]:  # nobody had to wait for what was before
        bus.state[_DISTURBED] = 0
    return best, int(start)


@jit
def put_on_the_wire(bus: Bus, row: int, start_ns: int) -> int:
    """Row ``row`` begins at ``start_ns``; returns when it has arrived [ns]. It waits on: see ``take_out``."""
    w = bus.waiting
    end = start_ns + frame_ns(bus.times, w.can_id[row], w.data[row], w.length[row])
    bus.state[_FREE_ns] = end
    if bus.terms[row, SENDER] == PLANTED:
        bus.state[_DISTURBED] = 1
    slot = bus.terms[row, _NUMBER] % bus.arrival_ns.shape[0]
    bus.arrival_ns[slot] = end - bus.terms[row, ORIGIN_ns]
    return int(end)


@jit
def take_out(bus: Bus, row: int) -> None:
    """Row ``row`` waits no longer; the last one takes its place."""
    w, terms, last = bus.waiting, bus.terms, bus.waiting.count[0] - 1
    bus.counts[terms[row, SENDER], _WAITING] -= 1
    if row != last:
        w.can_id[row], w.length[row] = w.can_id[last], w.length[last]
        w.time_ns[row], w.valid_ns[row] = w.time_ns[last], w.valid_ns[last]
        for k in range(w.length[last]):
            w.data[row, k] = w.data[last, k]
        for k in range(terms.shape[1]):
            terms[row, k] = terms[last, k]
    w.count[0] = last


@jit
def give_up(bus: Bus, row: int) -> None:
    """Row ``row`` is given up by its sender: it never arrives."""
    bus.counts[bus.terms[row, SENDER], GIVEN_UP] += 1
    bus.arrival_ns[bus.terms[row, _NUMBER] % bus.arrival_ns.shape[0]] = NO_ARRIVAL
    take_out(bus, row)


@jit
def deliver(bus: Bus, row: int, into: FrameBuffer, arrival_ns: int) -> None:
    """Row ``row`` goes to whoever hears it; time_ns is when it arrived, valid_ns since when it waited."""
    w, n = bus.waiting, into.count[0]
    if n >= into.can_id.shape[0]:
        return
    into.can_id[n], into.length[n] = w.can_id[row], w.length[row]
    into.time_ns[n], into.valid_ns[n] = arrival_ns, bus.terms[row, SINCE_ns]
    for k in range(w.length[row]):
        into.data[n, k] = w.data[row, k]
    into.count[0] = n + 1


@jit
def arrived_by(frames: FrameBuffer, now_ns: int) -> int:
    """How many of the frames, which are in the order of their arrival, have arrived by now."""
    n = 0
    while n < frames.count[0] and frames.time_ns[n] <= now_ns:
        n += 1
    return n


@jit
def drop_first(frames: FrameBuffer, n: int) -> None:
    """The first ``n`` frames are gone; those behind them keep their order."""
    left = frames.count[0] - n
    frames.count[0] = left
    if n == 0:
        return
    for i in range(left):
        j = n + i
        frames.time_ns[i], frames.valid_ns[i] = frames.time_ns[j], frames.valid_ns[j]
        frames.can_id[i], frames.length[i] = frames.can_id[j], frames.length[j]
        for k in range(frames.length[j]):
            frames.data[i, k] = frames.data[j, k]
