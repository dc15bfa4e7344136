"""A recorder that is killed: another one goes on with the record; nothing is missing or there twice."""

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import SIGNALS, UNARMED_TICK
from emulator.record.kept import kept_in
from emulator.record.process import Drain
from emulator.record.reader import read_run
from emulator.record.writer import INPUT_MARK, INPUTS_FILE, SIGNALS_FILE, RunWriter
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.rings import RX, TX


def describe(event):
    return f"kind {event.code}", f"name {event.index}", event.text


class Loop:
    """What a loop publishes, a tick a cycle: 40 before arming, then the ride from tick -100 on."""

    UNARMED = 40

    def __init__(self, snapshot):
        self.snapshot, self.cycle = snapshot, 0
        self.frames, self.row = frame_buffer(1), np.zeros(len(SIGNALS))
        self.frames.count[0], self.frames.length[0] = 1, 8

    def go(self, cycles):
        for _ in range(cycles):
            n, frames, snapshot = self.cycle, self.frames, self.snapshot
            tick = UNARMED_TICK + n if n < self.UNARMED else n - self.UNARMED - 100
            frames.data[0, 0] = n % 251
            if n % 3 == 0:
                frames.can_id[0] = 0x200
                snapshot.write_frames(tick, RX, frames, tick * 1_000_000, n)
            if n % 10 == 0:
                frames.can_id[0] = 0x100
                snapshot.write_frames(tick, TX, frames, tick * 1_000_000, n)
                snapshot.write_gnss(tick, b"$GP,%d*\r\n" % n)
            if n % 70 == 0:
                snapshot.write_event(tick, 3, n, 0.0, f"event {n}")
                snapshot.write_applied(n, 1, float(n))
            self.row[:] = n
            snapshot.write_signals(tick, self.row)
            self.cycle += 1


def inputs_of(folder):
    table = pa.ipc.open_stream((folder / INPUTS_FILE).read_bytes()).read_all()
    rows = table.to_pylist()
    ordered = sorted(
        ((r["cycle"], r["kind"], r["code"], r["data"]) for r in rows if r["kind"] != INPUT_MARK), key=repr
    )
    return ordered, max(r["cycle"] for r in rows if r["kind"] == INPUT_MARK)


def content(folder):
    run = read_run(folder)
    assert run.losses == []
    return (
        run.tick.tolist(),
        run.signal(SIGNALS[0].name).tolist(),
        [column.tolist() for column in run.frames],
        run.events,
        run.gnss,
        inputs_of(folder),
    )


def another_recorder(snapshot, folder):
    """What goes on with a record that was cut short; and what was kept of that."""
    kept = kept_in(folder)
    writer = RunWriter(folder, {}, ends=kept.ends)
    drain = Drain(snapshot, writer, describe)
    drain.go_on(snapshot, kept)
    return writer, drain, kept


def recorded(folder, steps, killed_after):
    """Drains after each step of so many cycles; after some of them the recorder is killed and replaced."""
    snapshot = Snapshot.create(Sizes(8192, 8192, 256, 512))
    try:
        loop, writer = Loop(snapshot), RunWriter(folder, {"x": 1}, {"files/a": b"a"})
        drain = Drain(snapshot, writer, describe)
        for n, cycles in enumerate(steps):
            loop.go(cycles)
            drain.once()
            if n % 3 == 2:
                writer.flush()
            if n in killed_after:
                for file in writer._files:  # what it has not written yet is gone with it
                    file.close()
                loop.go(50)
                writer, drain, _ = another_recorder(snapshot, folder)
        drain.once()
        writer.close()
        return drain.done
    finally:
        snapshot.close()


def uninterrupted(folder, cycles):
    snapshot = Snapshot.create(Sizes(8192, 8192, 256, 512))
    try:
        writer = RunWriter(folder, {"x": 1}, {"files/a": b"a"})
        Loop(snapshot).go(cycles)
        Drain(snapshot, writer, describe).once()
        writer.close()
    finally:
        snapshot.close()


@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(st.integers(1, 400), min_size=2, max_size=9),
    killed_after=st.sets(st.integers(0, 8), min_size=1, max_size=2),
)
def test_the_record_is_the_one_of_a_recorder_that_lived(tmp_path_factory, steps, killed_after):
    folder = tmp_path_factory.mktemp("kept")
    killed_after = {n for n in killed_after if n < len(steps)}
    done = recorded(folder / "killed", steps, killed_after)
    uninterrupted(folder / "whole", sum(steps) + 50 * len(killed_after))
    assert done.lost == 0
    assert content(folder / "killed") == content(folder / "whole")
    assert (folder / "killed" / "files" / "a").read_bytes() == b"a"


@pytest.mark.parametrize("cut", [0, 1, 100, 1000])
def test_half_a_batch_at_the_end_is_cut_off(tmp_path, cut):
    folder = tmp_path / "run"
    snapshot = Snapshot.create(Sizes(8192, 8192, 256, 512))
    writer = RunWriter(folder, {})
    Loop(snapshot).go(2000)
    Drain(snapshot, writer, describe).once()
    writer.flush()
    for file in writer._files:
        file.close()
    path = folder / SIGNALS_FILE
    path.write_bytes(path.read_bytes()[: path.stat().st_size - cut])
    writer, drain, _ = another_recorder(snapshot, folder)
    drain.once()
    writer.close()
    snapshot.close()
    run = read_run(folder)
    assert run.losses == []
    assert run.tick.tolist() == list(range(-100, 2000 - Loop.UNARMED - 100))


def test_what_the_ring_no_longer_holds_is_told_as_lost(tmp_path):
    folder = tmp_path / "run"
    snapshot = Snapshot.create(Sizes(1024, 1024, 256, 512))
    loop, writer = Loop(snapshot), RunWriter(folder, {})
    loop.go(640)
    Drain(snapshot, writer, describe).once()
    for file in writer._files:
        file.close()
    loop.go(2000)
    writer, drain, kept = another_recorder(snapshot, folder)
    drain.once()
    writer.close()
    snapshot.close()
    assert kept.tick == 499
    first = 640 + 2000 - 1024 - Loop.UNARMED - 100  # tick of the oldest row kept
    assert drain.done.lost_rows == first - 500
    run = read_run(folder)
    assert run.tick.tolist() == [*range(-100, 500), *range(first, first + 1024)]
    assert f"{first - 500} signal rows were overwritten" in next(
        e.text for e in run.events if e.kind == "record_lost"
    )
