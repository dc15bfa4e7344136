"""How long CAN frames take, and how long they may have to wait: lengths, bus load, worst-case response times.

Times are whole nanoseconds; a bit that takes no whole number of them is rounded up, so bounds stay bounds.

Whatever the identifier and the data are, classical frames with s data bytes are at most 55 + 10 s bits long
with an 11-bit and 80 + 10 s with a 29-bit identifier, stuff bits and the three bits of interframe space
included: 8 s + 13 + g + floor((g + 8 s - 1)/4) with g = 34 and 54 bits open to stuffing. FD frames have two
rates: up to the rate switch and from the end of the CRC on the nominal one, between them the fast one; their
CRC field carries fixed stuff bits instead. How many bits a frame of one content takes, and the longest with
one identifier: ``stuffing``.

The response time of a frame is the longest time from when it should be queued until it is over. CAN is fixed
priority by identifier without preemption, and a frame's second instance can fare worse than its first: all
instances within the busy period are looked at.

Sources: R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, *Controller Area Network (CAN) schedulability
analysis: refuted, revisited and revised*, Real-Time Systems 35 (2007) 239-272 (from memory; checked on its
example). FD layout: ISO 11898-1:2015 (from memory, standard not opened).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from emulator.core.frame_buffer import EXTENDED

CLASSICAL_BYTES = 8
"""Payload of a classical frame at most."""
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Payloads an FD frame can have [bytes]."""
LONG_LENGTHS = tuple(n for n in FD_LENGTHS if n > CLASSICAL_BYTES)
"""Those that a classical frame can't have."""

_SECOND_ns = 1_000_000_000
_MOST_INSTANCES = 1_000_000


