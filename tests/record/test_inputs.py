"""Inputs of the plant in the record: all of them, in their order, and only as far as they are whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import RecordError
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import SIGNALS, UNARMED_TICK
from emulator.record.inputs import read_inputs
from emulator.record.process import Drain
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.rings import RX, TX
from emulator.shared_memory.status import Command


def two_frames(cycle: int) -> FrameBuffer:
    """Two frames of three and of eight bytes that tell their cycle."""
    frames = frame_buffer(2)
    frames.count[0] = 2
    frames.can_id[:] = 0x80000010, 0x20
    frames.length[:] = 3, 8
    frames.data[:, :8] = cycle % 256
    return frames


def cycled(snapshot: Snapshot, first: int, end: int, *, armed_at: int = 10**9) -> None:
    """What a loop publishes: frames both ways and a row a tick, a command every seventh."""
    row = np.zeros(len(SIGNALS))
    for cycle in range(first, end):
        tick = cycle - armed_at if cycle >= armed_at else cycle + UNARMED_TICK
        if cycle % 7 == 0:
            snapshot.write_applied(cycle, Command.TRIP, cycle + 0.25)
        snapshot.write_frames(tick, TX, two_frames(cycle), 0, cycle)
        if cycle % 3:
            snapshot.write_frames(tick, RX, two_frames(cycle), 0, cycle)
        snapshot.write_signals(tick, row)


@pytest.fixture
def snapshot() -> Snapshot:
    return Snapshot.create(Sizes(4096, 16384, 64, 64))


def drain(snapshot: Snapshot, writer: RunWriter) -> Drain:
    return Drain(snapshot, writer, lambda event: ("", "", event.text))


def test_everything_from_the_loops_first_tick_on_is_there_in_its_order(
    snapshot: Snapshot, tmp_path: Path
) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        moving = drain(snapshot, writer)
        for first, end in ((0, 13), (13, 13), (13, 500), (500, 900)):
            cycled(snapshot, first, end, armed_at=600)
            moving.once()
    inputs = read_inputs(tmp_path / "run")
    assert inputs.cycles == 900
    cycles = [c for c in range(900) if c % 3]
    assert inputs.cycle.tolist() == np.repeat(cycles, 2).tolist()
    assert inputs.can_id.tolist() == [0x80000010, 0x20] * len(cycles)
    assert inputs.length.tolist() == [3, 8] * len(cycles)
    assert (inputs.data[::2, :3] == (np.array(cycles) % 256)[:, None]).all()
    assert not inputs.data[::2, 3:].any()  # nothing beyond its length, as in the record of frames
    assert not inputs.data[1::2, 8:].any()
    assert inputs.commands == [(c, Command.TRIP, c + 0.25) for c in range(0, 900, 7)]
    # the ordinary record begins with arming
    assert read_run(tmp_path / "run").frames.tick[0] == 0


def test_a_cut_stream_gives_only_what_is_whole(snapshot: Snapshot, tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        moving = drain(snapshot, writer)
        for end in range(50, 1001, 50):
            cycled(snapshot, end - 50, end)
            moving.once()
            writer.flush()
    path = tmp_path / "run" / "inputs.arrow"
    whole, content = read_inputs(tmp_path / "run"), path.read_bytes()
    seen = set()
    for cut in range(0, len(content), len(content) // 40):
        path.write_bytes(content[:cut])
        inputs = read_inputs(tmp_path / "run")
        seen.add(inputs.cycles)
        assert inputs.cycles % 50 == 0
        n = int((whole.cycle < inputs.cycles).sum())
        assert np.array_equal(inputs.cycle, whole.cycle[:n])
        assert np.array_equal(inputs.data, whole.data[:n])
        assert inputs.commands == [c for c in whole.commands if c.cycle < inputs.cycles]
    assert len(seen) > 10


@pytest.mark.parametrize("what", ["frames", "commands"])
def test_nothing_is_claimed_behind_a_loss(snapshot: Snapshot, tmp_path: Path, what: str) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        moving = drain(snapshot, writer)
        cycled(snapshot, 0, 100)
        moving.once()
        if what == "commands":
            for _ in range(1100):
                snapshot.write_applied(100, Command.GO, 0.0)
        cycled(snapshot, 100, 150 if what == "commands" else 6000)
        moving.once()
        cycled(snapshot, 6000, 6100)
        moving.once()
    inputs = read_inputs(tmp_path / "run")
    assert inputs.cycles == 100
    assert inputs.cycle.max() == 98
    texts = [e.text for e in read_run(tmp_path / "run").events if e.kind == "record_lost"]
    assert any(f" {what} were overwritten before" in text for text in texts)


def test_rows_that_were_lost_are_ticks_all_the_same(snapshot: Snapshot, tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        moving = drain(snapshot, writer)
        row = np.zeros(len(SIGNALS))
        for tick in range(5000):
            snapshot.write_signals(tick, row)
        snapshot.write_frames(4999, RX, two_frames(4999), 0, 4999)
        moving.once()
    assert read_inputs(tmp_path / "run").cycles == 5000


def test_what_is_no_record_of_inputs_is_refused(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        writer.append_input_mark(1)
        writer.append_command_input(5, 1, 0.0)
        writer.append_command_input(3, 1, 0.0)
        writer.append_input_mark(9)
    path = tmp_path / "run" / "inputs.arrow"
    with pytest.raises(RecordError, match="cycles fall"):
        read_inputs(tmp_path / "run")
    path.write_bytes((tmp_path / "run" / "frames.arrow").read_bytes())
    with pytest.raises(RecordError, match="other columns"):
        read_inputs(tmp_path / "run")
    path.unlink()
    with pytest.raises(RecordError, match="was not recorded"):
        read_inputs(tmp_path / "run")
