"""End-to-end protection of frames: AUTOSAR E2E profiles 1, 2, 5, 11 and 22, and the CRCs under them.

A receiver that checks CRC and alive counter notices corruption, repetition, loss and frames of another
sender. CRC and counter stand together, in a header that may begin at any byte of the frame: profiles 1, 2, 11
and 22 have the CRC in one byte and the counter in the low nibble of the next, profile 5 has two bytes of CRC,
the low one first, and one of counter. Every CRC runs over all other bytes of the frame.

Profile 11 is profile 1 without two of its modes, and profile 22 is profile 2, to the bit: they are one here.

Source: AUTOSAR "Specification of CRC Routines" and "E2E Protocol Specification" (numbers from memory,
confirmed in the tests against independent implementations; of profile 22 there is none, it is held against
profile 2). Trap: profile 1 uses polynomial 0x1D with start value 0 and no final XOR, so it is *not* the plain
CRC-8/SAE-J1850.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

MODES = ("both", "alternating", "low", "nibble")
"""How profile 1 uses the 16-bit data id: both bytes in the CRC; the low one with even counters and the high
one with odd ones; the low one alone; the low one in the CRC and the low nibble of the high one sent along."""
BOTH, ALTERNATING, LOW, NIBBLE = range(4)
POLYNOMIAL_PROFILE_1 = 0x1D
"""x^8 + x^4 + x^3 + x^2 + 1, the highest power left out."""
COUNTERS_PROFILE_1 = 15
"""Profile 1 counts 0..14; 15 is never sent."""
MOST_BYTES_PROFILE_1 = 30
"""What its CRC is meant to cover at most (240 bits; AUTOSAR E2E protocol specification, from memory)."""
COUNTERS_PROFILE_2 = 16
"""Profile 2 counts 0..15."""
POLYNOMIAL_PROFILE_2 = 0x2F
"""x^8 + x^5 + x^3 + x^2 + x + 1."""
COUNTERS_PROFILE_5 = 256
"""Profile 5 counts 0..255."""
POLYNOMIAL_PROFILE_5 = 0x1021
"""x^16 + x^12 + x^5 + 1."""
START_PROFILE_5 = 0xFFFF

BARE, PROFILE_1, PROFILE_2, PROFILE_5 = range(4)
"""How a frame is protected, by what the bits are: 11 counts as 1, 22 as 2."""
HEADER_BYTES = {PROFILE_1: 2, PROFILE_2: 2, PROFILE_5: 3}
"""Bytes from the CRC's first to the counter's last."""
COUNTERS = {
    BARE: 1,
    PROFILE_1: COUNTERS_PROFILE_1,
    PROFILE_2: COUNTERS_PROFILE_2,
    PROFILE_5: COUNTERS_PROFILE_5,
}
"""How many values the alive counter has."""


def _crc_table(polynomial: int, bits: int = 8) -> NDArray[np.uint16]:
    """The CRC of each single byte, start 0, most significant bit first. Returns (256,) uint16."""
    table = np.zeros(256, np.uint16)
    top, mask = 1 << bits - 1, (1 << bits) - 1
    for byte in range(256):
        crc = byte << bits - 8
        for _ in range(8):
            crc = ((crc << 1) ^ polynomial) & mask if crc & top else crc << 1
        table[byte] = crc
    return table


_TABLE_1D = _crc_table(POLYNOMIAL_PROFILE_1)
_TABLE_2F = _crc_table(POLYNOMIAL_PROFILE_2)
_TABLE_1021 = _crc_table(POLYNOMIAL_PROFILE_5, 16)


@jit
def crc8_1d(crc: int, data: NDArray[np.uint8], begin: int, end: int) -> int:
    """Continue a CRC with polynomial 0x1D (x^8+x^4+x^3+x^2+1) over ``data[begin:end]``; no final XOR.

    crc 0..255 so far, data (N,) uint8. CRC-8/SAE-J1850 is ``crc8_1d(0xFF, data, 0, n) ^ 0xFF``.
    Fails: never; the caller keeps begin and end inside the array.
    """
    for i in range(begin, end):
        crc = int(_TABLE_1D[crc ^ int(data[i])])
    return crc


@jit
def crc8_2f(crc: int, data: NDArray[np.uint8], begin: int, end: int) -> int:
    """Continue a CRC with polynomial 0x2F over ``data[begin:end]``; no final XOR.

    As :func:`crc8_1d`; CRC-8/AUTOSAR (8H2F) is ``crc8_2f(0xFF, data, 0, n) ^ 0xFF``.
    """
    for i in range(begin, end):
        crc = int(_TABLE_2F[crc ^ int(data[i])])
    return crc


@jit
def crc16_1021(crc: int, data: NDArray[np.uint8], begin: int, end: int) -> int:
    """Continue a CRC with polynomial 0x1021 over ``data[begin:end]``, most significant bit first.

    crc 0..65535 so far. CRC-16/CCITT-FALSE is ``crc16_1021(0xFFFF, data, 0, n)``.
    """
    for i in range(begin, end):
        crc = ((crc << 8) & 0xFFFF) ^ int(_TABLE_1021[(crc >> 8) ^ int(data[i])])
    return crc


@jit
def profile_1_start(data_id: int, mode: int, counter: int) -> int:
    """What the 16-bit data id contributes to a profile 1 CRC with this counter; ``mode`` as in MODES.

    Two frames whose ids give the same value can't be told apart by the CRC.
    """
    low, high = data_id & 0xFF, (data_id >> 8) & 0xFF
    if mode == ALTERNATING:
        return int(_TABLE_1D[low if counter % 2 == 0 else high])
    crc = int(_TABLE_1D[low])
    if mode == LOW:
        return crc
    return int(_TABLE_1D[crc ^ (high if mode == BOTH else 0)])


@jit
def protect_profile_1(
    data: NDArray[np.uint8], length: int, data_id: int, mode: int, counter: int, at: int = 0
) -> None:
    """Write alive counter and CRC of profile 1 into a frame.

    data     (>= length,) uint8  changed in place: the CRC's byte, the low nibble of the next, in nibble mode
                                 all of it
    length   2..len(data)        payload bytes covered
    data_id  0..65535            identifies the frame
    mode     index into MODES
    counter  any                 taken modulo 15
    at       0..length-2         byte of the CRC
    """
    counter %= COUNTERS_PROFILE_1
    head = (data_id >> 4) & 0xF0 if mode == NIBBLE else int(data[at + 1]) & 0xF0
    data[at + 1] = head | counter
    data[at] = _profile_1_crc(data, length, data_id, mode, counter, at)


@jit
def _profile_1_crc(
    data: NDArray[np.uint8], length: int, data_id: int, mode: int, counter: int, at: int
) -> int:
    """Polynomial 0x1D over the data id, then the frame without the CRC's byte."""
    crc = crc8_1d(profile_1_start(data_id, mode, counter), data, 0, at)
    return crc8_1d(crc, data, at + 1, length)


