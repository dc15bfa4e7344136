"""Stalls told through the block: each one once, none invented, none read half written."""

import itertools
import mmap
import os
import signal
import subprocess
import sys
import time
import tracemalloc

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import ROLES, STALL_ROWS, STALL_WORDS, Sizes, integer_parts
from emulator.shared_memory.stalls import PERIOD_NS, PROMISE_NS, Role, StallWriter, read_stalls

SMALL = Sizes(signal_rows=2, frame_rows=2, event_rows=2, gnss_rows=2)
MS = 1_000_000

# A process that stalls for good: it tells of a stall of 5 ms each time, with times made from its number.
WRITER = """
import mmap, sys
from emulator.shared_memory.layout import integer_parts
from emulator.shared_memory.stalls import Role, StallWriter
assert "numpy" not in sys.modules
views = integer_parts(mmap.mmap(int(sys.argv[1]), 0))
writer = StallWriter(views["stall.1.words"], views["stall.1.rows"], Role.BUS)
for n in range(1, int(sys.argv[2])):
    writer.turn(n * 5_000_000)
"""


def memory():
    return memoryview(bytearray(8 * STALL_WORDS)).cast("q"), memoryview(bytearray(24 * STALL_ROWS)).cast("q")


@pytest.fixture
def snapshot():
    block = Snapshot.create(SMALL)
    yield block
    block.close()


def test_every_role_has_its_place_its_period_and_its_promise():
    assert len(Role) == ROLES
    assert set(PERIOD_NS) == set(PROMISE_NS) == set(Role)
    assert all(PROMISE_NS[role] > PERIOD_NS[role] for role in Role)


@settings(max_examples=200)
@example(Role.LOOP, [PROMISE_NS[Role.LOOP], PROMISE_NS[Role.LOOP] + 1])
@given(st.sampled_from(Role), st.lists(st.integers(1, 400 * MS), min_size=1, max_size=60))
def test_exactly_the_pauses_beyond_the_promise_are_told(role, pauses):
    words, rows = memory()
    writer = StallWriter(words, rows, role)
    now = 7
    turns = [now]
    for pause in pauses:
        turns.append(turns[-1] + pause)
    for turn in turns:
        writer.turn(turn)
    told = read_stalls(words, rows, role)
    expected = [(a, b) for a, b in itertools.pairwise(turns) if b - a > PROMISE_NS[role]]
    assert told.spans == expected
    assert (told.count, told.lost, told.turns, told.last_ns) == (len(expected), 0, len(turns), turns[-1])
    assert told.longest_ns == max((b - a for a, b in expected), default=0)


@settings(max_examples=50)
@given(st.integers(0, 3 * STALL_ROWS), st.integers(1, 200))
def test_what_is_overwritten_is_counted_as_lost_and_the_rest_is_whole(before, more):
    words, rows = memory()
    words[3] = before  # so many stalls told before these
    writer = StallWriter(words, rows, Role.LOOP)
    for n in range(more + 1):
        writer.turn((n + 1) * 5 * MS)
    told = read_stalls(words, rows, Role.LOOP)
    assert told.count == before + more
    assert told.spans[-more:] == [((n + 1) * 5 * MS, (n + 2) * 5 * MS) for n in range(more)]
    assert told.lost + len(told.spans) == told.count


def test_a_minute_of_a_stall_every_5_ms_is_kept_whole():
    words, rows = memory()
    writer = StallWriter(words, rows, Role.LOOP)
    for n in range(12_001):
        writer.turn((n + 1) * 5 * MS)
    told = read_stalls(words, rows, Role.LOOP)
    assert (len(told.spans), told.lost) == (12_000, 0)


@settings(max_examples=100)
@given(st.integers(0, 2), st.integers(-(1 << 40), 1 << 40).filter(bool))
def test_a_row_that_does_not_agree_with_its_number_is_not_read(word, change):
    words, rows = memory()
    writer = StallWriter(words, rows, Role.BUS)
    for n in range(4):
        writer.turn((n + 1) * 5 * MS)
    rows[3 + word] += change
    assert read_stalls(words, rows, Role.BUS).spans == [(5 * MS, 10 * MS), (15 * MS, 20 * MS)]


