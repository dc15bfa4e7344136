"""Bits of frames by their content, compiled, against frames built and stuffed bit by bit in plain Python."""

from __future__ import annotations

import gc

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numba.core.runtime import _nrt_python, rtsys

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED
from emulator.wire.can_timing import FD_LENGTHS, FrameShape
from emulator.wire.stuffing.frame_bits import CRC, frame_bits
from tests.support.can_contents import crc15, frame_on_the_wire, number

IDENTIFIERS = st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED)
# runs of one kind are where stuffing is
BYTES = st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0xE0, 0x3E, 0xC1]) | st.integers(0, 255)


def payloads(lengths: tuple[int, ...]) -> st.SearchStrategy[bytes]:
    return st.sampled_from(lengths).flatmap(lambda n: st.lists(BYTES, min_size=n, max_size=n).map(bytes))


def counted(can_id: int, fd: bool, payload: bytes) -> tuple[int, int]:
    row = np.full(64, 0xA5, np.uint8)  # what stood there before
    row[: len(payload)] = list(payload)
    return tuple(frame_bits(can_id, fd, row, len(payload)))


@example(0, b"")
@example(0x7FF, b"\xff" * 8)
@example(0x1FFFFFFF | EXTENDED, bytes(8))
@given(IDENTIFIERS, payloads(tuple(range(9))))
@settings(max_examples=400)
def test_a_classical_frame_takes_its_bits(can_id: int, payload: bytes) -> None:
    assert counted(can_id, False, payload) == frame_on_the_wire(can_id, False, payload)


@example(0, b"")
@example(0x7FF, b"\x1f")
@example(0x1FFFFFFF | EXTENDED, b"\xff" * 64)
@given(IDENTIFIERS, payloads(FD_LENGTHS))
@settings(max_examples=400)
def test_an_fd_frame_takes_its_bits(can_id: int, payload: bytes) -> None:
    assert counted(can_id, True, payload) == frame_on_the_wire(can_id, True, payload)


@pytest.mark.parametrize(("length", "padded"), [(9, 12), (13, 16), (17, 20), (33, 48), (63, 64)])
def test_a_payload_that_fd_has_no_length_for_is_filled_up_with_zeros(length: int, padded: int) -> None:
    payload = bytes(range(1, length + 1))
    assert counted(0x123, True, payload) == counted(0x123, True, payload + bytes(padded - length))


def test_a_frame_counted_by_hand() -> None:
    """Identifier 0, no data: SOF, identifier, RTR, IDE, r0, DLC are 19 zeros, and so are the CRC's 15 bits.

    34 zeros: one stuff bit behind each five, six in all; 13 bits more. Of an FD frame without data: 14 zeros
    up to FDF (two stuff bits), FDF, res, BRS; ESI and DLC are five zeros, whose stuff bit is the fixed one.
    """
    assert counted(0, False, b"") == (34 + 6 + 13, 0)
    assert counted(0, True, b"") == (17 + 2 + 12, 5 + (4 + 17 + 6) + 1)


def test_the_crc_is_the_published_one() -> None:
    """Check value of CRC-15/CAN, "123456789": 0x059E, as catalogues of CRC algorithms have it."""
    crc = 0
    for byte in b"123456789":
        crc = (crc << 8 & 0x7FFF) ^ int(CRC[crc >> 7 ^ byte])
    assert crc == 0x059E
    assert crc15([bit for byte in b"123456789" for bit in number(byte, 8)]) == 0x059E


@given(IDENTIFIERS, st.booleans(), st.data())
def test_no_frame_is_shorter_or_longer_than_any_of_its_shape(
    can_id: int, fd: bool, data: st.DataObject
) -> None:
    payload = data.draw(payloads(FD_LENGTHS if fd else tuple(range(9))))
    shape = FrameShape(len(payload), bool(can_id & EXTENDED), fd)
    found = counted(can_id, fd, payload)
    assert sum(shape.bits(stuffed=False)) <= sum(found) <= sum(shape.bits())


@jit
def _all_of(ids, fds, data, lengths, turns):  # type: ignore[no-untyped-def]
    total = 0
    for k in range(turns):
        i = k % ids.shape[0]
        nominal, fast = frame_bits(ids[i], fds[i], data[i], lengths[i])
        total += nominal + fast
    return total


def test_it_allocates_nothing() -> None:
    rng = np.random.default_rng(3)
    ids, fds = rng.integers(0, 0x7FF, 64), rng.random(64) < 0.5
    arguments = (ids, fds, rng.integers(0, 256, (64, 64)).astype(np.uint8), np.full(64, 8))
    assert _all_of(*arguments, 1) > 0
    was_on = _nrt_python.memsys_stats_enabled()
    _nrt_python.memsys_enable_stats()
    try:
        gc.collect()
        made = []
        for turns in (1, 5000):
            before = rtsys.get_allocation_stats()
            _all_of(*arguments, turns)
            made.append(rtsys.get_allocation_stats().alloc - before.alloc)
    finally:
        if not was_on:
            _nrt_python.memsys_disable_stats()
    assert made[0] == made[1]
