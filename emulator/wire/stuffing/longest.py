"""The most bits that a CAN frame of one identifier and length can have on the wire, exactly.

Identifier, format and length are fixed, and of a classical frame the CRC follows from the data: so fewer
stuff bits are possible than in any sequence of as many bits. Backwards from the CRC's end, for each state of
stuffing and each CRC so far: what the next data bit can add, and the most that may come behind it. That table
does not know the identifier; where a frame's head leads to in it is looked up. An FD frame's CRC field has
its stuff bits whatever is in it, so there the state alone counts.

Any data: what no signal can be and bits that a DBC leaves unused count as free, for a fault may flip them.

Source: dynamic programming over finite states (common practice); layouts as in ``frame_bits``.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import uncompiled
from emulator.wire.can_timing import FrameBits, FrameShape
from emulator.wire.stuffing.frame_bits import (
    CRC_BITS,
    POLYNOMIAL,
    STATES,
    STUFFING,
    behind,
    classical_head,
    fd_body,
    fd_head,
    put_bit,
)

_STEPS = [[put_bit(state, bit) for bit in (0, 1)] for state in range(STATES)]
_TOP = 1 << CRC_BITS - 1
_FED_BACK = np.arange(_TOP) << 1 ^ POLYNOMIAL


def longest_bits(can_id: int, shape: FrameShape) -> FrameBits:
    """Bits of the longest frame with this identifier and length, interframe space included.

    can_id  bit 31 set for 29-bit identifiers. Raises ValueError for a shape that does not exist.
    """
    plain = shape.bits(stuffed=False)
    if shape.fd:
        _, slow, _ = uncompiled(behind)(*uncompiled(fd_head)(can_id))
        state, stuff = uncompiled(fd_body)(shape.data_bytes)
        most = stuff + int(most_behind_fd(shape.data_bytes)[state])
        return FrameBits(plain.nominal + slow, plain.fast + most)
    state, stuff, crc = uncompiled(behind)(*uncompiled(classical_head)(can_id, shape.data_bytes))
    return FrameBits(plain.nominal + stuff + int(most_behind(shape.data_bytes)[state, crc]), 0)


@functools.cache
def most_behind(data_bytes: int) -> NDArray[np.uint8]:
    """(STATES, 2^15) stuff bits that data of so many bytes, 0..8, and the CRC behind them make at most.

    By the state of stuffing and the CRC before the data.
    """
    most = _of_the_crc() if data_bytes == 0 else most_behind(data_bytes - 1)
    for _ in range(8 if data_bytes else 0):
        most = _one_bit_before(most)
    return most


def _of_the_crc() -> NDArray[np.uint8]:
    """(STATES, 2^15) stuff bits in each CRC itself; a 16th bit that differs from the last one fills it up."""
    crc = np.arange(2 * _TOP)
    tail = crc << 1 | ~crc & 1
    first = STUFFING.reshape(STATES, 256)[:, tail >> 8]
    most: NDArray[np.uint8] = (first >> 3) + (STUFFING[(first & 7).astype(np.int64) << 8 | tail & 255] >> 3)
    return most


def _one_bit_before(most: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The table one data bit earlier."""
    # what becomes of CRCs by their last 14 bits, where the one that goes out is the data bit, and where not
    same, fed_back = np.ascontiguousarray(most[:, ::2]), np.take(most, _FED_BACK, axis=1)
    before = np.empty_like(most)
    for state, ((zero, stuff_0), (one, stuff_1)) in enumerate(_STEPS):
        np.maximum(same[zero] + stuff_0, fed_back[one] + stuff_1, out=before[state, :_TOP])
        np.maximum(fed_back[zero] + stuff_0, same[one] + stuff_1, out=before[state, _TOP:])
    return before


@functools.cache
def most_behind_fd(data_bytes: int) -> NDArray[np.int64]:
    """(STATES,) stuff bits that FD data of so many bytes make at most, by the state before them.

    Without data: less than none where there would be one behind the length code, which ends dominant: the
    fixed one takes its place.
    """
    if data_bytes == 0:
        return -(np.arange(STATES) >> 2)
    steps = STUFFING.reshape(STATES, 256).astype(np.int64)
    made, behind = steps >> 3, steps & 7
    most = np.zeros(STATES, np.int64)
    for k in range(data_bytes):
        last = np.where(behind >> 2 != np.arange(256) & 1, made - 1, made) if k == 0 else made
        most = np.max(last + most[behind], axis=1)
    return most
