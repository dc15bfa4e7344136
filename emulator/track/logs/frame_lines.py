"""Bus logs that are text, a line a frame, as frames in columns.

Lines of the plainest form are read by compiled code. All others, the head among them, go to python-can in
their place, one by one, so that it is what reads a log; the compiled code only knows what it would make of
most lines. The first frame of an ASC is read by python-can as well, which then knows what its head says.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, Block, Gathered, is_full, put

_PIECE = 1 << 20
_LONGEST = 1 << 20

_UNKNOWN, _CANDUMP, _DECIMAL, _HEXADECIMAL = 0, 1, 10, 16
"""Forms of plain lines; of ASC the base of its numbers."""
_MORE, _FULL, _OTHER = 0, 1, 2
_NONE = -1

_MOST_MANTISSA = 1 << 53
_MOST_DECIMALS = 22
"""A decimal number's digits as a whole number, over a power of ten, is rounded once where both are exact."""
_MOST_IDENTIFIER = 0x1FFF_FFFF

Bytes = NDArray[np.uint8]


class LineTooLong(Exception):
    """A line that is none of a log of text."""

    def __str__(self) -> str:
        """Words for people."""
        return f"a line of more than {_LONGEST:,} bytes"


def gather_asc(path: Path, gathered: Gathered) -> None:
    """Gather the frames of an ASC file.

    Raises whatever python-can does, LineTooLong, OSError; what was gathered before stays. What ``gathered``
    raises.
    """
    from can import ASCReader

    _gather(path, gathered, ASCReader, lambda reader: _DECIMAL if reader.base == "dec" else _HEXADECIMAL)


def gather_candump(path: Path, gathered: Gathered) -> None:
    """Gather the frames of a log of SocketCAN's ``candump -L``. Raises as ``gather_asc``."""
    from can import CanutilsLogReader

    _gather(path, gathered, CanutilsLogReader, lambda _: _CANDUMP)


def _gather(path: Path, gathered: Gathered, reader_of: Any, form: Callable[[Any], int]) -> None:
    with path.open("rb") as file:
        lines = _Lines(file, gathered)
        reader = reader_of(lines)
        for message in reader:
            lines.form = form(reader)
            gathered.add_message(message)


class _Lines:
    """Lines of a file that compiled code leaves to python-can; frames of the others are gathered before.

    form  what plain lines are, once that is known; until then all are left
    """

    def __init__(self, file: BinaryIO, gathered: Gathered) -> None:
        self.form = _UNKNOWN
        self._file, self._gathered = file, gathered
        self._held, self._at = np.empty(0, np.uint8), 0
        self._left: Iterator[str] = iter(())

    def __iter__(self) -> _Lines:
        """Itself."""
        return self

    def __next__(self) -> str:
        """The next line that is left. Raises StopIteration at the end, LineTooLong, OSError."""
        while (line := next(self._left, None)) is None:
            self._at, following, status = _scan(self._held, self._at, self._gathered.block, self.form)
            if status == _FULL:
                self._gathered.decode()
            elif status == _OTHER:
                # a comment may be in any encoding; a line may end by a single CR
                text = self._held[self._at : following].tobytes().decode("utf-8", "replace")
                self._left = io.StringIO(text, newline=None)
                self._at = following
            elif not self._read_on():
                raise StopIteration
        return line

    def close(self) -> None:
        """For python-can; the file is closed by whoever opened it."""

    def _read_on(self) -> bool:
        """Hold the next lines of the file; the last one ends as all do. Raises LineTooLong, OSError."""
        rest = self._held[self._at :].tobytes()
        if len(rest) > _LONGEST:
            raise LineTooLong
        piece = self._file.read(_PIECE) or (b"\n" if rest else b"")
        self._held, self._at = np.frombuffer(rest + piece, np.uint8), 0
        return bool(piece)


@jit
def _scan(data: Bytes, at: int, block: Block, form: int) -> tuple[int, int, int]:
    """Put frames from ``at`` on, until the data ends, the block is full or a line is none of the plain ones.

    Returns the beginning of the line that it stopped at, of the one behind it, and why.
    """
    while True:
        end, following, whole = _line_end(data, at)
        if end < 0:
            return at, at, _MORE
        if is_full(block):
            return at, at, _FULL
        if form == _UNKNOWN or not whole:
            return at, following, _OTHER
        put_it = (
            _candump_line(data, at, end, block) if form == _CANDUMP else _asc_line(data, at, end, block, form)
        )
        if not put_it:
            return at, following, _OTHER
        at = following


@jit
def _line_end(data: Bytes, at: int) -> tuple[int, int, bool]:
    """Where the line ends, the next one begins (-1: data ends before), and whether no CR is within."""
    whole = True
    for k in range(at, len(data)):
        if data[k] == 10:
            return k - 1 if k > at and data[k - 1] == 13 else k, k + 1, whole
        if data[k] == 13 and k + 1 < len(data) and data[k + 1] != 10:
            whole = False
    return -1, -1, whole


