"""How many bits a CAN frame takes on the wire, by its content: identifier, length, data and CRC.

After five bits alike the sender puts one of the other kind, which counts for the next five. In classical
frames that goes from the start of frame to the last bit of the CRC. In FD frames it ends with the data: the
CRC field begins with a fixed stuff bit, also in place of one that would be due there, and has one behind
every four bits, whatever they are. So a classical frame's CRC has to be known for its length, an FD frame's
not.

By tables of bytes: bits before a run is five long, and those of the CRC. Heads that are no whole number of
bytes get bits by turns before them, which end recessive and stuff nothing, and zeros where the CRC begins
with zero; the CRC's 15 bits get a 16th that differs from the last one, which stuffs nothing either.

Not in it: remote frames; FD frames that don't switch their rate or whose sender is error passive.

Source: ISO 11898-1:2015 (from memory, standard not opened). CRC of classical frames: x^15 + x^14 + x^10 + x^8
+ x^7 + x^4 + x^3 + 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED, MAX_DATA
from emulator.wire.can_timing import FD_LENGTHS

POLYNOMIAL = 0x4599
"""Of a classical frame's CRC, the highest power left out."""
CRC_BITS = 15
STATES = 8
"""Of stuffing: four times the last bit, and how many were alike less one."""
AFTER_START = 0
"""The state behind a first dominant bit."""


def put_bit(state: int, bit: int) -> tuple[int, int]:
    """State behind a bit, and how many stuff bits follow it."""
    last, alike = state // 4, state % 4 + 1
    alike = alike + 1 if bit == last else 1
    if alike == 5:
        return 4 * (1 - bit), 1
    return 4 * bit + alike - 1, 0


def _stuffing() -> NDArray[np.uint8]:
    """(STATES * 256,) of each state and byte: four bits of stuff bits, and the state behind it."""
    table = np.zeros((STATES, 256), np.uint8)
    for before in range(STATES):
        for byte in range(256):
            state, stuff = before, 0
            for k in reversed(range(8)):
                state, more = put_bit(state, byte >> k & 1)
                stuff += more
            table[before, byte] = stuff << 3 | state
    return table.reshape(-1)


def _crc_15() -> NDArray[np.uint16]:
    """The CRC of each byte, start 0."""
    table = np.zeros(256, np.uint16)
    for byte in range(256):
        crc = byte << 7
        for _ in range(8):
            crc = (crc << 1 ^ POLYNOMIAL if crc & 0x4000 else crc << 1) & 0x7FFF
        table[byte] = crc
    return table


STUFFING = _stuffing()
CRC = _crc_15()
_CODES = np.array([next(k for k, n in enumerate(FD_LENGTHS) if n >= b) for b in range(MAX_DATA + 1)])
_PAYLOADS = np.array(FD_LENGTHS)


@jit
def classical_head(can_id: int, length: int) -> tuple[int, int, int]:
    """All that goes before the data of a classical frame, what stands before it, and the bytes of both.

    can_id  bit 31 set for 29-bit identifiers; length: payload bytes
    """
    if can_id & EXTENDED:  # start, base, SRR, IDE, rest, RTR, r1, r0, length
        base, rest = can_id >> 18 & 0x7FF, can_id & 0x3FFFF
        return base << 27 | 0b11 << 25 | rest << 7 | length, 1 << 39, 5
    return (can_id & 0x7FF) << 7 | length, 0b10101 << 19, 3  # start, identifier, RTR, IDE, r0, length


@jit
def fd_head(can_id: int) -> tuple[int, int, int]:
    """The same of what goes before the rate switch of an FD frame and with it; behind it, see ``fd_body``."""
    if can_id & EXTENDED:  # start, base, SRR, IDE, rest, RRS, FDF, res, BRS
        base, rest = can_id >> 18 & 0x7FF, can_id & 0x3FFFF
        return base << 24 | 0b11 << 22 | rest << 4 | 0b0101, 0b0101 << 36, 5
    return (can_id & 0x7FF) << 5 | 0b00101, 0b1010101 << 17, 3  # start, identifier, RRS, IDE, FDF, res, BRS


@jit
def behind(head: int, before: int, n: int) -> tuple[int, int, int]:
    """State, stuff bits and CRC behind the ``n`` bytes of a head."""
    state, stuff, crc = AFTER_START, 0, 0
    for k in range(n - 1, -1, -1):
        step = int(STUFFING[state << 8 | ((before | head) >> 8 * k & 255)])
        stuff, state = stuff + (step >> 3), step & 7
        crc = (crc << 8 & 0x7FFF) ^ int(CRC[crc >> 7 ^ (head >> 8 * k & 255)])
    return state, stuff, crc


@jit
def fd_body(length: int) -> tuple[int, int]:
    """State and stuff bits behind the length code of an FD frame, those before the rate switch left out."""
    step = int(STUFFING[AFTER_START << 8 | 0b1010_0000 | int(_CODES[length])])  # FDF, res, BRS; ESI, length
    return step & 7, step >> 3


@jit
def frame_bits(can_id: int, fd: bool, data: NDArray[np.uint8], length: int) -> tuple[int, int]:
    """Bits at the nominal rate and, of an FD frame behind its rate switch, at the data rate.

    can_id  bit 31 set for 29-bit identifiers
    fd      CAN FD; a payload that it has no length for is filled up with zeros
    data    (>= length,); length: payload bytes, 0..8, in an FD frame 0..64

    Interframe space included. Fails: never; what no frame can have is the caller's.
    """
    if not fd:
        head, before, n = classical_head(can_id, length)
        state, stuff, crc = behind(head, before, n)
        for k in range(length):
            byte = int(data[k])
            step = int(STUFFING[state << 8 | byte])
            stuff, state = stuff + (step >> 3), step & 7
            crc = (crc << 8 & 0x7FFF) ^ int(CRC[crc >> 7 ^ byte])
        tail = crc << 1 | (~crc & 1)
        step = int(STUFFING[state << 8 | tail >> 8])
        stuff, state = stuff + (step >> 3), step & 7
        stuff += int(STUFFING[state << 8 | (tail & 255)]) >> 3
        return (67 if can_id & EXTENDED else 47) + 8 * length + stuff, 0
    head, before, n = fd_head(can_id)
    _, slow, _ = behind(head, before, n)
    state, stuff = fd_body(length)
    padded, byte = int(_PAYLOADS[_CODES[length]]), int(_CODES[length])
    for k in range(padded):
        byte = int(data[k]) if k < length else 0
        step = int(STUFFING[state << 8 | byte])
        stuff, state = stuff + (step >> 3), step & 7
    if state >> 2 != byte & 1:  # a stuff bit behind the last one: the fixed one takes its place
        stuff -= 1
    nominal = (36 if can_id & EXTENDED else 17) + slow + 12  # acknowledgement, end, space
    return nominal, 5 + 8 * padded + stuff + (28 if padded <= 16 else 33)  # ESI, length; the CRC field
