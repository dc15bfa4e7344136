"""The longest frame of an identifier: reached, never exceeded, and of few contents all tried."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.core.frame_buffer import EXTENDED
from emulator.wire.can_timing import FD_LENGTHS, FrameShape
from emulator.wire.stuffing.longest import longest_bits
from tests.support.can_contents import classical_lengths, frame_on_the_wire, longest_content

IDENTIFIERS = st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED)


def stated(can_id: int, fd: bool, n: int) -> tuple[int, int]:
    return tuple(longest_bits(can_id, FrameShape(n, bool(can_id & EXTENDED), fd)))


@pytest.mark.parametrize("can_id", [0, 0x080, 0x110, 0x7FF, 0x0F0 | EXTENDED, 0x1FFFFFFF | EXTENDED])
@pytest.mark.parametrize("fd", [False, True])
def test_of_all_contents_of_a_byte_it_is_the_longest(can_id: int, fd: bool) -> None:
    for n in (0, 1):
        contents = map(bytes, itertools.product(range(256), repeat=n))
        assert stated(can_id, fd, n) == max(frame_on_the_wire(can_id, fd, data) for data in contents)


@pytest.mark.slow
@pytest.mark.parametrize("can_id", [0x101, 0x3A5 | EXTENDED])
def test_of_all_contents_of_two_bytes_it_is_the_longest(can_id: int) -> None:
    contents = np.array(list(itertools.product(range(256), repeat=2)))
    bits = classical_lengths(can_id, contents)
    assert stated(can_id, False, 2) == (bits.max(), 0)
    some = [0, 0xFFFF, int(bits.argmax()), *range(1, 0xFFFF, 331)]  # each bit by itself, too
    assert [frame_on_the_wire(can_id, False, bytes(contents[k].tolist())) for k in some] == [
        (bits[k], 0) for k in some
    ]


@example(0x110, 8)
@example(0x7FF, 0)
@given(IDENTIFIERS, st.integers(0, 8))
@settings(max_examples=40)
def test_a_classical_frame_can_be_that_long(can_id: int, n: int) -> None:
    assert frame_on_the_wire(can_id, False, longest_content(can_id, False, n)) == stated(can_id, False, n)


@example(0x000, 0)
@given(IDENTIFIERS, st.sampled_from(FD_LENGTHS))
@settings(max_examples=40)
def test_an_fd_frame_can_be_that_long(can_id: int, n: int) -> None:
    assert frame_on_the_wire(can_id, True, longest_content(can_id, True, n)) == stated(can_id, True, n)


@given(IDENTIFIERS, st.binary(min_size=8, max_size=8))
@settings(max_examples=200)
def test_no_frame_is_longer(can_id: int, data: bytes) -> None:
    for fd in (False, True):
        slow, fast = frame_on_the_wire(can_id, fd, data)
        most = stated(can_id, fd, 8)
        assert slow <= most[0]
        assert fast <= most[1]


@given(IDENTIFIERS, st.booleans(), st.data())
def test_it_is_no_longer_than_any_of_its_shape(can_id: int, fd: bool, data: st.DataObject) -> None:
    """Davis et al. 2007 for classical ones (from memory)."""
    n = data.draw(st.sampled_from(FD_LENGTHS)) if fd else data.draw(st.integers(0, 8))
    shape = FrameShape(n, bool(can_id & EXTENDED), fd)
    assert sum(shape.bits(stuffed=False)) <= sum(stated(can_id, fd, n)) <= sum(shape.bits())


def test_what_no_frame_carries_is_refused() -> None:
    with pytest.raises(ValueError, match="0 to 8"):
        longest_bits(1, FrameShape(9))
    with pytest.raises(ValueError, match="12, 16"):
        longest_bits(1, FrameShape(9, fd=True))
