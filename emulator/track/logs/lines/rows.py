"""Plain rows of a table of frames, as python-can writes it."""

from __future__ import annotations

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Block, put
from emulator.track.logs.lines.numbers import NONE, Bytes, decimal, digit, whole

_FLAGS = 3
_COMMA = 44


@jit
def row_line(data: Bytes, at: int, end: int, block: Block) -> bool:
    """Put the frame of ``TIME,0xIDENTIFIER,EXTENDED,REMOTE,ERROR,LENGTH,BASE64``; False: it is no such row.

    Flags are 0 or 1. Of the length nothing follows.
    """
    time_s, at = decimal(data, at, end, 1)
    if at < 0 or at + 3 > end or data[at] != _COMMA or data[at + 1] != 48 or data[at + 2] != 120:  # 0x
        return False
    key, at = whole(data, at + 3, end, 16)
    if key < 0 or key > MOST_IDENTIFIER or at + 2 * _FLAGS >= end:
        return False
    for k in range(_FLAGS):
        if data[at + 2 * k] != _COMMA or data[at + 2 * k + 1] not in (48, 49):
            return False
    extended, no_data = data[at + 1] == 49, data[at + 3] == 49 or data[at + 5] == 49
    at += 2 * _FLAGS
    if at == end or data[at] != _COMMA:
        return False
    told, at = whole(data, at + 1, end, 10)
    if told < 0 or at == end or data[at] != _COMMA:
        return False
    first = at + 1
    length = _base64_bytes(data, first, end)
    if length < 0 or length > block.data.shape[1]:
        return False
    if no_data:
        return True
    row = block.counts[0]
    put(block, time_s, key | EXTENDED if extended else key, data, first, 0)
    if block.counts[0] > row:
        block.length[row] = length
        for k in range(length):
            at, place = first + 4 * (k // 3), k % 3
            high, low = _base64_digit(data[at + place]), _base64_digit(data[at + place + 1])
            block.data[row, k] = (high << 2 * (place + 1) | low >> 4 - 2 * place) & 0xFF
    return True


@jit
def _base64_bytes(data: Bytes, at: int, end: int) -> int:
    """How many bytes the letters up to the end stand for; -1: they are no whole groups of RFC 4648."""
    letters = end - at
    if letters % 4:
        return NONE
    filled = 0
    while filled < min(2, letters) and data[end - 1 - filled] == 61:  # =
        filled += 1
    for k in range(at, end - filled):
        if _base64_digit(data[k]) < 0:
            return NONE
    return letters // 4 * 3 - filled


@jit
def _base64_digit(letter: int) -> int:
    """The six bits that a letter stands for in RFC 4648; -1: none."""
    if 65 <= letter <= 90:
        return letter - 65
    if 97 <= letter <= 122:
        return letter - 71
    if digit(letter, 10) >= 0:
        return letter + 4
    return 62 if letter == 43 else 63 if letter == 47 else NONE
