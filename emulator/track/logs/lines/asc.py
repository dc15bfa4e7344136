"""Plain lines of an ASC log, classic and CAN FD."""

from __future__ import annotations

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Block, put
from emulator.track.logs.lines.numbers import (
    NONE,
    Bytes,
    behind_blanks,
    behind_word,
    decimal,
    digit,
    is_blank,
    whole,
)

_FD = (67, 65, 78, 70, 68)  # CANFD
_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Bytes by the code of a length: ISO 11898-1, from memory."""


@jit
def asc_line(data: Bytes, at: int, end: int, block: Block, base: int) -> bool:
    """Put a line's frame, ``TIME CHANNEL IDENTIFIER[x] Rx|Tx d LENGTH BYTES ...`` or, of CAN FD, ``TIME CANFD
    CHANNEL Rx|Tx IDENTIFIER[x] [NAME] 0|1 0|1 CODE LENGTH BYTES ...``; False: it is no such line.
    """
    time_s, at = decimal(data, behind_blanks(data, at, end), end, 1)
    first = behind_blanks(data, at, end) if at >= 0 else NONE
    if first <= at:
        return False
    if data[first] == 67:  # C
        return _fd_line(data, first, end, block, time_s, base)
    channel, at = whole(data, first, end, 10)
    first = behind_blanks(data, at, end)
    if channel < 0 or first == at:
        return False
    key, at = _key(data, first, end, base)
    first = behind_blanks(data, at, end)
    if key < 0 or first == at:
        return False
    at = _behind_direction(data, first, end)
    first = behind_blanks(data, at, end)
    if at < 0 or first in (at, end) or data[first] != 100:  # d
        return False
    at = first + 1
    first = behind_blanks(data, at, end)
    length, behind = whole(data, first, end, base)
    if first == at or length < 0 or behind > first + 1 or (behind < end and not is_blank(data[behind])):
        return False
    return put_bytes(block, time_s, key, data, behind, end, min(length, 8), base)


@jit
def _fd_line(data: Bytes, at: int, end: int, block: Block, time_s: float, base: int) -> bool:
    """``asc_line`` from ``CANFD`` on."""
    for letter in _FD:
        if at == end or data[at] != letter:
            return False
        at += 1
    first = behind_blanks(data, at, end)
    channel, behind = whole(data, first, end, 10)
    if first == at or channel < 0:
        return False
    first = behind_blanks(data, behind, end)
    at = _behind_direction(data, first, end) if first > behind else NONE
    first = behind_blanks(data, at, end) if at >= 0 else NONE
    if first <= at:
        return False
    key, at = _key(data, first, end, base)
    first = behind_blanks(data, at, end)
    if key < 0 or first == at:
        return False
    at = behind_word(data, first, end)
    if at != first + 1 or digit(data[first], 10) < 0:  # not of two flags the first but a name
        for k in range(first, at):
            if digit(data[k], 10) < 0:
                break
        else:
            return False
        first = behind_blanks(data, at, end)
        at = first + 1
    for k in range(2):
        if first >= end or data[first] not in (48, 49) or (at < end and not is_blank(data[at])):
            return False
        first = behind_blanks(data, at, end)
        at = first + (1 if k == 0 else 0)
    code, at = whole(data, first, end, base)
    first = behind_blanks(data, at, end)
    if code < 0 or code > 15 or first == at:
        return False
    length, at = whole(data, first, end, 10)
    first = behind_blanks(data, at, end)
    if length < 1 or length != _LENGTHS[code] or first in (at, end):
        return False  # of no length: a remote frame, python-can says
    return put_bytes(block, time_s, key, data, at, end, length, base)


@jit
def _key(data: Bytes, at: int, end: int, base: int) -> tuple[int, int]:
    """An identifier's key, and where it ends; -1: it is none."""
    key, at = whole(data, at, end, base)
    if key > MOST_IDENTIFIER:
        return NONE, at
    if key >= 0 and at < end and data[at] in (88, 120):  # X, x
        return key | EXTENDED, at + 1
    return key, at


@jit
def _behind_direction(data: Bytes, at: int, end: int) -> int:
    """Where ``Rx`` or ``Tx`` ends; -1: it is neither."""
    if at + 2 > end or data[at] not in (82, 84) or data[at + 1] != 120:
        return NONE
    return at + 2


@jit
def put_bytes(
    block: Block, time_s: float, key: int, data: Bytes, at: int, end: int, length: int, base: int
) -> bool:
    """Put a frame of bytes with blanks between, as many as there are and told; False: not all are bytes."""
    row, others = block.counts[0], block.counts[1]
    put(block, time_s, key, data, at, 0)
    wanted = block.counts[0] > row
    for k in range(length):
        first = behind_blanks(data, at, end)
        if first == end:
            break
        value, at = whole(data, first, end, base)
        if value < 0 or value > 255 or at > first + 3 or (at < end and not is_blank(data[at])):
            block.counts[0], block.counts[1] = row, others
            return False
        if wanted:
            block.data[row, k] = value
            block.length[row] = k + 1
    return True