def test_who_stands_still_has_a_stall_that_lasts_and_who_has_ended_has_none(snapshot):
    writer = snapshot.stall_writer(Role.ROBOT)
    assert snapshot.stalls(Role.ROBOT).with_open(10**12).spans == []  # never came round at all
    writer.turn(1000 * MS)
    told = snapshot.stalls(Role.ROBOT)
    assert told.with_open(1000 * MS + PROMISE_NS[Role.ROBOT]).spans == []
    still = told.with_open(1800 * MS)
    assert (still.spans, still.count, still.longest_ns) == ([(1000 * MS, 1800 * MS)], 1, 800 * MS)
    writer.end()
    assert snapshot.stalls(Role.ROBOT).with_open(1800 * MS).spans == []


def test_building_is_no_stall(snapshot):
    writer = snapshot.stall_writer(Role.SUPERVISOR)
    writer.turn(1 * MS)
    writer.restart()
    writer.turn(9000 * MS)
    assert snapshot.stalls(Role.SUPERVISOR).count == 0


def test_roles_don_t_share_memory(snapshot):
    for role in Role:
        snapshot.stall_writer(role).turn((role + 1) * MS)
    for role in Role:
        told = snapshot.stalls(role)
        assert (told.turns, told.last_ns) == (1, (role + 1) * MS)


def test_a_turn_leaves_nothing_behind():
    words, rows = memory()
    writer = StallWriter(words, rows, Role.LOOP)
    for n in range(200):
        writer.turn((n + 1) * 3 * MS)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for n in range(200, 5200):
            writer.turn((n + 1) * 3 * MS + n % 2 * 2 * MS)
        assert tracemalloc.get_traced_memory()[0] - before < 500
    finally:
        tracemalloc.stop()


def test_read_from_another_process_while_it_writes(snapshot):
    """Twice round the ring: every row read is one that was written, in order."""
    total = 2 * STALL_ROWS
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(snapshot.fd), str(total)], pass_fds=[snapshot.fd]
    )
    reads = 0
    deadline = time.monotonic() + 60.0
    while process.poll() is None:
        assert time.monotonic() < deadline
        told = snapshot.stalls(Role.BUS)
        reads += bool(told.spans)
        for begin, end in told.spans:
            assert end - begin == 5 * MS
        assert told.spans == sorted(told.spans)
    assert process.returncode == 0
    told = snapshot.stalls(Role.BUS)
    assert (told.turns, told.count) == (total - 1, total - 2)
    assert told.spans[-1] == ((total - 2) * 5 * MS, (total - 1) * 5 * MS)
    assert reads


def test_a_process_stopped_by_a_signal_shows_the_stall_before_and_after_it_goes_on(snapshot):
    code = """
import mmap, sys, time
from emulator.shared_memory.layout import integer_parts
from emulator.shared_memory.stalls import Role, StallWriter
views = integer_parts(mmap.mmap(int(sys.argv[1]), 0))
writer = StallWriter(views["stall.4.words"], views["stall.4.rows"], Role.ROBOT)
while True:
    writer.turn(time.monotonic_ns())
    time.sleep(0.001)
"""
    process = subprocess.Popen([sys.executable, "-c", code, str(snapshot.fd)], pass_fds=[snapshot.fd])
    try:
        while snapshot.stalls(Role.ROBOT).turns < 3:
            time.sleep(0.01)
        os.kill(process.pid, signal.SIGSTOP)
        time.sleep(0.3)
        still = snapshot.stalls(Role.ROBOT).with_open(time.monotonic_ns())
        assert still.longest_ns > 200 * MS
        os.kill(process.pid, signal.SIGCONT)
        time.sleep(0.1)
        assert snapshot.stalls(Role.ROBOT).longest_ns > 200 * MS
    finally:
        process.kill()
        process.wait()


def test_views_without_numpy_are_where_numpy_s_are(snapshot):
    views = integer_parts(mmap.mmap(snapshot.fd, 0))
    snapshot.status[38] = 1234
    assert views["status"][38] == 1234
    snapshot.stall_writer(Role.ROBOT).turn(99)
    assert views["stall.4.words"][1] == 99
    for view in views.values():
        view.release()