def classical_bits(data_bytes: int, *, extended: bool = False, stuffed: bool = True) -> int:
    """Longest (or without stuff bits, shortest) classical frame [bits], interframe space included.

    data_bytes 0..8; extended: 29-bit identifier. Raises ValueError.
    """
    if not 0 <= data_bytes <= CLASSICAL_BYTES:
        raise ValueError(f"expected 0 to 8 data bytes in a classical frame, got {data_bytes}")
    open_bits = (54 if extended else 34) + 8 * data_bytes
    return open_bits + 13 + ((open_bits - 1) // 4 if stuffed else 0)


class FrameBits(NamedTuple):
    """Bits of a frame at the nominal rate and, of an FD frame behind its rate switch, at the data rate."""

    nominal: int
    fast: int


def fd_bits(data_bytes: int, *, extended: bool = False, stuffed: bool = True) -> FrameBits:
    """Longest (or without dynamic stuff bits, shortest) FD frame with rate switch, interframe space included.

    data_bytes  one of FD_LENGTHS. Raises ValueError.
    Nominal: start, identifier, control up to the rate switch, then acknowledge, end, space. Fast: error
    state, length, data, stuff count, CRC of 17 or 21 bits with a fixed stuff bit every four, delimiter.
    """
    if data_bytes not in FD_LENGTHS:
        raise ValueError(f"expected one of {', '.join(map(str, FD_LENGTHS))} bytes, got {data_bytes}")
    # start, 11-bit identifier, RRS, IDE, FDF, res, BRS; extended: 18 more identifier bits, SRR, and IDE moves
    head = 36 if extended else 17
    body = 5 + 8 * data_bytes  # ESI, DLC, data
    stuff = (head + body - 1) // 4 if stuffed else 0
    # A stuff bit takes the rate of where it stands; as many slow ones as fit take longest.
    slow_stuff = min(stuff, (head - 1) // 4)
    crc = 17 if data_bytes <= 16 else 21
    check = 4 + crc + math.ceil((4 + crc) / 4) + 1  # stuff count, CRC, fixed stuff bits, delimiter
    return FrameBits(head + slow_stuff + 2 + 7 + 3, body + stuff - slow_stuff + check)


class FrameShape(NamedTuple):
    """What the length of a frame on the wire depends on.

    data_bytes  payload; 0..8, in an FD frame one of FD_LENGTHS
    extended    29-bit identifier
    fd          CAN FD frame
    """

    data_bytes: int
    extended: bool = False
    fd: bool = False

    def bits(self, *, stuffed: bool = True) -> FrameBits:
        """Longest (or without the stuff bits that data make, shortest) frame of this shape. ValueError."""
        if self.fd:
            return fd_bits(self.data_bytes, extended=self.extended, stuffed=stuffed)
        return FrameBits(classical_bits(self.data_bytes, extended=self.extended, stuffed=stuffed), 0)


class BitRates(NamedTuple):
    """Bit rates of a bus [bit/s].

    data  of an FD frame behind its rate switch; as ``nominal`` if it has none
    """

    nominal: int
    data: int

    def time_ns(self, bits: FrameBits) -> int:
        """Time of so many bits on the bus [ns], rounded up."""
        return math.ceil(self._ns(bits))

    def usual_ns(self, shape: FrameShape) -> int:
        """Time of a frame half way between the shortest and the longest of its shape [ns], rounded up.

        For plans, made before anybody knows the data. It is at most 12 bits off with an 11-bit and 15 with
        a 29-bit identifier, and in an FD frame an eighth of its bits. ValueError for a shape that does not
        exist.
        """
        return math.ceil((self._ns(shape.bits()) + self._ns(shape.bits(stuffed=False))) / 2)

    def _ns(self, bits: FrameBits) -> Fraction:
        slow, fast = Fraction(bits.nominal, self.nominal), Fraction(bits.fast, self.data)
        return (slow + fast) * _SECOND_ns


def bits_ns(bits: int, bit_rate: int) -> int:
    """Time [ns] of so many bits at a rate [bit/s], rounded up."""
    return math.ceil(Fraction(bits * _SECOND_ns, bit_rate))


def right_of_way(can_id: int) -> int:
    """Sorts identifiers as arbitration does, the one that wins the bus first; ``can_id`` as in a FrameBuffer.

    The first 11 bits decide; if they are the same, the 11-bit identifier wins: its RTR and IDE bits are
    dominant where the 29-bit one has SRR and IDE recessive. Source: ISO 11898-1:2015 (from memory).
    """
    if can_id & EXTENDED:
        base, rest = divmod(can_id & ~EXTENDED, 1 << 18)
        return base << 19 | 1 << 18 | rest
    return can_id << 19


class Message(NamedTuple):
    """A frame that is sent again and again; who wins the bus: :func:`right_of_way` of ``can_id``.

    transmission_ns  longest time on the bus, interframe space included
    period_ns        least time between two instances
    jitter_ns        how late after its time it may be queued
    deadline_ns      after its time it should be over
    """

    name: str
    can_id: int
    transmission_ns: int
    period_ns: int
    jitter_ns: int
    deadline_ns: int


class Response(NamedTuple):
    """How long one message may take; ``worst_ns`` None if the bus can't carry what is more urgent.

    blocking_ns  by a frame of less urgency that has just begun
    busy_ns      longest time the bus is never free for less urgent frames
    instances    that were looked at; ``worst_instance`` (0 the first) fares worst
    """

    message: Message
    worst_ns: int | None
    blocking_ns: int
    busy_ns: int
    instances: int
    worst_instance: int

    @property
    def in_time(self) -> bool:
        """Whether it is over by its deadline, come what may."""
        return self.worst_ns is not None and self.worst_ns <= self.message.deadline_ns


def load(messages: Sequence[Message]) -> Fraction:
    """Share of the bus the messages take at most."""
    return sum((Fraction(m.transmission_ns, m.period_ns) for m in messages), Fraction(0))


def response_times(messages: Sequence[Message], bit_ns: int) -> list[Response]:
    """Worst-case response time of every message, the most urgent first.

    bit_ns  one bit at the nominal rate. Raises ValueError for two messages of one identifier.
    """
    order = _by_urgency(messages)
    for one, other in itertools.pairwise(order):
        if one.can_id == other.can_id:
            raise ValueError(f"expected every identifier once, got {one.name} and {other.name} both with it")
    return [_response(order, k, bit_ns) for k in range(len(order))]


def _by_urgency(messages: Sequence[Message]) -> list[Message]:
    return sorted(messages, key=lambda m: right_of_way(m.can_id))


def _response(order: Sequence[Message], k: int, bit_ns: int) -> Response:
    m, urgent = order[k], order[:k]
    blocking = max((other.transmission_ns for other in order[k + 1 :]), default=0)
    if load(order[: k + 1]) >= 1:
        return Response(m, None, blocking, 0, 0, 0)

    # the busy period: how long m and all before it keep the bus
    busy, before = m.transmission_ns, 0
    while busy != before:
        before = busy
        busy = blocking + sum(
            -(-(before + x.jitter_ns) // x.period_ns) * x.transmission_ns for x in (*urgent, m)
        )
    instances = -(-(busy + m.jitter_ns) // m.period_ns)
    if instances > _MOST_INSTANCES:
        return Response(m, None, blocking, busy, instances, 0)

    worst, worst_instance = 0, 0
    wait = blocking
    for q in range(instances):
        wait = max(wait, blocking + q * m.transmission_ns)
        before = -1
        while wait != before:
            before = wait
            wait = (
                blocking
                + q * m.transmission_ns
                + sum(-(-(before + x.jitter_ns + bit_ns) // x.period_ns) * x.transmission_ns for x in urgent)
            )
        response = m.jitter_ns + wait - q * m.period_ns + m.transmission_ns
        if response > worst:
            worst, worst_instance = response, q
    return Response(m, worst, blocking, busy, instances, worst_instance)


def inversions(messages: Sequence[Message]) -> list[tuple[Message, Message]]:
    """Pairs (less urgent by identifier, but with the shorter deadline; more urgent with the longer one)."""
    order = _by_urgency(messages)
    return [
        (late, early)
        for i, late in enumerate(order)
        for early in order[:i]
        if late.deadline_ns < early.deadline_ns
    ]
