"""CAN frames bit by bit, contents that make them as long as any can, and as long as their signals can.

ISO 11898-1:2015 (from memory, standard not opened); CRC of classical frames x^15 + x^14 + x^10 + x^8 + x^7 +
x^4 + x^3 + 1.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED
from emulator.wire.can_frames import Codec, pack, protect
from emulator.wire.can_timing import FD_LENGTHS, FrameBits
from emulator.wire.stuffing.frame_bits import STATES, STUFFING, behind, classical_head, fd_body, frame_bits
from emulator.wire.stuffing.longest import most_behind, most_behind_fd


def number(value: int, width: int) -> list[int]:
    return [value >> k & 1 for k in reversed(range(width))]


class Stuffing:
    """Bits as they go on the wire: after five alike one of the other kind, which counts for the next run."""

    def __init__(self) -> None:
        self.last, self._run = -1, 0

    def put(self, bit: int) -> int:
        """How many bits this one takes."""
        self._run = self._run + 1 if bit == self.last else 1
        self.last = bit
        if self._run < 5:
            return 1
        self.last, self._run = 1 - bit, 1
        return 2


def stuffed_length(bits: Iterable[int]) -> int:
    wire = Stuffing()
    return sum(wire.put(bit) for bit in bits)


def crc15(bits: Iterable[Any]) -> Any:
    """Of bits, or of arrays with a bit of each frame."""
    rest = 0
    for bit in bits:
        rest, first = rest << 1 & 0x7FFF, bit ^ rest >> 14
        rest ^= 0x4599 * first
    return rest


def head_of(can_id: int, fd: bool, n: int) -> tuple[list[int], list[int]]:
    """All that goes before the data of ``n`` bytes; FD: up to the rate switch and with it, and behind it."""
    if can_id & EXTENDED:  # SOF, base, SRR, IDE, rest, RTR or RRS
        plain = can_id & ~EXTENDED
        head = [0, *number(plain >> 18, 11), 1, 1, *number(plain & 0x3FFFF, 18), 0]
    else:  # SOF, identifier, RTR or RRS, IDE
        head = [0, *number(can_id, 11), 0, 0]
    if fd:  # FDF, res, BRS; ESI, DLC
        return [*head, 1, 0, 1], [0, *number(FD_LENGTHS.index(n), 4)]
    return [*head, *([0, 0] if can_id & EXTENDED else [0]), *number(n, 4)], []  # r1, r0, DLC


def frame_on_the_wire(can_id: int, fd: bool, data: bytes) -> FrameBits:
    """Bits of a frame on the wire, interframe space included."""
    head, body = head_of(can_id, fd, len(data))
    bits = [bit for byte in data for bit in number(byte, 8)]
    if not fd:  # delimiter, acknowledgement and its delimiter, end, space
        bits = head + bits
        return FrameBits(stuffed_length(bits + number(crc15(bits), 15)) + 3 + 7 + 3, 0)
    wire = Stuffing()
    slow = sum(wire.put(bit) for bit in head)
    taken = [wire.put(bit) for bit in body + bits]
    # the CRC field begins with a fixed stuff bit, in place of one that would be due there
    check = 4 + (17 if len(data) <= 16 else 21)  # stuff count and CRC, a fixed stuff bit before each four
    return FrameBits(slow + 2 + 7 + 3, sum(taken[:-1]) + 1 + check + -(-check // 4) + 1)


def classical_lengths(can_id: int, data: NDArray[np.int64]) -> NDArray[np.int64]:
    """Bits (N,) of classical frames with data (N, n), as ``frame_on_the_wire`` counts them, all at once."""
    head, _ = head_of(can_id, False, data.shape[1])
    bits = [np.full(len(data), bit) for bit in head]
    bits += [byte >> k & 1 for byte in data.T for k in reversed(range(8))]
    rest = np.asarray(crc15(bits))
    bits += [rest >> k & 1 for k in reversed(range(15))]
    last, run, taken = np.full(len(data), -1), np.zeros(len(data), np.int64), 3 + 7 + 3
    for bit in bits:
        run = np.where(bit == last, run + 1, 1)
        full = run == 5
        last, run = np.where(full, 1 - bit, bit), np.where(full, 1, run)
        taken = taken + 1 + full
    return np.asarray(taken)


@functools.cache
def longest_content(can_id: int, fd: bool, n: int) -> bytes:
    """Data with which a frame is as long as ``longest_bits`` says: led by its tables, byte by byte."""
    steps = STUFFING.reshape(STATES, 256).astype(int)
    data, crc = [], 0
    if fd:
        state, _ = fd_body(n)
    else:
        state, _, crc = behind(*classical_head(can_id, n))
    for left in reversed(range(n)):
        gain, after = steps[state] >> 3, steps[state] & 7
        if fd:
            gain = gain - ((after >> 2 != np.arange(256) & 1) if left == 0 else 0)
            best = gain + most_behind_fd(left)[after] if left else gain
            crcs = np.zeros(256, int)
        else:
            crcs = _crc_behind(crc, np.arange(256))
            best = gain + most_behind(left)[after, crcs]
        byte = int(np.argmax(best))
        data.append(byte)
        state, crc = int(after[byte]), int(crcs[byte])
    return bytes(data)


def _crc_behind(crc: int, byte: NDArray[np.int64]) -> NDArray[np.int64]:
    rest = np.full(len(byte), crc)
    for k in reversed(range(8)):
        rest, first = rest << 1 & 0x7FFF, byte >> k & 1 ^ rest >> 14
        rest ^= 0x4599 * first
    return rest


def longest_by_its_signals(codec: Codec, frame: str, trials: int = 100_000) -> bytes:
    """The longest that was found of signals in their ranges, counters that are sent, the right CRC."""
    f, shape = codec.frame(frame), codec.shape(frame)
    data, raw = np.zeros((2, 64), np.uint8), np.zeros((2, codec.most_signals + 1), np.int64)
    draws = np.random.default_rng(f).integers(0, 1 << 32, (trials, codec.most_signals + 2))
    _search(codec.table, f, shape.fd, draws, raw, np.zeros(codec.most_signals), data)
    return data[1, : shape.data_bytes].tobytes()


@jit
def _search(codec, f, fd, draws, raw, values, data):  # type: ignore[no-untyped-def]
    """``data[1]``: the best so far, of ``raw[1]``, signals and counter.

    Each trial draws everything, or flips up to four bits of the best.
    """
    first, n = codec.first[f], codec.first[f + 1] - codec.first[f]
    best = 0
    for trial in range(draws.shape[0]):
        for k in range(n + 1):
            raw[0, k] = raw[1, k]
        if trial < draws.shape[0] // 10:
            raw[0, n] = draws[trial, n] % codec.counters[f]
            for k in range(n):
                s = first + k
                raw[0, k] = codec.raw_low[s] + draws[trial, k] % (codec.raw_high[s] - codec.raw_low[s] + 1)
        else:
            many = draws[trial, -1]
            for flip in range(1 + many % 4):
                which = (many >> 2 + 7 * flip) % (n + 1)
                bit = (many >> 4 + 7 * flip) % (codec.size[first + which] if which < n else 4)
                raw[0, which] ^= 1 << bit
        sent = raw[0, n] < codec.counters[f]
        for k in range(n):
            s = first + k
            sent = sent and codec.raw_low[s] <= raw[0, k] <= codec.raw_high[s]
            values[k] = raw[0, k] * codec.factor[s] + codec.offset[s]
        if not sent:
            continue
        pack(codec, f, values, data[0])
        protect(codec, f, raw[0, n], data[0])
        nominal, fast = frame_bits(codec.can_id[f], fd, data[0], codec.length[f])
        if nominal + fast >= best:
            best = nominal + fast
            for k in range(n + 1):
                raw[1, k] = raw[0, k]
            for k in range(data.shape[1]):
                data[1, k] = data[0, k]


@functools.cache
def content_of_bits(can_id: int, bits: int) -> bytes:
    """Eight bytes with which a classical frame takes so many bits."""
    rng = np.random.default_rng(can_id)
    while True:  # by runs of four or more: few bits are stuffed in bytes at random
        data = bytes(rng.choice([0x00, 0x0F, 0xF0, 0xFF, 0x55], 8).tolist())
        if frame_on_the_wire(can_id, False, data).nominal == bits:
            return data
