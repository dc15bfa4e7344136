"""A CAN bus in plain Python that goes by bits, the compiled one fed by hand, and the critical instant.

Rules of the medium access, ISO 11898-1:2015 (from memory, standard not opened): whoever wants to send begins
when the bus is idle; all who begin together send their identifiers bit by bit, a dominant bit (0) overrides a
recessive one (1), and who sends a recessive bit and hears a dominant one stops and waits for the end of the
frame that goes on. A frame that has begun is never broken off.
"""

from __future__ import annotations

import functools
from collections import defaultdict, deque

from emulator.core.frame_buffer import EXTENDED, frame_buffer
from emulator.wire.arbitration import (
    BENCH,
    disturbed,
    hand_over,
    idle_bus,
    next_to_begin,
    put_on_the_wire,
    take_out,
)
from tests.support.can_contents import longest_content

# -- plain Python, by bits ---------------------------------------------------------------------------------


@functools.cache
def identifier_bits(can_id):
    """What a data frame sends while it arbitrates. 29 bits: base, SRR and IDE recessive, the rest, RTR."""
    if can_id & EXTENDED:
        plain = can_id & ~EXTENDED
        base, rest = plain >> 18, plain & ((1 << 18) - 1)
        return [*_bits(base, 11), 1, 1, *_bits(rest, 18), 0]
    return [*_bits(can_id, 11), 0, 0]  # RTR and IDE dominant


def _bits(number, n):
    return [number >> k & 1 for k in range(n - 1, -1, -1)]


def winner(contenders):
    """Which of these identifiers is left when every bit has been sent."""
    left, at = list(contenders), 0
    while len(left) > 1:
        sent = [identifier_bits(can_id)[at] for can_id in left]
        left = [can_id for can_id, bit in zip(left, sent, strict=True) if bit == min(sent)]
        at += 1
    return left[0]


def by_the_standard(offers):
    """Arrival [ns] of each of (since, identifier, time on the bus), handed over in the order of ``since``.

    Frames of one identifier wait for each other, whoever sends them.
    """
    queues = defaultdict(deque)
    for k, (since, can_id, ns) in enumerate(offers):
        queues[can_id].append((since, ns, k))
    arrival, now = [0] * len(offers), -(10**18)
    for _ in offers:
        now = max(now, min(queue[0][0] for queue in queues.values() if queue))
        first = winner(can_id for can_id, queue in queues.items() if queue and queue[0][0] <= now)
        _, ns, k = queues[first].popleft()
        now += ns
        arrival[k] = now
    return arrival


# -- the compiled one --------------------------------------------------------------------------------------


def offered(bus, since, can_id, payload=bytes(8), sender=BENCH, valid=0):
    frames, n = frame_buffer(1), len(payload)
    frames.count[0], frames.can_id[0], frames.length[0], frames.valid_ns[0] = 1, can_id, n, valid
    frames.data[0, :n] = list(payload)
    frames.data[0, n:] = 0x5A  # what was in the buffer before
    return hand_over(bus, sender, frames, 0, since, 0, True)


def carried(bus, until, order=None):
    row, start = next_to_begin(bus, until)
    while row >= 0:
        if order is not None:
            order.append((int(bus.waiting.can_id[row]), disturbed(bus)))
        put_on_the_wire(bus, row, start)
        take_out(bus, row)
        row, start = next_to_begin(bus, until)


def stepped(offers, times):
    """Arrival of each of (since, identifier, payload), handed over in order of ``since``."""
    bus = idle_bus(times)
    numbers = []
    for since, can_id, payload in offers:
        carried(bus, since)
        numbers.append(offered(bus, since, can_id, payload))
    carried(bus, 1 << 60)
    return [int(bus.arrival_ns[n]) for n in numbers]


# -- the critical instant ----------------------------------------------------------------------------------


def critical(messages, k, response):
    """Offers that put message ``k`` (of those by urgency) into its critical instant, and when it was due.

    At 0 all that is more urgent is handed over, as late after its time as it may be, and its next ones
    exactly at their periods; a frame of less urgency has begun just before. Davis et al. 2007 (from memory).
    """
    m, offers = messages[k], []
    horizon = 2 * (response.busy_ns + response.worst_ns)
    behind = max(messages[k + 1 :], key=lambda o: o.transmission_ns, default=None)
    if behind is not None:
        offers.append((-1, behind.can_id))
    for other in messages[: k + 1]:
        offers += [
            (max(0, n * other.period_ns - other.jitter_ns), other.can_id)
            for n in range((horizon + other.jitter_ns) // other.period_ns + 2)
        ]
    due = response.worst_instance * m.period_ns - m.jitter_ns
    return sorted(offers), due


def seen_response(messages, k, response, times):
    """Worst response of message ``k``, everybody in the critical instant, with 8 bytes that take longest."""
    offers, due = critical(messages, k, response)
    there = stepped([(since, i, longest_content(i, False, 8)) for since, i in offers], times)
    mine = [a for a, (_, can_id) in zip(there, offers, strict=True) if can_id == messages[k].can_id]
    return mine[response.worst_instance] - due
