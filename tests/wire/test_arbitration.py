"""The arbitration of the stepped clock against one in plain Python that goes by bits, and the bounds."""

from __future__ import annotations

import gc
import itertools

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
from tests.support.can_arbitration import (
    by_the_standard,
    carried,
    longest_times,
    offered,
    seen_response,
    stepped,
)

MS = 1_000_000
RATES = BitRates(500_000, 2_000_000)
FD_IDS = (0x103, 0x105 | EXTENDED)
TIMES = wire_times(RATES, FD_IDS)

IDS = st.one_of(
    st.integers(0, 0x7FF),
    st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED),
    st.sampled_from([*FD_IDS, 0x100]),
)
FRAMES = st.lists(st.tuples(st.integers(0, 12), IDS, st.integers(0, 8)), min_size=1, max_size=40)


@example(offers=[(0, 0x105, 8), (0, 0x105 | EXTENDED, 8), (0, (0x105 << 18) | EXTENDED, 8), (0, 0x105, 0)])
@given(offers=FRAMES)
@settings(max_examples=300)
def test_every_frame_arrives_when_the_standards_rules_say(offers):
    offers = sorted(((tick * MS // 4, can_id, n) for tick, can_id, n in offers), key=lambda o: o[0])
    there = stepped(offers, TIMES)
    assert there == by_the_standard([(s, i, frame_ns(TIMES, i, n)) for s, i, n in offers])
    # nothing overlaps, and the wire is never idle while somebody waits
    spans = sorted((a - frame_ns(TIMES, i, n), a) for a, (_, i, n) in zip(there, offers, strict=True))
    assert all(end <= begin for (_, end), (begin, _) in itertools.pairwise(spans))


def test_times_are_half_way_between_shortest_and_longest_by_format():
    for can_id, length in ((0x100, 8), (0x100, 0), (0x100 | EXTENDED, 3), (0x103, 8), (0x105 | EXTENDED, 5)):
        shape = FrameShape(length, bool(can_id & EXTENDED), fd=can_id in FD_IDS)
        assert frame_ns(TIMES, can_id, length) == RATES.usual_ns(shape)
    # 8 bytes, 11 bits: 111 to 135 bits (Davis et al. 2007, from memory); 123 of 2 us
    assert frame_ns(TIMES, 0x100, 8) == 246_000
    assert frame_ns(TIMES, 0x103, 13) == RATES.usual_ns(FrameShape(16, fd=True))  # padded
    assert frame_ns(wire_times(None), 0x100, 8) == 0


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
    offered(bus, MS // 4, 0x200)  # 0x100 is on its way until 0.492 ms
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
    assert bus.arrival_ns[numbers].tolist() == [246_000, NO_ARRIVAL, 492_000]
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
    assert (heard.time_ns[:2].tolist(), heard.valid_ns[:2].tolist()) == ([246_007, 492_007], [7, 7])
    assert [arrived_by(heard, t) for t in (246_006, 246_007, MS)] == [0, 1, 2]
    drop_first(heard, 1)
    assert (heard.count[0], heard.can_id[0], heard.time_ns[0]) == (1, 6, 492_007)


# -- against the bounds ------------------------------------------------------------------------------------


MESSAGES = st.lists(
    st.tuples(st.integers(2, 40), st.integers(0, 3), st.integers(0, 0x7FF)), min_size=1, max_size=8,
    unique_by=lambda t: t[2],
)  # fmt: skip


@given(drawn=MESSAGES)
@settings(max_examples=60)
def test_in_the_critical_instant_the_bound_is_met_and_never_exceeded(drawn):
    """To the nanosecond, but for what is handed over within a bit after the frame could have begun."""
    ns, times = RATES.longest_ns(FrameShape(8)), longest_times(RATES)
    messages = sorted(
        (Message(str(i), i, ns, p * MS, j * MS // 2, p * MS) for p, j, i in drawn), key=lambda m: m.can_id
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
    frames.count[0], frames.can_id[:], frames.length[:] = 4, (9, 5, 7, 3), 8
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
