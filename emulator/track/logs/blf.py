"""BLF as frames in columns: what python-can reads of it, without an object for each frame.

A file is a head and containers, most of them packed by zlib; unpacked they are one stream of objects, of
which those that are data frames are taken. Layouts of head, container and objects are those that python-can
reads. Damage ends the log, as with that.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.logs.gathered import EXTENDED, Block, Gathered, is_full, put
from emulator.track.logs.packed import unpacked

_HEAD = struct.Struct("<4sL8B2Q2L16H")
_OBJECT = struct.Struct("<4s2H2L")
_CONTAINER = struct.Struct("<H6xL4x")
_CONTAINER_KIND = 10
_PLAIN, _ZLIB = 0, 2
_PIECE = 1 << 20

_MORE, _FULL, _DAMAGED = 0, 1, 2


class BlfDamaged(Exception):
    """Where a BLF file stops making sense, in words."""


def gather_blf(path: Path, gathered: Gathered) -> int:
    """Gather the frames of a file; returns the size that its head tells [bytes].

    Raises BlfDamaged, OSError, EOFError, zlib.error; what was gathered before stays; what ``gathered`` does.
    """
    with unpacked(path) as file:
        head = file.read(_HEAD.size)
        if len(head) < _HEAD.size or not head.startswith(b"LOGG"):
            raise BlfDamaged("its head is none of a BLF file")
        numbers = _HEAD.unpack(head)
        file.seek(max(numbers[1], _HEAD.size))
        started_s = _instant(numbers[14:22])
        rest = b""
        for piece in _contents(file):
            rest = _gather(rest + piece if rest else piece, started_s, gathered)
    return int(numbers[10])


def _instant(parts: tuple[int, ...]) -> float:
    """Seconds since 1970 of year, month, weekday, day, hour, minute, second, millisecond; 0: it is none."""
    year, month, _, day, hour, minute, second, ms = parts
    try:
        return datetime(year, month, day, hour, minute, second, 1000 * ms, tzinfo=UTC).timestamp()
    except ValueError:
        return 0.0


def _contents(file: BinaryIO) -> Iterator[bytes]:
    """What the containers hold, in pieces that fit into memory whatever they say of themselves."""
    while head := file.read(_OBJECT.size):
        if len(head) < _OBJECT.size:
            raise BlfDamaged("it ends within the head of a container")
        sign, _, _, size, kind = _OBJECT.unpack(head)
        if sign != b"LOBJ" or size < _OBJECT.size:
            raise BlfDamaged(f"no container begins at byte {file.tell() - len(head):,}")
        end = file.tell() + size - _OBJECT.size
        if kind == _CONTAINER_KIND:
            told = file.read(_CONTAINER.size)
            if len(told) < _CONTAINER.size or file.tell() > end:
                raise BlfDamaged("a container ends within its head")
            method, _ = _CONTAINER.unpack(told)
            if method == _PLAIN:
                yield from _parts(file, end)
            elif method == _ZLIB:
                yield from _inflated(file, end)
        file.seek(end + size % 4)


def _parts(file: BinaryIO, end: int) -> Iterator[bytes]:
    while part := file.read(max(min(_PIECE, end - file.tell()), 0)):
        yield part


def _inflated(file: BinaryIO, end: int) -> Iterator[bytes]:
    stream = zlib.decompressobj()
    for part in _parts(file, end):
        yield stream.decompress(part, _PIECE)
        while rest := stream.unconsumed_tail:
            yield stream.decompress(rest, _PIECE)
    yield stream.flush()


def _gather(data: bytes, started_s: float, gathered: Gathered) -> bytes:
    """Gather the frames of a piece of the stream; returns what is left, the beginning of an object."""
    at, status = 0, _FULL
    numbers = np.frombuffer(data, np.uint8)
    while status == _FULL:
        at, status = _scan(numbers, at, started_s, gathered.block)
        if status == _FULL:
            gathered.decode()
    if status == _DAMAGED:
        raise BlfDamaged("no object begins where the one before it ends")
    return data[at:]


@jit
def _number(data: NDArray[np.uint8], at: int, size: int) -> int:
    """The whole number of ``size`` bytes there, the lowest first."""
    number = np.uint64(0)
    for k in range(size):
        number |= np.uint64(data[at + k]) << np.uint64(8 * k)
    return np.int64(number)  # type: ignore[return-value]


@jit
def _next_object(data: NDArray[np.uint8], at: int) -> int:
    """Where an object begins, behind what fills up the one before it; -1: not within eight bytes."""
    for start in range(at, min(at + 4, len(data) - 4) + 1):
        if data[start] == 76 and data[start + 1] == 79 and data[start + 2] == 66 and data[start + 3] == 74:
            return start
    return -1


@jit
def _scan(data: NDArray[np.uint8], at: int, started_s: float, block: Block) -> tuple[int, int]:
    """Put data frames from ``at`` on; returns where it stopped and why."""
    held = len(data)
    while True:
        if is_full(block):
            return at, _FULL
        start = _next_object(data, at)
        if start < 0:
            return at, _MORE if at + 8 > held else _DAMAGED
        if start + 16 > held:
            return at, _MORE
        size = _number(data, start + 8, 4)
        end = start + size
        if size < 16:
            return at, _DAMAGED  # it would be its own follower
        if end > held:
            return at, _MORE
        version = _number(data, start + 6, 2)
        if version in (1, 2):
            body = start + (32 if version == 1 else 40)
            kind = _number(data, start + 12, 4)
            needed = 16 if kind in (1, 86) else 32 if kind == 73 else 84 if kind == 100 else 40
            if body > held or (kind in (1, 73, 86, 100, 101) and body + needed > held):
                return at, _MORE
            ticks = float(_number(data, start + 24, 8))
            time_s = ticks / (1e5 if _number(data, start + 16, 4) == 1 else 1e9) + started_s
            if kind in (1, 86) or kind == 100:
                flags, length, first = data[body + 2], data[body + 3], body + 8
                most = 8
                if kind == 100:
                    length, first, most = data[body + 14], body + 20, 64
                if not flags & 0x80:  # a remote frame holds nothing
                    put(block, time_s, _key(data, body + 4), data, first, min(length, most))
            elif kind == 101 and not data[body + 12] & 0x10:
                told = min(_number(data, body + 2, 1), 64)
                until = _number(data, body + 35, 1)
                there = (until if until else size) - _number(data, start + 4, 2) - 40
                _put_padded(block, time_s, _key(data, body + 4), data, body + 40, told, there)
        at = end


@jit
def _key(data: NDArray[np.uint8], at: int) -> int:
    identifier = _number(data, at, 4)
    return (identifier & 0x1FFF_FFFF) | (identifier & EXTENDED)


@jit
def _put_padded(
    block: Block, time_s: float, key: int, data: NDArray[np.uint8], first: int, length: int, there: int
) -> None:
    """As ``put``, zero where less is there than told."""
    row = block.counts[0]
    there = max(min(there, length, len(data) - first), 0)
    put(block, time_s, key, data, first, there)
    if block.counts[0] > row:
        block.length[row] = length