@jit
def check_profile_1(data: NDArray[np.uint8], length: int, data_id: int, mode: int, at: int = 0) -> int:
    """Counter 0..14 of a correct profile 1 frame; -1 if CRC, nibble or a counter of 15 is wrong."""
    if length < at + 2:
        return -1
    counter = int(data[at + 1]) & 0x0F
    if mode == NIBBLE and int(data[at + 1]) >> 4 != (data_id >> 8) & 0x0F:
        return -1
    if int(data[at]) != _profile_1_crc(data, length, data_id, mode, counter, at):
        return -1
    return counter if counter < COUNTERS_PROFILE_1 else -1


@jit
def _profile_2_crc(data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8], at: int) -> int:
    """CRC-8/AUTOSAR over the frame without the CRC's byte, then the data id that belongs to its counter."""
    crc = crc8_2f(crc8_2f(0xFF, data, 0, at), data, at + 1, length)
    return int(_TABLE_2F[crc ^ int(data_ids[int(data[at + 1]) & 0x0F])]) ^ 0xFF


@jit
def protect_profile_2(
    data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8], counter: int, at: int = 0
) -> None:
    """Write alive counter and CRC of profile 2 into a frame.

    data      (>= length,) uint8  changed in place: the CRC's byte and the low nibble of the next
    length    2..len(data)        payload bytes covered
    data_ids  (16,) uint8         the frame's data id list, one for each counter value
    counter   any                 taken modulo 16
    at        0..length-2         byte of the CRC; 0 in profile 2 itself
    """
    data[at + 1] = (int(data[at + 1]) & 0xF0) | (counter % COUNTERS_PROFILE_2)
    data[at] = _profile_2_crc(data, length, data_ids, at)


@jit
def check_profile_2(data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8], at: int = 0) -> int:
    """Counter 0..15 of a correct profile 2 frame; -1 if the CRC is wrong."""
    if length < at + 2 or int(data[at]) != _profile_2_crc(data, length, data_ids, at):
        return -1
    return int(data[at + 1]) & 0x0F


@jit
def _profile_5_crc(data: NDArray[np.uint8], length: int, data_id: int, at: int) -> int:
    """CRC-16/CCITT-FALSE over the frame without the CRC's bytes, then the data id, its low byte first."""
    crc = crc16_1021(crc16_1021(START_PROFILE_5, data, 0, at), data, at + 2, length)
    crc = ((crc << 8) & 0xFFFF) ^ int(_TABLE_1021[(crc >> 8) ^ (data_id & 0xFF)])
    return ((crc << 8) & 0xFFFF) ^ int(_TABLE_1021[(crc >> 8) ^ (data_id >> 8 & 0xFF)])


@jit
def protect_profile_5(data: NDArray[np.uint8], length: int, data_id: int, counter: int, at: int = 0) -> None:
    """Write alive counter and CRC of profile 5 into a frame.

    data     (>= length,) uint8  changed in place: two bytes of CRC, the low one first, and the counter's
    length   3..len(data)        payload bytes covered
    data_id  0..65535            identifies the frame
    counter  any                 taken modulo 256
    at       0..length-3         first byte of the CRC
    """
    data[at + 2] = counter % COUNTERS_PROFILE_5
    crc = _profile_5_crc(data, length, data_id, at)
    data[at], data[at + 1] = crc & 0xFF, crc >> 8


@jit
def check_profile_5(data: NDArray[np.uint8], length: int, data_id: int, at: int = 0) -> int:
    """Counter 0..255 of a correct profile 5 frame; -1 if the CRC is wrong."""
    if length < at + 3:
        return -1
    if int(data[at]) | int(data[at + 1]) << 8 != _profile_5_crc(data, length, data_id, at):
        return -1
    return int(data[at + 2])
