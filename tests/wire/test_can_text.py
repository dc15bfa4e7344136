"""CAN frames as text against a plain writing of the two formats, in whatever pieces the stream comes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.frame_buffer import EXTENDED, FrameBuffer, frame_buffer
from emulator.wire.can_text import LONGEST_FRAME, WAITING, decode, encode

Frame = tuple[int, bytes]

IDENTIFIERS = st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda n: n | EXTENDED)
FRAMES = st.lists(st.tuples(IDENTIFIERS, st.binary(max_size=8)), max_size=8)


def filled(frames: list[Frame]) -> FrameBuffer:
    buffer = frame_buffer(16)
    for row, (can_id, payload) in enumerate(frames):
        buffer.can_id[row], buffer.length[row] = can_id, len(payload)
        buffer.data[row, : len(payload)] = np.frombuffer(payload, np.uint8)
    buffer.count[0] = len(frames)
    return buffer


def serial_text(can_id: int, payload: bytes) -> bytes:
    name = f"T{can_id & 0x1FFFFFFF:08X}" if can_id & EXTENDED else f"t{can_id:03X}"
    return f"{name}{len(payload)}{payload.hex().upper()}\r".encode()


def name_of(can_id: int) -> str:
    return f"{can_id & 0x1FFFFFFF:08X}" if can_id & EXTENDED else f"{can_id:03X}"


def sent_text(can_id: int, payload: bytes) -> bytes:
    data = "".join(f" {byte:02X}" for byte in payload)
    return f"< send {name_of(can_id)} {len(payload)}{data} >".encode()


def heard_text(can_id: int, payload: bytes) -> bytes:
    return f"< frame {name_of(can_id)} 12.345678 {payload.hex()} >".encode()


@given(frames=FRAMES, serial=st.booleans())
@settings(max_examples=200)
def test_frames_are_written_as_the_formats_say(frames: list[Frame], serial: bool) -> None:
    text, ends = np.zeros(16 * LONGEST_FRAME, np.uint8), np.zeros(16, np.int64)
    count = encode(serial, filled(frames), text, ends, 0)
    pieces = [serial_text(*f) if serial else sent_text(*f) for f in frames]
    assert count == len(frames)
    assert ends[:count].tolist() == np.cumsum([len(p) for p in pieces]).tolist()
    assert text[: ends[count - 1] if count else 0].tobytes() == b"".join(pieces)


@given(frames=FRAMES, stamp_us=st.integers(1, 9_999_999_999_999_999))
def test_frames_with_their_time_are_written_as_the_others_on_the_bus_get_them(
    frames: list[Frame], stamp_us: int
) -> None:
    text, ends = np.zeros(8 * LONGEST_FRAME, np.uint8), np.zeros(8, np.int64)
    count = encode(False, filled(frames), text, ends, stamp_us)
    time = f"{stamp_us // 1_000_000:010d}.{stamp_us % 1_000_000:06d}"
    pieces = [f"< frame {name_of(name)} {time} {data.hex().upper()} >".encode() for name, data in frames]
    assert count == len(frames)
    assert ends[:count].tolist() == np.cumsum([len(p) for p in pieces]).tolist()
    assert text[: ends[count - 1] if count else 0].tobytes() == b"".join(pieces)
    assert max(map(len, pieces), default=0) <= LONGEST_FRAME


@pytest.mark.parametrize("written", [serial_text, heard_text, sent_text])
@given(frames=FRAMES, cuts=st.lists(st.integers(1, 60), min_size=1, max_size=20))
@settings(max_examples=200)
def test_a_stream_in_any_pieces_gives_the_same_frames(
    written: Callable[[int, bytes], bytes], frames: list[Frame], cuts: list[int]
) -> None:
    serial = written is serial_text
    stream = b"".join(written(*f) for f in frames)
    text, tally, into = np.zeros(4096, np.uint8), np.zeros(4, np.int64), frame_buffer(16)
    kept = at = turn = 0
    while at < len(stream):
        piece = stream[at : at + cuts[turn % len(cuts)]]
        at, turn = at + len(piece), turn + 1
        text[kept : kept + len(piece)] = np.frombuffer(piece, np.uint8)
        kept = decode(serial, text, kept + len(piece), 7, into, tally)
    n = int(into.count[0])
    got = [(int(into.can_id[i]), into.data[i, : into.length[i]].tobytes()) for i in range(n)]
    assert got == frames
    assert kept == 0
    assert tally.tolist() == [len(frames), 0, 0, 0]
    assert into.time_ns[:n].tolist() == [7] * n


@pytest.mark.parametrize("serial", [False, True])
def test_payloads_too_long_for_the_format_are_left_out(serial: bool) -> None:
    text, ends = np.zeros(16 * LONGEST_FRAME, np.uint8), np.zeros(16, np.int64)
    assert encode(serial, filled([(1, bytes(8)), (2, bytes(12)), (3, b"")]), text, ends, 0) == 2


@pytest.mark.parametrize(
    "text", [b"< send 123 2 AB >", b"< send 123 1 AB CD >", b"< send 123 >", b"< send 123 x >"]
)
def test_what_was_sent_has_as_many_bytes_as_it_says(text: bytes) -> None:
    room, tally, into = np.zeros(64, np.uint8), np.zeros(4, np.int64), frame_buffer(2)
    room[: len(text)] = np.frombuffer(text, np.uint8)
    assert decode(False, room, len(text), 0, into, tally) == 0
    assert (into.count[0], tally.tolist()) == (0, [0, 1, 0, 0])


@pytest.mark.parametrize("serial", [False, True])
def test_frames_without_a_free_row_stay(serial: bool) -> None:
    stream = b"".join(serial_text(n, b"ab") if serial else heard_text(n, b"ab") for n in range(5))
    text, tally, into = np.zeros(1024, np.uint8), np.zeros(4, np.int64), frame_buffer(3)
    text[: len(stream)] = np.frombuffer(stream, np.uint8)
    kept = decode(serial, text, len(stream), 0, into, tally)
    assert kept == 2 * len(stream) // 5
    assert tally.tolist() == [3, 0, 0, 1]
    into.count[0] = 0
    assert decode(serial, text, kept, 0, into, tally) == 0
    assert into.can_id[: into.count[0]].tolist() == [3, 4]
    assert tally.tolist() == [5, 0, 0, 0]


@given(noise=st.binary(max_size=300), serial=st.booleans())
@settings(max_examples=300)
def test_noise_never_writes_beyond_the_rows_or_keeps_an_ended_text(noise: bytes, serial: bool) -> None:
    text, tally, into = np.zeros(512, np.uint8), np.zeros(4, np.int64), frame_buffer(2)
    text[: len(noise)] = np.frombuffer(noise, np.uint8)
    kept = decode(serial, text, len(noise), 0, into, tally)
    rest = noise.rpartition(b"\r" if serial else b">")[2]
    assert tally[WAITING] == (kept > len(rest))
    assert text[:kept].tobytes() == (noise[-kept:] if tally[WAITING] else rest)
    assert 0 <= into.count[0] <= 2
