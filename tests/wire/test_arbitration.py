"""The arbitration of the stepped clock against one in plain Python that goes by bits, and the bounds."""

from __future__ import annotations

import gc
import itertools

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numba.core.runtime import _nrt_python, rtsys

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED, NO_ARRIVAL, UNTIMED, frame_buffer
from emulator.wire.arbitration import (
    BENCH,
    GIVEN_UP,
    PLANTED,
    REFUSED,
    ROBOT,
    ROOMS,
    WAITING,
    Bus,
    arrived_by,
    deliver,
    drop_first,
    frame_ns,
    give_up,
    hand_over,
    idle_bus,
    next_to_begin,
    put_on_the_wire,
    take_out,
    wire_times,
)
from emulator.wire.can_timing import BitRates, FrameShape, Message, bits_ns, response_times
from emulator.wire.stuffing.longest import longest_bits
from tests.support.can_arbitration import (
    by_the_standard,
    carried,
    offered,
    seen_response,
    stepped,
)
from tests.support.can_contents import frame_on_the_wire

MS = 1_000_000
RATES = BitRates(500_000, 2_000_000)
FD_IDS = (0x103, 0x105 | EXTENDED)
TIMES = wire_times(RATES, FD_IDS)

IDS = st.one_of(
    st.integers(0, 0x7FF),
    st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED),
    st.sampled_from([*FD_IDS, 0x100]),
)
FRAMES = st.lists(st.tuples(st.integers(0, 12), IDS, st.binary(max_size=8)), min_size=1, max_size=40)


def on_the_wire(can_id, payload):
    """Time [ns], bit by bit: 2 us each, and 0.5 us behind the rate switch."""
    bits = frame_on_the_wire(can_id, can_id in FD_IDS or len(payload) > 8, payload)
    return 2000 * bits.nominal + 500 * bits.fast


