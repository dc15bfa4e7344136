"""Plain lines of SocketCAN's ``candump -L``."""

from __future__ import annotations

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Block, put
from emulator.track.logs.lines.numbers import Bytes, decimal, digit, whole


@jit
def candump_line(data: Bytes, at: int, end: int, block: Block) -> bool:
    """Put the frame of ``(TIME) CHANNEL IDENTIFIER#DIGITS[ R|T]`` or ``##F``; False: it is no such line."""
    if at == end or data[at] != 40:
        return False
    time_s, at = decimal(data, at + 1, end, 1)
    if at < 0 or at + 1 >= end or data[at] != 41 or data[at + 1] != 32:
        return False
    at += 2
    first = at
    while at < end and 32 < data[at] < 127:
        at += 1
    if at in (first, end) or data[at] != 32:
        return False
    first = at + 1
    key, at = whole(data, first, end, 16)
    if key < 0 or key > MOST_IDENTIFIER or at == end or data[at] != 35:
        return False
    if at - first > 3:
        key |= EXTENDED
    at += 1
    if at < end and data[at] == 35:  # CAN FD, with a digit of flags
        at += 1
        if at == end or digit(data[at], 10) < 0:
            return False
        at += 1
    first = at
    while at < end and digit(data[at], 16) >= 0:
        at += 1
    length = (at - first) // 2
    if 2 * length != at - first or length > block.data.shape[1]:
        return False
    if at < end and not (at + 2 == end and data[at] == 32 and data[at + 1] in (82, 84, 114, 116)):
        return False
    row = block.counts[0]
    put(block, time_s, key, data, at, 0)
    if block.counts[0] > row:
        block.length[row] = length
        for k in range(length):
            high, low = digit(data[first + 2 * k], 16), digit(data[first + 2 * k + 1], 16)
            block.data[row, k] = 16 * high + low
    return True
