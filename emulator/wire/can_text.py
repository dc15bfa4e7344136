"""CAN frames as text, compiled: socketcand's raw mode (the virtual bus) and SLCAN (serial-line adapters).

Both are handled as a stream: what is read is decoded as far as whole texts go, the rest waits for the next
read. Sources: linux-can/socketcand, doc/protocol.md; Linux kernel, drivers/net/can/slcan.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, STANDARD_MASK, FrameBuffer

LONGEST_FRAME = 53
"""Bytes of one frame as text, at most, in either protocol."""

RECEIVED, RECEIVE_LOST, BUS_ERRORS, WAITING = range(4)
"""Columns of the tally given to the decoder: three counters, and whether texts wait for a free row."""

_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_SEND = np.frombuffer(b"< send ", np.uint8)
_SENT = np.frombuffer(b"send", np.uint8)
_FRAME_BEGIN = np.frombuffer(b"< frame ", np.uint8)
_FRAME = np.frombuffer(b"frame", np.uint8)
_ERROR = np.frombuffer(b"error", np.uint8)
_RTR = np.frombuffer(b"rtr", np.uint8)
_OK = np.frombuffer(b"ok", np.uint8)
_HI = np.frombuffer(b"hi", np.uint8)
_ECHO = np.frombuffer(b"echo", np.uint8)
_BELL = 7
_RETURN = 13


@jit
def _digit(character: int) -> int:
    """Value of a hexadecimal digit, -1 if it is none."""
    if 48 <= character <= 57:
        return character - 48
    lower = character | 32
    if 97 <= lower <= 102:
        return lower - 87
    return -1


@jit
def _number(text: NDArray[np.uint8], start: int, end: int) -> int:
    """Hexadecimal number in text[start:end], -1 if it is empty, too long or none."""
    if end - start < 1 or end - start > 8:
        return -1
    value = 0
    for i in range(start, end):
        digit = _digit(text[i])
        if digit < 0:
            return -1
        value = 16 * value + digit
    return value


@jit
def _is_space(character: int) -> bool:
    """White space between the fields of a text."""
    return character == 32 or 9 <= character <= 13


@jit
def _is_word(text: NDArray[np.uint8], start: int, end: int, word: NDArray[np.uint8]) -> bool:
    """Whether text[start:end] is that word."""
    same = bool(end - start == word.shape[0])
    for i in range(word.shape[0] if same else 0):
        same = same and bool(text[start + i] == word[i])
    return same


@jit
def _field(text: NDArray[np.uint8], start: int, end: int) -> tuple[int, int]:
    """Begin and end of the next field at or behind ``start``; equal if there is none before ``end``."""
    first = start
    while first < end and _is_space(text[first]):
        first += 1
    last = first
    while last < end and not _is_space(text[last]):
        last += 1
    return first, last


@jit
def _append(
    text: NDArray[np.uint8],
    start: int,
    end: int,
    can_id: int,
    now_ns: int,
    into: FrameBuffer,
    tally: NDArray[np.int64],
) -> bool:
    """The hexadecimal payload text[start:end] into the next row (one is free); False if not 0 to 8 bytes."""
    row = into.count[0]
    digits = 0
    high = 0
    for i in range(start, end):
        if _is_space(text[i]):
            continue
        digit = _digit(text[i])
        if digit < 0 or digits == 16:
            return False
        if digits % 2 == 0:
            high = digit
        else:
            into.data[row, digits // 2] = 16 * high + digit
        digits += 1
    if digits % 2:
        return False
    into.count[0] = row + 1
    into.time_ns[row] = now_ns
    into.valid_ns[row] = 0
    into.can_id[row] = can_id
    into.length[row] = digits // 2
    tally[RECEIVED] += 1
    return True


@jit
def _spaced(text: NDArray[np.uint8], start: int, end: int) -> int:
    """How many fields there are in text[start:end]."""
    fields = 0
    for i in range(start + 1, end):
        fields += _is_space(text[i - 1]) and not _is_space(text[i])
    return fields


@jit
def _take_bus_text(
    text: NDArray[np.uint8],
    start: int,
    end: int,
    now_ns: int,
    into: FrameBuffer,
    tally: NDArray[np.int64],
) -> bool:
    """One text of the virtual bus without its closing bracket; False if it can't be understood.

    Frames stand in it as the bus tells of them or, on a bus that hands them on verbatim, as they were sent.
    """
    first, last = _field(text, start, end)
    if last - first != 1 or text[first] != 60:
        return False
    first, last = _field(text, last, end)
    sent = _is_word(text, first, last, _SENT)
    if sent or _is_word(text, first, last, _FRAME):
        first, last = _field(text, last, end)
        can_id = _number(text, first, last)
        standard = last - first == 3
        if can_id < 0 or can_id > (STANDARD_MASK if standard else EXTENDED_MASK):
            return False
        if not standard:
            can_id |= EXTENDED
        first, last = _field(text, last, end)  # how many bytes were sent, or when
        if sent and (last - first != 1 or _spaced(text, last, end) != text[first] - 48):
            return False
        return first < last and _append(text, last, end, can_id, now_ns, into, tally)
    if _is_word(text, first, last, _ERROR):
        tally[BUS_ERRORS] += 1
        return True
    return (
        _is_word(text, first, last, _RTR)
        or _is_word(text, first, last, _OK)
        or _is_word(text, first, last, _HI)
        or _is_word(text, first, last, _ECHO)
    )


@jit
def _take_serial_text(
    text: NDArray[np.uint8],
    start: int,
    end: int,
    now_ns: int,
    into: FrameBuffer,
    tally: NDArray[np.int64],
) -> bool:
    """One text of a serial adapter without its carriage return; False if it can't be understood."""
    begin = start
    for i in range(start, end):
        if text[i] == _BELL:
            tally[BUS_ERRORS] += 1
            begin = i + 1
    if begin == end:
        return True
    kind = text[begin]
    if kind in (ord("z"), ord("Z"), ord("r"), ord("R")):  # acknowledgements and remote frames
        return True
    digits = 3
    limit = STANDARD_MASK
    mark = 0
    if kind == ord("T"):
        digits, limit, mark = 8, EXTENDED_MASK, EXTENDED
    elif kind != ord("t"):
        return False
    data = begin + 2 + digits
    if data > end:
        return False
    can_id = _number(text, begin + 1, begin + 1 + digits)
    length = text[data - 1] - 48
    if can_id < 0 or can_id > limit or length < 0 or length > 8:
        return False
    rest = end - data - 2 * length
    if rest not in (0, 4):  # an adapter with time stamps switched on appends four more digits
        return False
    for i in range(data, data + 2 * length):
        if _digit(text[i]) < 0:
            return False
    return _append(text, data, data + 2 * length, can_id | mark, now_ns, into, tally)


