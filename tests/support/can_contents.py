"""CAN frames of 11-bit identifiers bit by bit, and contents that make them as long as contents can.

ISO 11898-1:2015 (from memory, standard not opened); CRC of classical frames x^15 + x^14 + x^10 + x^8 + x^7 +
x^4 + x^3 + 1.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Iterable

from emulator.wire.can_timing import FD_LENGTHS, FrameBits


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


def crc15(bits: Iterable[int]) -> int:
    rest = 0
    for bit in bits:
        rest, first = rest << 1 & 0x7FFF, bit ^ rest >> 14
        rest ^= 0x4599 * first
    return rest


def head_of(can_id: int, fd: bool, n: int) -> list[int]:
    """All that goes before the data of ``n`` bytes; FD with rate switch."""
    if fd:  # SOF, identifier, RRS, IDE, FDF, res, BRS; ESI, DLC
        return [0, *number(can_id, 11), 0, 0, 1, 0, 1, 0, *number(FD_LENGTHS.index(n), 4)]
    return [0, *number(can_id, 11), 0, 0, 0, *number(n, 4)]  # SOF, identifier, RTR, IDE, r0, DLC


def frame_on_the_wire(can_id: int, fd: bool, data: bytes) -> FrameBits:
    """Bits of a frame on the wire, interframe space included."""
    bits = head_of(can_id, fd, len(data)) + [bit for byte in data for bit in number(byte, 8)]
    if not fd:  # delimiter, acknowledgement and its delimiter, end, space
        return FrameBits(stuffed_length(bits + number(crc15(bits), 15)) + 3 + 7 + 3, 0)
    wire = Stuffing()
    taken = [wire.put(bit) for bit in bits]
    check = 4 + (17 if len(data) <= 16 else 21)  # stuff count and CRC, a fixed stuff bit before each four
    return FrameBits(sum(taken[:17]) + 2 + 7 + 3, sum(taken[17:]) + check + -(-check // 4) + 1)


@functools.cache
def fullest(can_id: int, fd: bool, n: int) -> FrameBits:
    """The longest frame found: four alike by turns, and what becomes of that if it is broken once."""
    rng, head = random.Random(can_id), head_of(can_id, fd, n)
    best = FrameBits(0, 0)
    for trial in range(1 if fd else 200):  # an FD frame's CRC has its stuff bits whatever it is
        wire, broken = Stuffing(), rng.randrange(8 * n) if trial and n else -1
        for bit in head:
            wire.put(bit)
        value = 0
        for k in range(8 * n):
            bit = wire.last ^ int(k == broken)
            value = value << 1 | bit
            wire.put(bit)
        best = max(best, frame_on_the_wire(can_id, fd, value.to_bytes(n, "big")))
    return best
