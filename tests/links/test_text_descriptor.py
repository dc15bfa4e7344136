"""Text of frames read and written at a descriptor by compiled code alone."""

from __future__ import annotations

import gc
import socket
from collections.abc import Iterator

import numpy as np
import pytest
from numba.core.runtime import _nrt_python, rtsys

from emulator.core.compiled import jit
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.links.can_text import TextLink
from emulator.links.text_descriptor import (
    ASK_PYTHON,
    EMPTY,
    LONGEST_TEXT,
    MOST_BYTES,
    descriptor_of,
    receive_text,
    send_text,
)
from emulator.wire.can_text import LONGEST_FRAME, RECEIVE_LOST, RECEIVED, WAITING

FRAME = b"< frame 123 1.5 0102 >"


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        yield near, far


def frames_of(n: int) -> FrameBuffer:
    frames = frame_buffer(n)
    frames.count[0], frames.can_id[:], frames.length[:] = n, np.arange(n) + 0x100, 2
    frames.data[:, :2] = (0xAB, 0xCD)
    return frames


def received(d, into, tally, text):  # type: ignore[no-untyped-def]
    return receive_text(d, False, text, into, tally, 7)


@pytest.fixture
def memory() -> tuple[FrameBuffer, np.ndarray, np.ndarray]:
    return frame_buffer(2000), np.zeros(4, np.int64), np.zeros(LONGEST_TEXT + 16384, np.uint8)


def test_frames_come_in_whatever_pieces(ends, memory) -> None:  # type: ignore[no-untyped-def]
    (near, far), (into, tally, _) = ends, memory
    d = descriptor_of(near.fileno(), 0)
    assert (received(d, *memory), into.count[0]) == (EMPTY, 0)
    for cut in range(1, len(FRAME)):
        into.count[0] = 0
        far.sendall(FRAME[:cut])
        assert (received(d, *memory), into.count[0], d.kept[0]) == (EMPTY, 0, cut)
        far.sendall(FRAME[cut:])
        assert (received(d, *memory), into.count[0], d.kept[0]) == (EMPTY, 1, 0)
        assert (into.can_id[0], into.length[0], into.time_ns[0]) == (0x123, 2, 7)
        assert into.data[0, :2].tolist() == [1, 2]
    assert tally[RECEIVED] == len(FRAME) - 1


def test_one_call_takes_no_more_than_it_may(ends, memory) -> None:  # type: ignore[no-untyped-def]
    (near, far), (into, _, _) = ends, memory
    d = descriptor_of(near.fileno(), 0)
    far.sendall(FRAME * 1600)
    assert received(d, *memory) == EMPTY
    first = int(into.count[0])
    assert MOST_BYTES // len(FRAME) <= first + 1 < 2 * MOST_BYTES // len(FRAME)
    while into.count[0] < 1600:
        assert received(d, *memory) == EMPTY


def test_frames_without_a_row_wait_in_the_text(ends, memory) -> None:  # type: ignore[no-untyped-def]
    (near, far), (_, tally, text) = ends, memory
    d, one = descriptor_of(near.fileno(), 0), frame_buffer(1)
    far.sendall(FRAME * 2)
    assert received(d, one, tally, text) == EMPTY
    assert (one.count[0], tally[WAITING]) == (1, 1)
    one.count[0] = 0
    assert received(d, one, tally, text) == EMPTY
    assert (one.count[0], tally[WAITING], d.kept[0]) == (1, 0, 0)


def test_text_without_an_end_is_thrown_away(ends, memory) -> None:  # type: ignore[no-untyped-def]
    (near, far), (_, tally, _) = ends, memory
    d = descriptor_of(near.fileno(), 0)
    far.sendall(b"x" * (LONGEST_TEXT + 1))
    assert received(d, *memory) == EMPTY
    assert (tally[RECEIVE_LOST], d.kept[0]) == (1, 0)


def test_the_end_and_errors_are_left_to_python(ends, memory) -> None:  # type: ignore[no-untyped-def]
    near, far = ends
    far.close()
    assert received(descriptor_of(near.fileno(), 0), *memory) == ASK_PYTHON
    assert received(descriptor_of(1 << 20, 0), *memory) == ASK_PYTHON  # no such descriptor


def test_what_is_written_is_told(ends) -> None:  # type: ignore[no-untyped-def]
    near, far = ends
    frames, text, places = frames_of(3), np.zeros(64 * LONGEST_FRAME, np.uint8), np.zeros(64, np.int64)
    d = descriptor_of(near.fileno(), 0)
    frames.length[1] = 12  # no text of this protocol has so many
    written = send_text(d, False, frames, text, places)
    assert (written, d.kept[1]) == (places[1], 2)
    assert far.recv(4096) == b"< send 100 2 AB CD >< send 102 2 AB CD >"
    frames.count[0] = 0
    assert (send_text(d, False, frames, text, places), d.kept[1]) == (0, 0)
    frames.count[0] = 3
    far.close()
    assert send_text(d, False, frames, text, places) < 0


def test_a_full_buffer_loses_whole_frames_and_never_half_of_one(ends) -> None:  # type: ignore[no-untyped-def]
    near, far = ends
    near.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    link, frames, taken = TextLink(near.fileno(), lambda: None, serial=False), frames_of(50), 0
    for _ in range(40):
        taken += link.send(frames)
    counts = link.counts()
    assert counts.alive
    assert 0 < taken == counts.sent
    assert counts.sent + counts.send_lost == 40 * 50
    assert counts.send_full == counts.send_lost > 0
    far.setblocking(False)
    text = b""
    while True:
        try:
            text += far.recv(65536)
        except BlockingIOError:
            if link.send(frames_of(1)) == 1:  # what was begun is finished first
                text += far.recv(65536)
            break
    whole = text.count(b"AB CD >")
    assert whole == text.count(b"< send") == taken + 1
    assert text.endswith(b">")


@jit
def _often(d, serial, text, into, tally, frames, out, places, turns):  # type: ignore[no-untyped-def]
    for _ in range(turns):
        into.count[0] = 0
        receive_text(d, serial, text, into, tally, 0)
        send_text(d, serial, frames, out, places)
    return into.count[0]


def test_it_allocates_nothing(memory) -> None:  # type: ignore[no-untyped-def]
    """Nobody reads at the other end, which is soon full: that is part of it."""
    near, far = socket.socketpair()
    near.setblocking(False)
    into, tally, text = memory
    d = descriptor_of(near.fileno(), 0)
    out, places = np.zeros(64 * LONGEST_FRAME, np.uint8), np.zeros(64, np.int64)
    arguments = (d, False, text, into, tally, frames_of(3), out, places)
    with near, far:
        _often(*arguments, 1)
        was_on = _nrt_python.memsys_stats_enabled()
        _nrt_python.memsys_enable_stats()
        try:
            gc.collect()
            made = []
            for turns in (1, 500):
                before = rtsys.get_allocation_stats()
                _often(*arguments, turns)
                made.append(rtsys.get_allocation_stats().alloc - before.alloc)
        finally:
            if not was_on:
                _nrt_python.memsys_disable_stats()
    assert made[0] == made[1]