@jit
def _asc_line(data: Bytes, at: int, end: int, block: Block, base: int) -> bool:
    """Put the frame of ``TIME CHANNEL IDENTIFIER[x] Rx|Tx d LENGTH BYTES ...``; False: it is no such line."""
    time_s, at = _decimal(data, _behind_blanks(data, at, end), end)
    if at < 0:
        return False
    first = _behind_blanks(data, at, end)
    channel, behind = _whole(data, first, end, 10)
    if first == at or channel < 0:
        return False
    at = behind
    first = _behind_blanks(data, at, end)
    key, behind = _whole(data, first, end, base)
    if first == at or key < 0 or key > _MOST_IDENTIFIER:
        return False
    at = behind
    if at < end and data[at] in (88, 120):  # X, x
        key |= EXTENDED
        at += 1
    first = _behind_blanks(data, at, end)
    if first == at or first + 2 > end or data[first] not in (82, 84) or data[first + 1] != 120:  # Rx, Tx
        return False
    at = first + 2
    first = _behind_blanks(data, at, end)
    if first in (at, end) or data[first] != 100:  # d
        return False
    at = first + 1
    first = _behind_blanks(data, at, end)
    length, behind = _whole(data, first, end, base)
    if first == at or length < 0 or behind > first + 1 or (behind < end and not _blank(data[behind])):
        return False
    at = behind
    return _put_bytes(block, time_s, key, data, at, end, min(length, 8), base)


@jit
def _put_bytes(
    block: Block, time_s: float, key: int, data: Bytes, at: int, end: int, length: int, base: int
) -> bool:
    """Put a frame of bytes with blanks between, as many as there are and told; False: not all are bytes."""
    row, others = block.counts[0], block.counts[1]
    put(block, time_s, key, data, at, 0)
    wanted = block.counts[0] > row
    for k in range(length):
        first = _behind_blanks(data, at, end)
        if first == end:
            break
        value, at = _whole(data, first, end, base)
        if value < 0 or value > 255 or at > first + 3 or (at < end and not _blank(data[at])):
            block.counts[0], block.counts[1] = row, others
            return False
        if wanted:
            block.data[row, k] = value
            block.length[row] = k + 1
    return True


@jit
def _candump_line(data: Bytes, at: int, end: int, block: Block) -> bool:
    """Put the frame of ``(TIME) CHANNEL IDENTIFIER#DIGITS[ R|T]`` or ``##F``; False: it is no such line."""
    if at == end or data[at] != 40:
        return False
    time_s, at = _decimal(data, at + 1, end)
    if at < 0 or at + 1 >= end or data[at] != 41 or data[at + 1] != 32:
        return False
    at += 2
    first = at
    while at < end and 32 < data[at] < 127:
        at += 1
    if at in (first, end) or data[at] != 32:
        return False
    first = at + 1
    key, at = _whole(data, first, end, 16)
    if key < 0 or key > _MOST_IDENTIFIER or at == end or data[at] != 35:
        return False
    if at - first > 3:
        key |= EXTENDED
    at += 1
    if at < end and data[at] == 35:  # CAN FD, with a digit of flags
        at += 1
        if at == end or _digit(data[at], 10) < 0:
            return False
        at += 1
    first = at
    while at < end and _digit(data[at], 16) >= 0:
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
            high, low = _digit(data[first + 2 * k], 16), _digit(data[first + 2 * k + 1], 16)
            block.data[row, k] = 16 * high + low
    return True


@jit
def _blank(letter: int) -> bool:
    return letter in (32, 9)


@jit
def _behind_blanks(data: Bytes, at: int, end: int) -> int:
    """Where something else than a blank is, or the end."""
    while at < end and _blank(data[at]):
        at += 1
    return at


@jit
def _digit(letter: int, base: int) -> int:
    """The digit that a letter is; -1: none."""
    if 48 <= letter <= 57:
        return letter - 48
    if base == 16 and 65 <= letter <= 70:
        return letter - 55
    if base == 16 and 97 <= letter <= 102:
        return letter - 87
    return _NONE


@jit
def _whole(data: Bytes, at: int, end: int, base: int) -> tuple[int, int]:
    """A whole number of eight digits at most, and where it ends; -1: there is none."""
    number, first = 0, at
    while at < end and at - first < 9:
        digit = _digit(data[at], base)
        if digit < 0:
            break
        number = base * number + digit
        at += 1
    return (number if 0 < at - first < 9 else _NONE), at


@jit
def _decimal(data: Bytes, at: int, end: int) -> tuple[float, int]:
    """A decimal number with digits on both sides of its point, and where it ends; -1: it is none."""
    number, first, decimals, point = 0, at, 0, _NONE
    while at < end:
        digit = _digit(data[at], 10)
        if digit >= 0:
            number = 10 * number + digit
            if number >= _MOST_MANTISSA:
                return 0.0, _NONE
            decimals += 1 if point >= 0 else 0
        elif data[at] == 46 and point < 0 and at > first:
            point = at
        else:
            break
        at += 1
    if decimals == 0 or decimals > _MOST_DECIMALS:
        return 0.0, _NONE
    power = 1.0
    for _ in range(decimals):
        power *= 10.0
    return number / power, at
