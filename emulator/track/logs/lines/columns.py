"""Plain lines of a log in columns, ``.trc``: its head or version says what each word is."""

from __future__ import annotations

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Block, put
from emulator.track.logs.lines.asc import put_bytes
from emulator.track.logs.lines.form import (
    BUS,
    BYTES,
    CODE,
    DIRECTION,
    IDENTIFIER,
    KIND,
    PAYLOAD,
    REST,
    TIME,
    Form,
)
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

_MS_PER_S = 1000.0
_LONG_IDENTIFIER = 4
"""Digits of an identifier of 11 bits; with more it has 29."""


@jit
def columns_line(data: Bytes, at: int, end: int, block: Block, said: Form) -> bool:
    """Put a line's frame; False: it is none that is plain."""
    time_s, key, length = 0.0, NONE, NONE
    for column in said.columns:
        first = behind_blanks(data, at, end)
        if column == REST and length == 0:
            put(block, time_s, key, data, first, 0)
            return True
        if column == REST:
            return _put_rest(block, time_s, key, data, first, end)
        if column == PAYLOAD:
            return _put_told(block, time_s, key, data, first, end, length)
        at = behind_word(data, first, end)
        if at <= first or data[first] == 59:  # a comment
            return False
        until = at
        if column == TIME:
            time_ms, until = decimal(data, first, at, 0)
            time_s = time_ms / _MS_PER_S + said.start_s
        elif column == IDENTIFIER:
            key, until = whole(data, first, at, 16)
            if key < 0 or key > MOST_IDENTIFIER:
                return False
            if at - first > _LONG_IDENTIFIER:
                key |= EXTENDED
        elif column in (BYTES, CODE):
            length, until = whole(data, first, at, 10)
            if length < 0:
                return False
        elif column == BUS:
            bus, until = whole(data, first, at, 10)
            if bus < 0:
                return False
        elif column == DIRECTION:
            if at != first + 2 or data[first] not in (82, 84) or data[first + 1] != 120:  # Rx, Tx
                return False
        elif column == KIND and not _is_data(data, first, at):
            return False
        if until != at:
            return False
    return False


@jit
def _is_data(data: Bytes, first: int, end: int) -> bool:
    """Whether a kind is that of a data frame: DT, FD, FB, FE or BI."""
    if end != first + 2:
        return False
    one, two = data[first], data[first + 1]
    return (one == 68 and two == 84) or (one == 70 and two in (66, 68, 69)) or (one == 66 and two == 73)


@jit
def _put_told(block: Block, time_s: float, key: int, data: Bytes, at: int, end: int, length: int) -> bool:
    """Put a frame of as many bytes as told; False: not all are there, too many, or none but words."""
    if length > block.data.shape[1] or (length == 0 and at < end):
        return False
    there, behind = 0, at
    while there < length and behind < end:
        behind = behind_word(data, behind, end)
        if behind < 0:
            return False
        behind = behind_blanks(data, behind, end)
        there += 1
    return there == length and put_bytes(block, time_s, key, data, at, end, length, 16)


@jit
def _put_rest(block: Block, time_s: float, key: int, data: Bytes, at: int, end: int) -> bool:
    """Put a frame of all the bytes that follow, two digits each; False: something else follows."""
    row, others, length = block.counts[0], block.counts[1], 0
    put(block, time_s, key, data, at, 0)
    wanted = block.counts[0] > row
    while at < end and length < block.data.shape[1]:
        high = digit(data[at], 16)
        low = digit(data[at + 1], 16) if at + 1 < end else NONE
        if high < 0 or low < 0 or (at + 2 < end and not is_blank(data[at + 2])):
            break
        if wanted:
            block.data[row, length] = 16 * high + low
        length += 1
        at = behind_blanks(data, at + 2, end)
    if at < end or length == 0:
        block.counts[0], block.counts[1] = row, others
        return False
    if wanted:
        block.length[row] = length
    return True