@example(
    offers=[
        (0, 0x105, bytes(8)), (0, 0x105 | EXTENDED, bytes(8)), (0, (0x105 << 18) | EXTENDED, bytes(8)),
        (0, 0x105, b""),
    ]
)  # fmt: skip
@given(offers=FRAMES)
@settings(max_examples=300)
def test_every_frame_arrives_when_the_standards_rules_say(offers):
    offers = sorted(((tick * MS // 4, can_id, data) for tick, can_id, data in offers), key=lambda o: o[0])
    there = stepped(offers, TIMES)
    assert there == by_the_standard([(s, i, on_the_wire(i, data)) for s, i, data in offers])
    # nothing overlaps, and the wire is never idle while somebody waits
    spans = sorted((a - on_the_wire(i, data), a) for a, (_, i, data) in zip(there, offers, strict=True))
    assert all(end <= begin for (_, end), (begin, _) in itertools.pairwise(spans))


def timed(times, can_id, payload):
    return frame_ns(times, can_id, np.array(list(payload), np.uint8), len(payload))


def test_a_frame_takes_the_time_of_its_bits():
    for can_id, length in ((0x100, 8), (0x100, 0), (0x100 | EXTENDED, 3), (0x103, 8), (0x105 | EXTENDED, 5)):
        payload = bytes(range(0xF0, 0xF0 + length))
        assert timed(TIMES, can_id, payload) == on_the_wire(can_id, payload)
    assert timed(TIMES, 0x100, bytes(12)) == on_the_wire(0x100, bytes(12))  # no classical one is that long
    assert timed(wire_times(None), 0x100, bytes(8)) == 0


def test_a_bit_that_is_no_whole_number_of_nanoseconds_is_rounded_up_with_its_frame():
    for rates in (BitRates(83_333, 83_333), BitRates(123_456, 7_654_321), BitRates(1_000_000, 8_000_000)):
        times = wire_times(rates, FD_IDS)
        for can_id, payload in ((0x103, b"abc"), (0x100, b""), (0x7FF, bytes(64))):
            bits = frame_on_the_wire(can_id, can_id in FD_IDS or len(payload) > 8, payload)
            assert timed(times, can_id, payload) == rates.time_ns(bits)


def test_a_frame_that_has_begun_is_not_broken_off():
    bus, order = idle_bus(TIMES), []
    offered(bus, 0, 0x300)
    carried(bus, 1, order)
    for can_id in (0x200, 0x100):
        offered(bus, 1000, can_id)
    carried(bus, 1 << 60, order)
    assert [can_id for can_id, _ in order] == [0x300, 0x100, 0x200]


def test_a_frame_that_comes_later_does_not_win_a_bus_that_was_free_before():
    bus, order = idle_bus(TIMES), []
    offered(bus, 0, 0x300)
    offered(bus, 1000, 0x100)  # it is told of before anything has begun
    carried(bus, 1 << 60, order)
    assert [can_id for can_id, _ in order] == [0x300, 0x100]


def test_what_waits_behind_planted_frames_is_marked_until_nobody_has_to_wait_any_more():
    bus, order = idle_bus(TIMES), []
    offered(bus, 0, 0x001, sender=PLANTED, valid=UNTIMED)
    offered(bus, 0, 0x100)
    carried(bus, MS // 4, order)
    offered(bus, MS // 4, 0x200)  # 0x100 is on its way until 0.5 ms
    carried(bus, MS, order)
    offered(bus, MS, 0x100)
    carried(bus, 2 * MS, order)
    assert order == [(0x001, False), (0x100, True), (0x200, True), (0x100, False)]


def test_a_sender_without_room_is_refused_and_others_are_not():
    bus = idle_bus(TIMES)
    offered(bus, 0, 0x7FF)
    carried(bus, 1)
    numbers = [offered(bus, 1, 1, sender=PLANTED) for _ in range(ROOMS[PLANTED] + 2)]
    assert numbers[-2:] == [-1, -1]
    assert min(numbers[:-2]) > 0
    assert bus.counts[:, REFUSED].tolist() == [0, 2, 0]
    assert offered(bus, 1, 2) >= 0
    assert offered(bus, 1, 3, sender=ROBOT) >= 0
    assert idle_bus(TIMES).room.sum() == len(bus.waiting.can_id)


def test_what_is_given_up_never_arrives():
    bus = idle_bus(TIMES)
    numbers = [offered(bus, 0, can_id) for can_id in (5, 6, 7)]
    assert (bus.arrival_ns[numbers] == WAITING).all()
    give_up(bus, 1)
    carried(bus, 1 << 60)
    # 8 bytes of zeros: 125 bits
    assert bus.arrival_ns[numbers].tolist() == [250_000, NO_ARRIVAL, 500_000]
    assert bus.counts[BENCH, GIVEN_UP] == 1
    assert not bus.waiting.count[0]


def test_what_arrives_is_heard_in_its_order_once_it_is_there():
    bus, heard = idle_bus(TIMES), frame_buffer(4)
    for can_id in (6, 5):
        offered(bus, 7, can_id)
    row, start = next_to_begin(bus, MS)
    while row >= 0:
        deliver(bus, row, heard, put_on_the_wire(bus, row, start))
        take_out(bus, row)
        row, start = next_to_begin(bus, MS)
    assert heard.can_id[:2].tolist() == [5, 6]
    # 125 and 126 bits
    assert (heard.time_ns[:2].tolist(), heard.valid_ns[:2].tolist()) == ([250_007, 502_007], [7, 7])
    assert [arrived_by(heard, t) for t in (250_006, 250_007, MS)] == [0, 1, 2]
    drop_first(heard, 1)
    assert (heard.count[0], heard.can_id[0], heard.time_ns[0]) == (1, 6, 502_007)


# -- against the bounds ------------------------------------------------------------------------------------


MESSAGES = st.lists(
    st.tuples(st.integers(2, 40), st.integers(0, 3), st.integers(0, 0x7FF)), min_size=1, max_size=8,
    unique_by=lambda t: t[2],
)  # fmt: skip


@given(drawn=MESSAGES)
@settings(max_examples=60)
def test_in_the_critical_instant_the_bound_is_met_and_never_exceeded(drawn):
    """To the nanosecond, but for what is handed over within a bit after the frame could have begun."""
    times = wire_times(RATES)
    messages = sorted(
        (
            Message(str(i), i, RATES.time_ns(longest_bits(i, FrameShape(8))), p * MS, j * MS // 2, p * MS)
            for p, j, i in drawn
        ),
        key=lambda m: m.can_id,
    )
    bounds = response_times(messages, bits_ns(1, RATES.nominal))
    for k, (bound, exact) in enumerate(zip(bounds, response_times(messages, 0), strict=True)):
        if bound.worst_ns is None or bound.worst_ns > 100 * MS:
            continue
        # the frame in the way has begun a nanosecond before
        assert exact.worst_ns - 1 <= seen_response(messages, k, exact, times) <= bound.worst_ns


# -- what it takes -----------------------------------------------------------------------------------------


@jit
def _much(bus: Bus, frames, ticks: int) -> int:
    done = 0
    for tick in range(ticks):
        for i in range(frames.count[0]):
            hand_over(bus, i % 3, frames, i, tick * 1_000_000, 0, True)
        row, start = next_to_begin(bus, (tick + 1) * 1_000_000)
        while row >= 0:
            put_on_the_wire(bus, row, start)
            take_out(bus, row)
            done += 1
            row, start = next_to_begin(bus, (tick + 1) * 1_000_000)
    return done


def test_it_allocates_nothing():
    bus, frames = idle_bus(TIMES), frame_buffer(4)
    frames.count[0], frames.can_id[:], frames.length[:] = 4, (9, 5, 7, 3), 4
    assert _much(bus, frames, 1) == 4
    was_on = _nrt_python.memsys_stats_enabled()
    _nrt_python.memsys_enable_stats()
    try:
        gc.collect()
        made = []
        for ticks in (1, 2000):
            before = rtsys.get_allocation_stats()
            assert _much(bus, frames, ticks) > 0
            made.append(rtsys.get_allocation_stats().alloc - before.alloc)
    finally:
        if not was_on:
            _nrt_python.memsys_disable_stats()
    assert made[0] == made[1]  # the arguments, however many ticks
