"""End-to-end protection of frames: AUTOSAR E2E profiles 1 and 2, and the two 8-bit CRCs under them.

A receiver that checks CRC and alive counter notices corruption, repetition, loss and frames of another
sender. Both profiles put the CRC in byte 0 and the counter in the low nibble of byte 1.

Source: AUTOSAR "Specification of CRC Routines" and "E2E Protocol Specification", profiles 1 and 2
(numbers from memory, confirmed in the tests against independent implementations). Trap: profile 1 uses
polynomial 0x1D with start value 0 and no final XOR, so it is *not* the plain CRC-8/SAE-J1850.
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


def _crc_table(polynomial: int) -> NDArray[np.uint8]:
    """The CRC of each single byte, start 0, most significant bit first. Returns (256,) uint8."""
    table = np.zeros(256, np.uint8)
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = ((crc << 1) ^ polynomial) & 0xFF if crc & 0x80 else crc << 1
        table[byte] = crc
    return table


_TABLE_1D = _crc_table(POLYNOMIAL_PROFILE_1)
_TABLE_2F = _crc_table(0x2F)


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
def protect_profile_1(data: NDArray[np.uint8], length: int, data_id: int, mode: int, counter: int) -> None:
    """Write alive counter and CRC of profile 1 into a frame.

    data     (>= length,) uint8  changed in place: byte 0, the low nibble of byte 1, in nibble mode all of it
    length   2..len(data)        payload bytes covered
    data_id  0..65535            identifies the frame
    mode     index into MODES
    counter  any                 taken modulo 15
    """
    counter %= COUNTERS_PROFILE_1
    head = (data_id >> 4) & 0xF0 if mode == NIBBLE else int(data[1]) & 0xF0
    data[1] = head | counter
    data[0] = crc8_1d(profile_1_start(data_id, mode, counter), data, 1, length)


@jit
def check_profile_1(data: NDArray[np.uint8], length: int, data_id: int, mode: int) -> int:
    """Counter 0..14 of a correct profile 1 frame; -1 if CRC, nibble or a counter of 15 is wrong."""
    if length < 2:
        return -1
    counter = int(data[1]) & 0x0F
    if mode == NIBBLE and int(data[1]) >> 4 != (data_id >> 8) & 0x0F:
        return -1
    if int(data[0]) != crc8_1d(profile_1_start(data_id, mode, counter), data, 1, length):
        return -1
    return counter if counter < COUNTERS_PROFILE_1 else -1


@jit
def _profile_2_crc(data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8]) -> int:
    """CRC-8/AUTOSAR over the frame without byte 0, then the data id that belongs to its counter."""
    crc = crc8_2f(0xFF, data, 1, length)
    return int(_TABLE_2F[crc ^ int(data_ids[int(data[1]) & 0x0F])]) ^ 0xFF


@jit
def protect_profile_2(
    data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8], counter: int
) -> None:
    """Write alive counter and CRC of profile 2 into a frame.

    data      (>= length,) uint8  changed in place: byte 0 and the low nibble of byte 1
    length    2..len(data)        payload bytes covered
    data_ids  (16,) uint8         the frame's data id list, one for each counter value
    counter   any                 taken modulo 16
    """
    data[1] = (int(data[1]) & 0xF0) | (counter % COUNTERS_PROFILE_2)
    data[0] = _profile_2_crc(data, length, data_ids)


@jit
def check_profile_2(data: NDArray[np.uint8], length: int, data_ids: NDArray[np.uint8]) -> int:
    """Counter 0..15 of a correct profile 2 frame; -1 if the CRC is wrong."""
    if length < 2 or int(data[0]) != _profile_2_crc(data, length, data_ids):
        return -1
    return int(data[1]) & 0x0F
