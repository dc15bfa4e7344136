"""The shared block: every record read is intact or reported lost, across processes."""

import gc
import os
import subprocess
import sys
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.errors import RunFailed, StartFailed
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import SIGNALS
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import BURST_BYTES, TEXT_BYTES, Sizes
from emulator.shared_memory.rings import RX, TX, EventRecord
from emulator.shared_memory.status import Command, Status

SMALL = Sizes(signal_rows=16, frame_rows=64, event_rows=4, gnss_rows=4)

# The writing process: every value of a record is made from its number, so a mixture of two shows.
WRITER = """
import sys
import numpy as np
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import SIGNALS
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Status
snapshot = Snapshot.attach(int(sys.argv[1]))
total, pause = int(sys.argv[2]), int(sys.argv[3])
row, frames = np.zeros(len(SIGNALS)), frame_buffer(3)
frames.count[0] = 3
snapshot.status[Status.LOOP_HEARTBEAT] = 1
while snapshot.status[Status.SUPERVISOR_HEARTBEAT] == 0:
    pass
for n in range(total):
    row[:] = n
    frames.can_id[:] = frames.valid_ns[:] = 3 * n + np.arange(3)
    frames.data[:] = (frames.can_id % 251)[:, None]
    snapshot.write_signals(n, row)
    snapshot.write_frames(n, 1, frames, n)
    for _ in range(pause):
        pass
snapshot.status[Status.LOOP_HEARTBEAT] = 2
"""


@pytest.fixture
def snapshot():
    block = Snapshot.create(SMALL)
    yield block
    block.close()


def rows_of(*values):
    return np.outer(np.array(values, float), np.ones(len(SIGNALS)))


