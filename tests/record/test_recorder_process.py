"""The recorder takes everything there is, on every way a run can end."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from emulator.core.errors import RunFailed
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import SIGNALS, UNARMED_TICK
from emulator.record.process import LOOP_EVENT_KINDS, Drain, run_recorder
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.rings import TX
from emulator.shared_memory.status import LoopEvent, LoopState, RecorderState, Status


def describe(event):
    return f"kind {event.code}", f"name {event.index}", event.text


@pytest.fixture
def snapshot():
    block = Snapshot.create(Sizes(2048, 2048, 64, 64))
    yield block
    block.close()


def ride(snapshot, ticks, first=0):
    """What a loop would publish: one row a tick, a frame and a burst every ten."""
    frames, row = frame_buffer(1), np.zeros(len(SIGNALS))
    frames.count[0], frames.length[0] = 1, 8
    for n in range(first, first + ticks):
        row[:] = n
        snapshot.write_signals(n, row)
        if n % 10 == 0:
            frames.can_id[0], frames.valid_ns[0] = 0x120, n * 1_000_000 - 5_000_000
            snapshot.write_frames(n, TX, frames, n * 1_000_000)
            snapshot.write_gnss(n, b"$GP,%d\r\n" % n)


def finish(snapshot):
    snapshot.status[Status.LOOP_STATE] = LoopState.ENDED


def test_everything_in_the_rings_is_in_the_record(snapshot, tmp_path):
    ride(snapshot, 600, first=-300)
    snapshot.write_event(-300, 3, 7, 0.0, "wheel speed stuck")
    snapshot.write_event(5, LoopEvent.RECORDER_GONE, 0, 0.0, "recorder gone")
    finish(snapshot)
    done = run_recorder(snapshot, RunWriter(tmp_path / "run", {}), describe, interval_s=0.0)
    assert (done.rows, done.frames, done.gnss_records, done.events, done.lost) == (600, 60, 60, 2, 0)
    assert done.ended_because == "the loop has ended"
    assert snapshot.status[Status.RECORDER_STATE] == RecorderState.CLOSED
    run = read_run(tmp_path / "run")
    assert not run.truncated
    assert [(e.kind, e.name, e.text) for e in run.events] == [
        ("kind 3", "name 7", "wheel speed stuck"),
        ("recorder_gone", "loop", "recorder gone"),
    ]
    assert (tmp_path / "run" / "gnss.nmea").read_bytes().startswith(b"$GP,-300\r\n$GP,-290\r\n")


def test_a_countdown_that_a_hold_put_back_is_recorded_once_and_without_a_gap(snapshot, tmp_path):
    drain = Drain(snapshot, writer := RunWriter(tmp_path / "run", {}), describe)
    for first, ticks in ((UNARMED_TICK, 50), (-700, 300), (UNARMED_TICK + 350, 200), (-900, 1000)):
        ride(snapshot, ticks, first)
        drain.once()
    writer.close()
    assert (read_run(tmp_path / "run").tick == np.arange(-700, 100)).all()


def test_it_tells_how_many_ticks_rows_had_lain_there(snapshot, tmp_path):
    drain = Drain(snapshot, writer := RunWriter(tmp_path / "run", {}), describe)
    told = []
    for first, ticks in ((0, 1), (1, 300), (301, 5), (306, 3000)):
        ride(snapshot, ticks, first)
        told.append(drain.once())
    writer.close()
    assert told == [1, 300, 5, 3000]  # those that were overwritten meanwhile, too


def test_what_was_overwritten_is_reported_in_the_record(snapshot, tmp_path):
    ride(snapshot, 3000)
    finish(snapshot)
    done = run_recorder(snapshot, RunWriter(tmp_path / "run", {}), describe, interval_s=0.0)
    assert done.lost_rows == 3000 - 2048
    assert done.lost_gnss_records == 300 - 64
    assert snapshot.status[Status.RECORDER_LOST] == done.lost
    texts = [e.text for e in read_run(tmp_path / "run").events if e.kind == "record_lost"]
    assert "952 signal rows were overwritten before the recorder read them" in texts


def test_a_frame_without_promise_has_no_time_of_validity_in_the_record(snapshot, tmp_path):
    frames = frame_buffer(1)
    frames.count[0], frames.valid_ns[0] = 1, -(2**63)
    snapshot.write_frames(0, TX, frames, 7)
    finish(snapshot)
    run_recorder(snapshot, RunWriter(tmp_path / "run", {}), describe, interval_s=0.0)
    assert read_run(tmp_path / "run").frames.valid_ns.tolist() == [0]


def test_the_supervisor_can_end_it_while_the_loop_runs(snapshot, tmp_path):
    snapshot.status[Status.LOOP_STATE], snapshot.status[Status.LOOP_PID] = LoopState.CYCLING, os.getpid()
    snapshot.status[Status.RECORDER_END] = 1
    ride(snapshot, 10)
    done = run_recorder(snapshot, RunWriter(tmp_path / "run", {}), describe)
    assert (done.ended_because, done.rows) == ("the supervisor said so", 10)


def test_a_loop_that_died_without_a_word_ends_it(snapshot, tmp_path):
    child = subprocess.Popen([sys.executable, "-c", ""])  # left as a zombie: nobody asks how it ended
    with child:
        snapshot.status[Status.LOOP_STATE], snapshot.status[Status.LOOP_PID] = LoopState.CYCLING, child.pid
        ride(snapshot, 10)
        done = run_recorder(snapshot, RunWriter(tmp_path / "run", {}), describe, interval_s=0.01)
    assert (done.ended_because, done.rows) == ("the loop died", 10)


def test_a_supervisor_gone_before_the_loop_came_ends_it(snapshot, tmp_path):
    done = run_recorder(
        snapshot, RunWriter(tmp_path / "run", {}), describe, supervisor_pid=os.getppid() + 1, interval_s=0.0
    )
    assert done.ended_because == "the supervisor was gone before the loop came"


def test_a_disk_that_refuses_is_shown_in_the_status_block(snapshot, tmp_path):
    ride(snapshot, 10)

    class Full(RunWriter):
        def append_signals(self, ticks, rows):
            raise RunFailed("no space left")

    with pytest.raises(RunFailed):
        run_recorder(snapshot, Full(tmp_path / "run", {}), describe)
    assert snapshot.status[Status.RECORDER_STATE] == RecorderState.FAILED


def test_every_loop_event_has_a_kind():
    assert set(LOOP_EVENT_KINDS) == set(LoopEvent)


RECORDER = """
import sys
from emulator.record.process import run_recorder
from emulator.record.writer import RunWriter
from emulator.shared_memory.block import Snapshot
snapshot, writer = Snapshot.attach(int(sys.argv[1])), RunWriter(sys.argv[2], {})
run_recorder(snapshot, writer, lambda event: ("", "", ""), interval_s=0.02)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_do_not_cost_the_record(snapshot, tmp_path, number):
    status = snapshot.status
    status[Status.LOOP_STATE], status[Status.LOOP_PID] = LoopState.CYCLING, os.getpid()
    process = subprocess.Popen(
        [sys.executable, "-c", RECORDER, str(snapshot.fd), str(tmp_path / "run")], pass_fds=[snapshot.fd]
    )
    with process:
        wait_for_beat(status, process, 1)
        process.send_signal(number)
        ride(snapshot, 200)
        wait_for_beat(status, process, status[Status.RECORDER_HEARTBEAT] + 3)
        ride(snapshot, 100, first=200)
        finish(snapshot)
        assert process.wait(20) == 0
    run = read_run(tmp_path / "run")
    assert run.tick.tolist() == list(range(300))
    assert not run.truncated


def wait_for_beat(status, process, beat):
    deadline = time.monotonic() + 30
    while status[Status.RECORDER_HEARTBEAT] < beat:
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.005)