@jit
def decode(
    serial: bool,
    text: NDArray[np.uint8],
    filled: int,
    now_ns: int,
    into: FrameBuffer,
    tally: NDArray[np.int64],
) -> int:
    """Append whole data frames in text[:filled] to ``into``, as far as it has rows; the rest to the front.

    serial  SLCAN instead of the virtual bus' texts
    text    (N,) bytes as read; overwritten
    tally   (4,) RECEIVED, RECEIVE_LOST (texts that say nothing known), BUS_ERRORS (error texts; the adapter's
            bell): raised. WAITING: set to 1 if whole texts are left because no row was free, else to 0

    Returns how many bytes are left at the front. Remote frames and answers are passed over.
    """
    mark = _RETURN if serial else 62
    start = 0
    tally[WAITING] = 0
    for i in range(filled):
        if text[i] == mark:
            if into.count[0] == into.can_id.shape[0]:
                tally[WAITING] = 1
                break
            if serial:
                understood = _take_serial_text(text, start, i, now_ns, into, tally)
            else:
                understood = _take_bus_text(text, start, i, now_ns, into, tally)
            if not understood:
                tally[RECEIVE_LOST] += 1
            start = i + 1
    for i in range(start, filled):
        text[i - start] = text[i]
    return filled - start


@jit
def _append_stamp(text: NDArray[np.uint8], at: int, stamp_us: int) -> int:
    """Seconds and their millionths with a space behind them, from text[at]; where they end."""
    rest = stamp_us
    for i in range(16, -1, -1):
        if i == 10:
            text[at + i] = ord(".")
        else:
            text[at + i] = 48 + rest % 10
            rest //= 10
    text[at + 17] = 32
    return at + 18


@jit
def encode(
    serial: bool, frames: FrameBuffer, text: NDArray[np.uint8], ends: NDArray[np.int64], stamp_us: int
) -> int:
    """All frames of at most 8 bytes as text, in order; returns how many those are.

    text      (N,) bytes, out: at least LONGEST_FRAME a frame
    ends      (M,) out: where each frame's text ends
    stamp_us  since 1970-01-01, 0 for none: with it the virtual bus' texts are what the others on it get of a
              frame sent then, and not commands to send it
    """
    written = 0
    at = 0
    for row in range(frames.count[0]):
        length = frames.length[row]
        if length > 8:
            continue
        can_id = frames.can_id[row]
        extended = (can_id & EXTENDED) != 0
        digits = 8 if extended else 3
        can_id &= EXTENDED_MASK if extended else STANDARD_MASK
        if serial:
            text[at] = ord("T") if extended else ord("t")
            at += 1
        else:
            begin = _FRAME_BEGIN if stamp_us else _SEND
            for i in range(begin.shape[0]):
                text[at + i] = begin[i]
            at += begin.shape[0]
        for i in range(digits):
            text[at + i] = _HEX[(can_id >> (4 * (digits - 1 - i))) & 15]
        at += digits
        if not serial:
            text[at] = 32
            at += 1
        if stamp_us and not serial:
            at = _append_stamp(text, at, stamp_us)
        else:
            text[at] = 48 + length
            at += 1
        for i in range(length):
            byte = frames.data[row, i]
            if not serial and not stamp_us:
                text[at] = 32
                at += 1
            text[at] = _HEX[byte >> 4]
            text[at + 1] = _HEX[byte & 15]
            at += 2
        if serial:
            text[at] = _RETURN
            at += 1
        else:
            text[at] = 32
            text[at + 1] = 62
            at += 2
        ends[written] = at
        written += 1
    return written