@pytest.mark.parametrize(
    ("sizes", "total", "pause", "may_lose"),
    [
        (Sizes(signal_rows=3, frame_rows=9), 60_000, 0, True),
        (Sizes(signal_rows=8192, frame_rows=32768), 5000, 2000, False),
    ],
    ids=["overrun", "ample"],
)
def test_every_record_from_another_process_is_intact_or_reported_lost(sizes, total, pause, may_lose):
    block = Snapshot.create(sizes)
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(block.fd), str(total), str(pause)], pass_fds=[block.fd]
    )
    try:
        signals, frames = block.signal_reader(), block.frame_reader()
        deadline = time.monotonic() + 60
        while block.status[Status.LOOP_HEARTBEAT] == 0 and writer.poll() is None:
            assert time.monotonic() < deadline
        block.status[Status.SUPERVISOR_HEARTBEAT] = 1
        next_row = next_frame = rows_read = rows_lost = frames_read = frames_lost = 0
        done = False
        while not done:
            done = block.status[Status.LOOP_HEARTBEAT] == 2 or writer.poll() is not None
            got = signals.read()
            assert np.array_equal(got.tick, next_row + got.lost + np.arange(len(got.tick)))
            assert np.array_equal(got.rows, np.outer(got.tick, np.ones(len(SIGNALS))))
            if (newest := block.latest()) is not None:
                assert set(newest[1]) == {newest[0]}
            next_row += got.lost + len(got.tick)
            rows_read, rows_lost = rows_read + len(got.tick), rows_lost + got.lost
            sent = frames.read()
            assert np.array_equal(sent.can_id, next_frame + sent.lost + np.arange(len(sent.tick)))
            assert np.array_equal(sent.tick, sent.can_id // 3)
            assert np.array_equal(sent.valid_ns, sent.can_id)
            assert np.array_equal(sent.data, np.repeat((sent.can_id % 251)[:, None], 8, axis=1))
            next_frame += sent.lost + len(sent.tick)
            frames_read, frames_lost = frames_read + len(sent.tick), frames_lost + sent.lost
        assert writer.wait(30) == 0
        assert (rows_read + rows_lost, frames_read + frames_lost) == (total, 3 * total)
        assert rows_read > 0
        assert (rows_lost > 0) == may_lose
        assert may_lose or frames_lost == 0
    finally:
        writer.kill()
        writer.wait()
        block.close()


@settings(max_examples=40)
@given(st.lists(st.integers(0, 40), min_size=1, max_size=6))
def test_reader_accounts_for_every_row_however_writes_and_reads_alternate(bursts):
    block = Snapshot.create(SMALL)
    try:
        reader, written, seen = block.signal_reader(), 0, 0
        for burst in bursts:
            for _ in range(burst):
                block.write_signals(written, rows_of(written)[0])
                written += 1
            got = reader.read()
            # In one process nobody writes while we copy, so exactly the oldest beyond capacity are lost.
            assert got.lost == max(0, burst - SMALL.signal_rows)
            assert got.tick.tolist() == list(range(seen + got.lost, written))
            assert np.array_equal(got.rows, rows_of(*got.tick))
            seen = written
    finally:
        block.close()


def test_record_claimed_but_not_published_takes_the_oldest_with_it(snapshot):
    for n in range(SMALL.signal_rows):
        snapshot.write_signals(n, rows_of(n)[0])
    reader = snapshot.signal_reader()
    snapshot._signals.counter[0] += 1  # a writer in the middle of the next record
    got = reader.read()
    assert got.lost == 1
    assert got.tick.tolist() == list(range(1, SMALL.signal_rows))


def test_frames_keep_direction_times_and_payload(snapshot):
    buffer = frame_buffer(4)
    buffer.count[0] = 2
    buffer.time_ns[:2] = 11, 12
    buffer.valid_ns[:2] = 7, 8
    buffer.can_id[:2] = 0x123, 0x80000001
    buffer.length[:2] = 8, 3
    buffer.data[0, :8] = np.arange(8)
    assert snapshot.write_frames(-5, RX, buffer) == 0
    assert snapshot.write_frames(-4, TX, buffer, 99, 1234) == 0
    got = snapshot.frame_reader().read()
    assert got.tick.tolist() == [-5, -5, -4, -4]
    assert got.time_ns.tolist() == [11, 12, 99, 99]
    assert got.valid_ns.tolist() == [7, 8, 7, 8]
    assert got.cycle.tolist() == [0, 0, 1234, 1234]
    assert got.direction.tolist() == [RX, RX, TX, TX]
    assert got.can_id.tolist() == [0x123, 0x80000001] * 2
    assert got.length.tolist() == [8, 3] * 2
    assert got.data[0].tolist() == list(range(8))
    assert got.lost == 0


def test_long_payloads_are_kept_whole_in_a_wide_ring_and_counted_in_a_narrow_one(snapshot):
    buffer = frame_buffer(1)
    buffer.count[0], buffer.length[0] = 1, 64
    buffer.data[0] = np.arange(64)
    assert snapshot.write_frames(0, TX, buffer) == 1
    wide = Snapshot.create(SMALL._replace(data_bytes=64))
    assert wide.write_frames(0, TX, buffer) == 0
    assert wide.frame_reader().read().data[0].tolist() == list(range(64))
    wide.close()


def test_event_text_is_cut_at_a_character(snapshot):
    snapshot.write_event(-3, 7, 2, 1.5, "grip 0.4 from 120 m")
    snapshot.write_event(4, 8, 0, 0.0, "ä" * 100)
    events, lost = snapshot.event_reader().read()
    assert events[0] == EventRecord(-3, 7, 2, 1.5, "grip 0.4 from 120 m")
    assert events[1].text == "ä" * (TEXT_BYTES // 2)
    assert lost == 0


def test_event_text_of_a_reused_slot_does_not_shine_through(snapshot):
    for n in range(SMALL.event_rows):
        snapshot.write_event(n, 0, 0, 0.0, "long text that will be overwritten")
    reader = snapshot.event_reader(from_now=True)
    snapshot.write_event(9, 0, 0, 0.0, "short")
    assert [e.text for e in reader.read()[0]] == ["short"]


def test_gnss_bursts_longer_than_a_record_come_back_complete(snapshot):
    burst = bytes(range(256)) * 3
    snapshot.write_gnss(5, burst)
    records, lost = snapshot.gnss_reader().read()
    assert [r.tick for r in records] == [5, 5]
    assert b"".join(r.data for r in records) == burst
    assert len(records[0].data) == BURST_BYTES
    assert lost == 0


def test_commands_arrive_once_and_in_order(snapshot):
    other = Snapshot.attach(snapshot.fd)
    assert snapshot.pop_command() is None
    other.post(Command.ARM)
    other.post(Command.TRIP, 3.0)
    assert snapshot.pop_command() == (Command.ARM, 0.0)
    assert snapshot.pop_command() == (Command.TRIP, 3.0)
    assert snapshot.pop_command() is None
    other.close()


def test_commands_given_to_the_plant_are_told_with_their_cycle(snapshot):
    reader = snapshot.applied_reader()
    snapshot.write_applied(0, Command.ARM, 0.0)
    snapshot.write_applied(2**40, Command.TRIP, 0.1)
    assert reader.read() == ([(0, Command.ARM, 0.0), (2**40, Command.TRIP, 0.1)], 0)
    assert reader.read() == ([], 0)


def test_mailbox_of_a_loop_that_does_not_run_refuses_instead_of_overwriting(snapshot):
    for _ in range(64):
        snapshot.post(Command.STOP)
    with pytest.raises(RunFailed, match="has not taken the last 64 commands"):
        snapshot.post(Command.STOP)
    snapshot.pop_command()
    snapshot.post(Command.ARM)


def test_latest_row_is_a_copy(snapshot):
    assert snapshot.latest() is None
    snapshot.write_signals(3, rows_of(3)[0])
    tick, row = snapshot.latest()
    snapshot.write_signals(4, rows_of(4)[0])
    assert (tick, set(row)) == (3, {3.0})


def test_status_words_are_shared_and_distinct(snapshot):
    other = Snapshot.attach(snapshot.fd)
    for word in Status:
        snapshot.status[word] = 1000 + word
    assert [other.status[word] for word in Status] == [1000 + word for word in Status]
    other.lateness_counts[:] = 1
    assert snapshot.lateness_counts.sum() == len(snapshot.lateness_counts)
    other.close()


def test_block_can_not_be_shrunk_under_a_reader(snapshot):
    with pytest.raises(PermissionError):
        os.ftruncate(snapshot.fd, 4096)


@pytest.mark.parametrize(
    ("word", "value", "message"),
    [
        (0, 1, "is not a snapshot"),
        (1, 99, "has layout 99, this is 3"),
        (3, 5, "has 5 signals"),
        (2, 5, "bytes, expected"),
        (4, 17, "bytes, expected"),
    ],
)
def test_attach_refuses_what_it_does_not_understand(snapshot, word, value, message):
    np.frombuffer(snapshot._memory, np.int64, 16)[word] = value
    with pytest.raises(StartFailed, match=message) as caught:
        Snapshot.attach(snapshot.fd)
    assert "one installation" in str(caught.value)


@pytest.mark.parametrize("size", [0, 8, 128])
def test_attach_refuses_other_files(size, tmp_path):
    path = tmp_path / "other"
    path.write_bytes(bytes(size))
    with path.open("r+b") as file, pytest.raises(StartFailed, match=r"not a snapshot|can't be mapped"):
        Snapshot.attach(file.fileno())


@pytest.mark.parametrize("sizes", [Sizes(signal_rows=1), Sizes(data_bytes=9)])
def test_senseless_sizes_are_refused(sizes):
    with pytest.raises(ValueError, match="at least 2 records"):
        Snapshot.create(sizes)


def test_close_twice_leaves_no_descriptor_behind():
    gc.collect()  # descriptors of earlier tests go now, not in between
    before = set(os.listdir("/proc/self/fd"))
    block = Snapshot.create(SMALL)
    other = Snapshot.attach(block.fd)
    for s in (block, block, other, other):
        s.close()
    assert set(os.listdir("/proc/self/fd")) == before
